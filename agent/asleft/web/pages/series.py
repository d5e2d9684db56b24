"""What the plots of the figures are made of: series over a time."""

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Final

from asleft.domain.alarms.alarm import Alarm, AlarmEvent
from asleft.domain.alarms.floods import RAISED
from asleft.domain.stations import StationId
from asleft.drawn.plots import Slot

__all__ = [
    "raised_per_hour",
    "slots_of",
    "standing_at_once",
]

_HOUR: Final = timedelta(hours=1)
_WIDTHS: Final = (_HOUR, timedelta(hours=3), timedelta(hours=6), timedelta(hours=12), timedelta(hours=24))
_MOST: Final = 48
"""More bars than these are too thin on a phone."""
_WHOLE_DAYS: Final = timedelta(days=7)


def slots_of(since: datetime, until: datetime) -> list[tuple[datetime, datetime]]:
    """Cut a time into equal pieces of whole hours, counted back from its end; the first may be shorter, or up to an hour longer.

    What is left at the beginning goes with the piece after it where it is less than an hour: alone it would say nothing.

    Args:
        since: Its beginning, UTC.
        until: Its end, UTC, later than its beginning.
    """
    long = until - since
    width = next((width for width in _WIDTHS if long <= width * _MOST), None)
    if width is None:
        width = _WHOLE_DAYS
    edges = [until]
    while edges[-1] > since:
        edges.append(max(since, edges[-1] - width))
    edges.reverse()
    if len(edges) > 2 and edges[1] - edges[0] < _HOUR:  # noqa: PLR2004 a first piece and one after it
        del edges[1]
    return list(pairwise(edges))


def raised_per_hour(events: Iterable[AlarmEvent], slots: Sequence[tuple[datetime, datetime]]) -> list[Slot]:
    """Give the alarms an hour of each piece of a time; no data for a piece of less than an hour, as in the figures."""
    times = [event.at for event in events if event.move == RAISED]
    found: list[Slot] = []
    for at, (starts, ends) in enumerate(slots):
        last = at == len(slots) - 1
        count = sum(starts <= time < ends or (last and time == ends) for time in times)
        long = ends - starts
        found.append(Slot(starts, ends, count * (_HOUR / long) if long >= _HOUR else None))
    return found


def standing_at_once(
    events: Iterable[AlarmEvent],
    alarms: Iterable[Alarm],
    slots: Sequence[tuple[datetime, datetime]],
) -> list[Slot]:
    """Give the most stations at once that had something standing, for each piece of a time.

    It takes what ceased to stand in the time, from when it began, and what stands now. Alarms about a whole site stand
    for no one station and are left out.

    Args:
        events: What happened in the time.
        alarms: The alarms as they are now.
        slots: Its pieces.
    """
    spans: dict[StationId, list[tuple[datetime, datetime]]] = {}
    end = slots[-1][1] + timedelta.resolution
    for event in events:
        if event.move == "returned" and event.since is not None and event.drift.key.station.name:
            spans.setdefault(event.drift.key.station, []).append((event.since, event.at))
    for alarm in alarms:
        if alarm.active and alarm.drift.key.station.name:
            spans.setdefault(alarm.drift.key.station, []).append((alarm.since, end))
    merged = [span for some in spans.values() for span in _merged(some)]
    return [Slot(starts, ends, float(_most_at_once(merged, starts, ends))) for starts, ends in slots]


def _merged(spans: Iterable[tuple[datetime, datetime]]) -> list[tuple[datetime, datetime]]:
    """Make one span of those that overlap or touch, so that a station counts once."""
    found: list[tuple[datetime, datetime]] = []
    for begin, end in sorted(spans):
        if found and begin <= found[-1][1]:
            found[-1] = (found[-1][0], max(found[-1][1], end))
        else:
            found.append((begin, end))
    return found


def _most_at_once(spans: Iterable[tuple[datetime, datetime]], starts: datetime, ends: datetime) -> int:
    moves: list[tuple[datetime, int]] = []
    for begin, end in spans:
        if begin < ends and end > starts:
            moves += [(max(begin, starts), 1), (end, -1)]
    most = count = 0
    # What ends just as another begins did not stand beside it: ends sort first.
    for _, step in sorted(moves):
        count += step
        most = max(most, count)
    return most
