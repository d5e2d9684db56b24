"""The alarms of a site's stations by their cause, as an alert tells them: what an order for one is about, and what of it nobody has seen."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from asleft.domain.alarms.alarm import Alarm, AlarmState
from asleft.domain.alarms.floods import Group, grouped
from asleft.domain.alarms.life import Move
from asleft.domain.drift import DriftKind
from asleft.domain.errors import AsleftError
from asleft.domain.estate import Estate
from asleft.domain.profile import Concern, Priority
from asleft.web.alarm_sheet import name_of
from asleft.web.alarm_shown import shown_of
from asleft.work.alarms.desk import Board

__all__ = ["Cause", "Way", "alarms_of_cause", "causes_of", "is_known", "order_of"]

_WORST: Final = tuple(Priority)
_RESTORABLE: Final = frozenset({DriftKind.SETTING, DriftKind.OVERDUE})


@dataclass(frozen=True, kw_only=True, slots=True)
class Way:
    """The way from a cause to the alarm at one station: its name, path, what drifted, since when, and a state that says more.

    The path is empty where the baseline no longer has the station, or its profile the setting: there is no page of it then.
    """

    name: str
    to: str
    what: str
    since: datetime
    state: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Cause:
    """Alarms of one site that have one cause.

    Args:
        common: What they share, as a path or a form names it.
        meaning: The same in words.
        priority: The worst of them.
        count: How many alarms there are.
        beside: What stands with them, in words; empty where nothing does.
        matters: What the worst of them does to people.
        hearing: Whether one is about how loud it can get.
        ways: To each station's alarm, by station.
        stations: How many stations have one.
        restorable: At how many stations an order can mend it.
        unseen: The alarms that nobody has seen yet, as `shown_of` names them; empty where there are none.
    """

    common: str
    meaning: str
    priority: Priority
    count: int
    beside: str
    matters: tuple[str, ...]
    hearing: bool
    ways: tuple[Way, ...]
    stations: int
    restorable: int
    unseen: str


def causes_of(estate: Estate, board: Board, site: str, first: str = "") -> tuple[Cause, ...]:
    """Give the causes of what stands at a site's stations, the worst first; one that was asked for comes before all."""
    made = [_cause(estate, group) for group in _groups(board, site)]
    made.sort(key=lambda cause: (cause.common != first, _WORST.index(cause.priority)))
    return tuple(made)


def order_of(estate: Estate, board: Board, site: str, common: str) -> tuple[list[str], frozenset[str]]:
    """Give the stations, by name, and the settings that an order for one cause is about.

    Raises:
        AsleftError: Nothing of that cause stands any more that an order can mend.
    """
    mended = [
        alarm
        for group in _groups(board, site)
        if group.common == common
        for alarm in group.alarms
        if _is_mended(estate, group, alarm)
    ]
    if not mended:
        raise AsleftError(
            "nothing of this cause stands any more that an order can mend",
            where=site,
            todo="look at what stands now",
        )
    names = dict.fromkeys(str(alarm.drift.key.station) for alarm in mended)
    return list(names), frozenset(alarm.drift.key.setting for alarm in mended) - {""}


def alarms_of_cause(board: Board, site: str, common: str) -> list[Alarm]:
    """Give the alarms of one cause at a site's stations; none where nothing of it stands any more."""
    return [alarm for group in _groups(board, site) if group.common == common for alarm in group.alarms]


def _groups(board: Board, site: str) -> list[Group]:
    here = [
        alarm
        for alarm in (*board.alarms, *board.stale)
        if alarm.drift.key.station.site == site and alarm.drift.key.station.name
    ]
    return grouped(here, board.every) if here else []


def is_known(estate: Estate, alarm: Alarm) -> bool:
    """Tell whether the baseline still has what an alarm is about."""
    key = alarm.drift.key
    as_left = estate.stations.get(key.station)
    return as_left is not None and (
        key.kind is not DriftKind.SETTING or key.setting in as_left.profile.settings
    )


def _is_mended(estate: Estate, group: Group, alarm: Alarm) -> bool:
    """Tell whether an order can mend an alarm: not that a station does not answer, nor what came with an exchanged unit or is gone."""
    mends = group.common != DriftKind.EXCHANGED and alarm.active and alarm.drift.key.kind in _RESTORABLE
    return mends and is_known(estate, alarm)


def _cause(estate: Estate, group: Group) -> Cause:
    worst = _worst(group.alarms)
    return Cause(
        common=group.common,
        meaning=_meaning(estate, group),
        priority=worst.drift.priority,
        count=len(group.alarms),
        beside=group.beside,
        matters=tuple(dict.fromkeys(one.drift.matters for one in (_worst(group.leading), worst))),
        hearing=any(alarm.drift.concern is Concern.HEARING for alarm in group.alarms),
        ways=tuple(_way(estate, one) for one in group.leading),
        stations=len({one.drift.key.station for one in group.alarms}),
        restorable=len({one.drift.key.station for one in group.alarms if _is_mended(estate, group, one)}),
        unseen=shown_of(group.alarms, Move.ACKNOWLEDGE),
    )


def _worst(alarms: Iterable[Alarm]) -> Alarm:
    return min(alarms, key=lambda alarm: _WORST.index(alarm.drift.priority))


def _meaning(estate: Estate, group: Group) -> str:
    if group.common == DriftKind.EXCHANGED:
        return "unit exchanged"
    for alarm in group.leading:
        if alarm.drift.key.kind is DriftKind.SETTING and is_known(estate, alarm):
            return estate.stations[alarm.drift.key.station].profile.settings[group.common].meaning
    return group.common


def _way(estate: Estate, alarm: Alarm) -> Way:
    key = alarm.drift.key
    # Of an exchanged unit, all that came with it.
    about = "" if key.kind is DriftKind.EXCHANGED else f"/{name_of(alarm)}"
    return Way(
        name=key.station.name,
        to=f"/alarms/{key.station}{about}" if is_known(estate, alarm) else "",
        what=alarm.drift.what,
        since=alarm.since,
        state="" if alarm.state is AlarmState.UNACKNOWLEDGED else str(alarm.state),
    )
