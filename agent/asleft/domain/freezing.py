"""Frozen: nothing is written at a site beside a performance, nor for a margin before and after it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from asleft.domain.estate import Estate
from asleft.domain.occasions import Event
from asleft.domain.orders import Order
from asleft.domain.profile import Place, Profile

__all__ = ["Freeze", "freeze_at", "frozen_for", "lights_only"]

_LONGEST: Final = 64
"""So many performances that follow one another within the margin are gone through for the end of one freeze."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Freeze:
    """A time during which nothing is written at a site.

    Args:
        since: Its beginning, aware.
        until: Its end, aware; where performances go on for weeks it is the end of those that were gone through.
        event: The performance that it is about: the one that is on, or the next, or the last one.

    All times are those of the site's clocks.
    """

    since: datetime
    until: datetime
    event: Event

    def words(self) -> str:
        """Say why, without until when."""
        name = f" ({self.event.summary})" if self.event.summary else ""
        return f"a performance{name} from {self.event.starts:%H:%M} to {self.event.ends:%H:%M}"


def freeze_at(
    estate: Estate,
    site: str,
    now: datetime,
    *,
    ahead: timedelta = timedelta(),
    margin: timedelta | None = None,
) -> Freeze | None:
    """Give the freeze of a site that is on at a time, or that begins within a time ahead; None where there is none.

    Args:
        estate: The estate.
        site: One of its sites.
        now: Aware time.
        ahead: How long what is to be done may take.
        margin: Time before and after a performance; the estate's own where it is None.
    """
    calendar = estate.sites[site].calendar
    performances = {occasion.name for occasion in estate.occasions if occasion.performance}
    if calendar is None or not performances:
        return None
    margin = estate.orders.margin if margin is None else margin

    def near(first: datetime, last: datetime) -> Sequence[Event]:
        # `between` leaves out what has ended at `first`; the margin afterwards is part of the freeze.
        events = calendar.between(first - margin - timedelta.resolution, last + margin + timedelta.resolution)
        return [
            event
            for event in events
            if performances.intersection(event.occasions)
            and event.starts < event.ends
            and event.starts - margin <= last
            and first < event.ends + margin
        ]

    found = near(now, now + ahead)
    if not found:
        return None
    event = next((event for event in found if event.starts <= now < event.ends), found[0])
    since = min(event.starts for event in found) - margin
    until = max(event.ends for event in found) + margin
    for _ in range(_LONGEST):
        following = max((event.ends + margin for event in near(until, until)), default=until)
        if following <= until:
            break
        until = following
    zone = ZoneInfo(estate.sites[site].time_zone)
    return Freeze(
        since=since.astimezone(zone),
        until=until.astimezone(zone),
        event=replace(event, starts=event.starts.astimezone(zone), ends=event.ends.astimezone(zone)),
    )


def lights_only(profile: Profile, order: Order) -> bool:
    """Tell whether an order writes nothing but lights."""
    return (
        bool(order.writes)
        and not order.action
        and all(profile.settings[write.setting].place is Place.LIGHT for write in order.writes)
    )


def frozen_for(
    estate: Estate, order: Order, now: datetime, *, ahead: timedelta = timedelta()
) -> Freeze | None:
    """Give the freeze that keeps an order from being written at a time; None where it may be.

    One that cannot wait may be written at any time, and so may lights where the estate says so.
    """
    if order.cannot_wait or order.station.site not in estate.sites:
        return None
    as_left = estate.stations.get(order.station)
    if estate.orders.lights and as_left is not None and lights_only(as_left.profile, order):
        return None
    return freeze_at(estate, order.station.site, now, ahead=ahead)
