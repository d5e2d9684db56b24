"""Handing over: what a station tells a person who has just had something opened on it, such as a session's id and password.

It is read after the write, given to who asked, once, and kept nowhere: not in the ledger, the records, a log or an error.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from asleft.domain.estate import Estate
from asleft.domain.names import harmless
from asleft.domain.orders import Order, OrderState, Purpose
from asleft.domain.stations import StationId
from asleft.ports.clock import Clock
from asleft.ports.orders import KeptOrder
from asleft.ports.stations import StationError, Stations, door_of
from asleft.work.looking import Looking, SiteSearch

__all__ = ["Hand", "Handed", "Handing", "Waiting", "to_hand"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Handed:
    """What a station handed over. Whoever takes it shows it to the person who confirmed, and keeps it nowhere.

    Args:
        station: Which station.
        setting: What was opened there.
        texts: What it told, by what that is, as `id` and `password`. Foreign text.
        why_not: Why something is missing; empty where nothing is.
    """

    station: StationId
    setting: str
    texts: Mapping[str, str] = field(repr=False)
    why_not: str = ""


Hand = Callable[[Handed], None]
"""Shows a person what a station handed over, once. Who cannot show it gives none, and then it is not even read."""


@dataclass(kw_only=True, slots=True)
class Waiting:
    """A `Hand` for somebody who waits so long and no longer: once they are gone it is not even read, and what comes yet is dropped.

    Args:
        gone: Whether nobody waits any more.
        handed: What was handed over.
    """

    gone: bool = False
    handed: list[Handed] = field(default_factory=list, repr=False)

    def __call__(self, handed: Handed) -> None:
        """Take what a station handed over, where somebody is there to be shown it."""
        if not self.gone:
            self.handed.append(handed)


def to_hand(estate: Estate, order: Order) -> tuple[str, ...]:
    """Say what a station hands to a person where an order opens something there, as `id` and `password`; mostly nothing."""
    as_left = estate.stations.get(order.station)
    if order.purpose is not Purpose.LEND or as_left is None:
        return ()
    write = order.writes[0]
    row = as_left.profile.settings.get(write.setting)
    return tuple(row.hands) if row is not None and row.show(write.after) == row.opens else ()


class Handing:
    """Asks stations for what they hand over.

    Args:
        stations: The door to stations.
        clock: Gives the time.
    """

    def __init__(self, stations: Stations, clock: Clock) -> None:
        self._stations = stations
        self._looking = Looking(None, clock)

    async def over(self, estate: Estate, kept: KeptOrder) -> Handed | None:
        """Give what a station hands over where an order has just opened something there; None where none has, or it hands nothing.

        Nothing is raised: the order has ended, and what it opened is open.
        """
        order = kept.order
        told = to_hand(estate, order)
        if not told or kept.state is not OrderState.RESTORED:
            return None
        as_left, write = estate.stations[order.station], order.writes[0]
        texts: Mapping[str, str] = {}
        why = ""
        try:
            site = estate.sites[order.station.site]
            search = SiteSearch(door_of(self._stations, estate, site.name), site)
            async with await self._looking.meet(as_left, search) as meeting:
                serial = meeting.conversation.identity.serial
                if serial == order.serial:
                    texts = await meeting.conversation.hand_over(write.setting)
                else:
                    why = f"another unit answers there, serial {harmless(serial)}"
        except StationError as problem:
            why = problem.what
        missing = [what for what in told if what not in texts]
        if missing and not why:
            why = f"the station does not tell its {' and '.join(missing)}"
        return Handed(station=order.station, setting=write.setting, texts=texts, why_not=why)
