"""One alarm in full, as its page tells it."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from asleft.domain.alarms.alarm import Alarm, Mark
from asleft.domain.drift import DriftKind
from asleft.domain.estate import AsLeft, Estate
from asleft.domain.names import harmless
from asleft.domain.profile import Concern, Priority
from asleft.domain.snapshot import AsFound
from asleft.drawn.scale import Scale, scale_of
from asleft.ports.ledger import Looked
from asleft.web.adopting import Adopting, adopting_of
from asleft.web.alarm_marks import mark_of
from asleft.web.sources import Source

__all__ = ["Done", "Sheet", "done_of", "name_of", "sheet_of"]

_CONCERNS: Final = {
    Concern.HEARING: "hearing: how loud it can get at the ear",
    Concern.ACCESS: "access: who can change or hear what they should not",
    Concern.NETWORK: "network: whether it is reached, and is the unit it should be",
    Concern.PROGRAMME: "programme: what players and audience hear",
    Concern.COMFORT: "comfort: how the player gets on with it",
    Concern.SERVICE: "service: how it is looked after",
}
_RESTORABLE: Final = frozenset({DriftKind.SETTING, DriftKind.CHANGEOVER, DriftKind.OVERDUE, DriftKind.HALTED})


@dataclass(frozen=True, kw_only=True, slots=True)
class Done:
    """What somebody did: who, when, why, and until when where it ends."""

    who: str
    at: datetime
    why: str
    until: datetime | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Sheet:
    """One alarm in full.

    Args:
        name: Dotted name of its setting, or its kind.
        key: What tells it from all others of its place.
        to: Path of its own page.
        meaning: What it is about.
        priority: How soon somebody should act.
        state: Where it is in its life.
        mark: What it is shown as: its priority, or `shelved`.
        words: Words beside that in place of the usual ones.
        beside: The state where neither says it.
        what: What drifted.
        matters: What it does to people.
        concern: Why it matters.
        hearing: Whether it is about how loud it can get.
        as_left: The approved value.
        as_found: The found value.
        stands: Whether it is so still, as far as is known.
        found_at: When that was read; None where it was not, or is so no more.
        now: What was read last of one that is so no more; empty where that is not known.
        now_at: When; None where it is not known.
        scale: A drawing of both; None where there are no numbers, or it is so no more.
        source: Where the approved value comes from.
        active: Whether it stands.
        since: When it began to stand this time.
        ended: When it ceased to; None while it stands.
        count: How often it came since it was last calm.
        onsets: When it came, lately, the newest first.
        chattering: Whether it comes and goes too fast to be told each time.
        acknowledged: Who has seen it.
        shelf: Who put it off.
        suppressed: By what it is suppressed by design.
        needs: The value that can be conceded; empty where none can.
        adopting: Whether what was found can be approved instead; None where nothing that can stands.
        restorable: Whether a restore can mend it.
    """

    name: str
    key: str
    to: str
    meaning: str
    priority: Priority
    state: str
    mark: str
    words: str
    beside: str
    what: str
    matters: str
    concern: str
    hearing: bool
    as_left: str
    as_found: str
    stands: bool
    found_at: datetime | None
    now: str
    now_at: datetime | None
    scale: Scale | None
    source: Source | None
    active: bool
    since: datetime
    ended: datetime | None
    count: int
    onsets: tuple[datetime, ...]
    chattering: bool
    acknowledged: Done | None
    shelf: Done | None
    suppressed: str
    needs: str
    adopting: Adopting | None
    restorable: bool


def name_of(alarm: Alarm) -> str:
    """Name what an alarm is about, as paths do: its setting, or its kind."""
    key = alarm.drift.key
    return key.setting if key.kind is DriftKind.SETTING else key.kind.value


def sheet_of(
    alarm: Alarm,
    estate: Estate,
    as_left: AsLeft | None,
    look: Looked | None,
    sources: Mapping[str, Source | None],
    *,
    exchanged: bool,
) -> Sheet:
    """Put one alarm together; at an exchanged unit nothing can be restored, approved as found or conceded."""
    drift, key = alarm.drift, alarm.drift.key
    row = as_left.profile.settings.get(key.setting) if as_left and key.setting else None
    found = look.found if look else None
    value = found.values.get(key.setting) if found else None
    read = _read(found, key.kind, row.show(value) if row and value is not None else "")
    read_at = found.at if found and read else None
    # Its off-delay may run: then it is an alarm still, and what was read last is not what was found.
    stands = alarm.stands_at_all
    scale = None
    if stands and row and as_left and value is not None and key.setting in as_left.values:
        scale = scale_of(row, as_left.values[key.setting], value)
    is_setting = key.kind is DriftKind.SETTING
    mark, words, beside = mark_of(alarm)
    place = str(key.station) if key.station.name else key.station.site
    return Sheet(
        name=name_of(alarm),
        key="-".join(filter(None, (key.kind, key.setting))),
        to=f"/alarms/{place}/{name_of(alarm)}" if key.station.name else f"/alarms/{place}",
        meaning=row.meaning if row else str(key.kind),
        priority=drift.priority,
        state=str(alarm.state),
        mark=mark,
        words=words,
        beside=beside,
        what=drift.what,
        matters=drift.matters,
        concern=_CONCERNS[drift.concern],
        hearing=drift.concern is Concern.HEARING,
        as_left=drift.as_left,
        as_found=drift.as_found,
        stands=stands,
        found_at=read_at if stands else None,
        now="" if stands else read,
        now_at=None if stands else read_at,
        scale=scale,
        source=sources.get(key.setting),
        active=alarm.active,
        since=alarm.since,
        ended=alarm.ended,
        count=alarm.count,
        onsets=tuple(reversed(alarm.onsets)),
        chattering=alarm.chattering,
        acknowledged=done_of(alarm.acknowledged, estate) if alarm.acknowledged else None,
        shelf=Done(
            who=_person(estate, alarm.shelf.by),
            at=alarm.shelf.at,
            why=alarm.shelf.reason,
            until=alarm.shelf.until,
        )
        if alarm.shelf
        else None,
        suppressed=alarm.suppressed,
        needs=row.concede if row and is_setting and not exchanged and row.concede == drift.as_found else "",
        adopting=adopting_of(estate, key.station, row, found)
        if is_setting and alarm.active and not exchanged
        else None,
        restorable=key.kind in _RESTORABLE and alarm.active and not exchanged,
    )


def done_of(mark: Mark, estate: Estate) -> Done:
    """Say who did something, by name."""
    return Done(who=_person(estate, mark.by), at=mark.at, why=mark.reason)


def _read(found: AsFound | None, kind: DriftKind, setting: str) -> str:
    """Say what was read last of what an alarm is about; empty where that is nothing that is read.

    Args:
        found: The last look that read something.
        kind: What kind of drift it is about.
        setting: What that look read of its setting; empty where it has none, or that was not read.
    """
    if found is None:
        return ""
    match kind:
        case DriftKind.EXCHANGED:
            return harmless(found.serial)
        case DriftKind.FIRMWARE:
            return harmless(found.firmware)
        case _:
            return setting


def _person(estate: Estate, key: str) -> str:
    person = estate.people.get(key)
    return person.name if person else key
