"""How long people and stations took: to detect a drift, to acknowledge it, to restore it, and until it was gone.

No standard gives these their bounds; the definitions are our own and stand at each function.
"""

from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from asleft.domain.alarms.alarm import AlarmEvent, AlarmState
from asleft.domain.alarms.floods import RAISED
from asleft.domain.drift import NEVER_STANDING, DriftKey, DriftKind
from asleft.domain.stations import StationId
from asleft.domain.statistics import Times

__all__ = [
    "Mended",
    "Taken",
    "Watch",
    "times_to_detect",
    "times_to_restore",
    "times_to_see",
    "times_to_stand",
]

_RETURNED: Final = "returned"
_SHOWN: Final = frozenset({AlarmState.NORMAL, AlarmState.RETURNED})
_FREED: Final = frozenset({"unshelved", "unsuppressed", "back in service"})
_A_SECOND: Final = timedelta(seconds=1)


@dataclass(frozen=True, kw_only=True, slots=True)
class Watch:
    """How stations are looked at, which bounds the time to detect.

    Args:
        interval: The longest from one round of a site to the next; None where that is not known.
        followed: Stations whose changes come at once.
        files: Sites of which somebody brings files: nobody knows when a change was made.
        begun: When alarms were first kept, UTC; None where that is not known.
    """

    interval: timedelta | None = None
    followed: Collection[StationId] = frozenset()
    files: Collection[str] = frozenset()
    begun: datetime | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Mended:
    """An order that was carried out: where, which settings it wrote, and when it ended, UTC in whole seconds."""

    station: StationId
    settings: frozenset[str]
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class Taken(Times):
    """Times that something took, with what is known of them.

    Args:
        bounded: Of so many that is an upper bound.
        unknown: So many more have no bound.
        why: What bounds them and what is not known, in words.
    """

    bounded: int = 0
    unknown: int = 0
    why: Sequence[str] = ()


def times_to_detect(events: Sequence[AlarmEvent], watch: Watch, *, since: datetime | None = None) -> Taken:
    """Give the seconds from when each change of a station can have been made, at the earliest, to its alarm.

    Where a station is followed that is when it was told. Else it is one whole interval before the look that showed it, and where
    the station did not answer until then, an interval before its silence was seen. What was found within the first interval of
    keeping alarms is not known: whether it had stood before or came meanwhile. In a site that is read from files nobody knows.

    What is raised because it was put off until then, or again since it first stood, was detected long before.

    Args:
        events: What happened, oldest first.
        watch: How stations are looked at.
        since: From when on; what stood before was detected before. None where nothing was kept before the first of them.
    """
    silences = _silences(events)
    # What stood as alarms began to be kept is found at the first look, and counted as such.
    after = None if since is None or (watch.begun is not None and since <= watch.begun) else since
    unknown: Counter[str] = Counter()
    taken: list[float] = []
    told = rounds = silent = 0
    for key, began, at in _first_seen(events, after):
        hidden = _hidden(key, began, watch)
        if hidden:
            unknown[hidden] += 1
            continue
        quiet = None if key.kind is DriftKind.UNREACHABLE else _quiet(silences.get(key.station, ()), began)
        earliest = began if quiet is None else quiet
        if key.station not in watch.followed and watch.interval is not None:
            earliest -= watch.interval
            rounds += 1
        elif quiet is None:
            told += 1
        silent += quiet is not None
        taken.append((at - earliest).total_seconds())
    why = [f"{told} at stations that are followed now"] * bool(told)
    if rounds and watch.interval is not None:
        why.append(
            f"an upper bound for {rounds} of {len(taken)}: a round may come a whole interval of"
            f" {watch.interval.total_seconds():g} s after the change"
        )
    why += [f"an upper bound for {silent} found as the station answered again: from its silence on"] * bool(
        silent
    )
    why += [f"{count} not known and left out: {words}" for words, count in unknown.items()]
    return Taken(seconds=taken, bounded=len(taken) - told, unknown=unknown.total(), why=why)


def _first_seen(
    events: Sequence[AlarmEvent], after: datetime | None
) -> Iterator[tuple[DriftKey, datetime, datetime]]:
    """Give each drift of a station with when it began to stand, as far as that was seen, and when it was raised first."""
    freed = {(event.drift.key, event.at) for event in events if event.move in _FREED}
    known: set[tuple[DriftKey, datetime]] = set()
    for event in events:
        key, since = event.drift.key, event.since
        if event.move != RAISED or since is None or key.kind in NEVER_STANDING:
            continue
        before = (key, event.at) in freed or (key, since) in known or (after is not None and since < after)
        known.add((key, since))
        if not before:
            yield key, since, event.at


def _hidden(key: DriftKey, since: datetime, watch: Watch) -> str:
    """Say why nobody knows how long it stood before; empty where that has a bound."""
    if key.station.site in watch.files:
        return "of sites that are read from files"
    # Each site is looked at first some time within the first interval, and nobody notes when: what was found in it may be
    # what that look showed, and so of any age, or what a change or a second look brought.
    if watch.begun is not None and since <= watch.begun + (watch.interval or timedelta()):
        if watch.interval is None:
            return "found as alarms began to be kept, so that it may have stood before"
        first = f"{watch.interval.total_seconds():g} s"
        return f"found within the first {first} of keeping alarms, so that it may have stood before"
    if key.station not in watch.followed and watch.interval is None:
        return "when a round looks at them is not told"
    return ""


def _silences(events: Iterable[AlarmEvent]) -> dict[StationId, list[tuple[datetime, datetime]]]:
    """Give when stations did not answer, as far as that is over."""
    found: dict[StationId, list[tuple[datetime, datetime]]] = {}
    for event in events:
        if (
            event.move == _RETURNED
            and event.drift.key.kind is DriftKind.UNREACHABLE
            and event.since is not None
        ):
            found.setdefault(event.drift.key.station, []).append((event.since, event.at))
    return found


def _quiet(silences: Iterable[tuple[datetime, datetime]], since: datetime) -> datetime | None:
    """Give when the silence began at whose end something was found; None where it was found at another time.

    An alarm returns after its off-delay, so what is found within that time may have been made during the silence.
    """
    return next((began for began, ended in silences if began <= since <= ended), None)


def times_to_restore(events: Iterable[AlarmEvent], mended: Iterable[Mended]) -> list[float]:
    """Give the seconds from when each drift was found to the end of the order that restored it.

    What a person turned back at the station, and what was approved or lent instead, was not restored. What nobody was meant to see
    does not count, as with `times_to_stand`.

    Args:
        events: What happened, oldest first.
        mended: Orders that were carried out.
    """
    orders: dict[StationId, list[Mended]] = {}
    for one in mended:
        orders.setdefault(one.station, []).append(one)
    taken: list[float] = []
    for event in events:
        key = event.drift.key
        if (
            event.move != _RETURNED
            or event.since is None
            or event.state not in _SHOWN
            or key.kind is not DriftKind.SETTING
        ):
            continue
        # An order's end is kept in whole seconds, and may seem to lie before what was found in the same one.
        ends = [
            one.at
            for one in orders.get(key.station, ())
            if key.setting in one.settings and event.since - _A_SECOND < one.at <= event.at
        ]
        if ends:
            taken.append(max(0.0, (max(ends) - event.since).total_seconds()))
    return taken


def times_to_see(events: Iterable[AlarmEvent]) -> list[float]:
    """Give the seconds from each alarm to its acknowledgement, in the order of these.

    Args:
        events: What happened, oldest first.
    """
    waiting: dict[DriftKey, datetime] = {}
    taken: list[float] = []
    for event in events:
        if event.move == RAISED:
            waiting[event.drift.key] = event.at
        elif event.move == "acknowledged" and event.drift.key in waiting:
            taken.append((event.at - waiting.pop(event.drift.key)).total_seconds())
    return taken


def times_to_stand(events: Iterable[AlarmEvent]) -> list[float]:
    """Give the seconds for which each drift stood until it was as left again; what nobody was meant to see does not count.

    Args:
        events: What happened, oldest first.
    """
    return [
        (event.at - event.since).total_seconds()
        for event in events
        if event.move == _RETURNED and event.since is not None and event.state in _SHOWN
    ]
