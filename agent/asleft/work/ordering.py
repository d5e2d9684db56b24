"""Drawing orders up for stations as they were just found, and finding them again."""

from collections.abc import Mapping, Sequence
from datetime import datetime

from asleft.domain.drawing import Wish, draw_up
from asleft.domain.errors import AsleftError
from asleft.domain.estate import AsLeft, Estate, StationId
from asleft.domain.kinds import nearest
from asleft.domain.names import harmless
from asleft.domain.orders import Order, Purpose
from asleft.domain.snapshot import AsFound, NotRead
from asleft.ports.orders import KeptOrder, OrderBook

__all__ = [
    "MayNot",
    "NoOrder",
    "NoStation",
    "NothingToRestore",
    "find_order",
    "look_in",
    "one_order",
    "order_for",
    "see_unit",
    "stations_of",
    "still_approved",
]


class NothingToRestore(AsleftError):
    """No order can be drawn up for a station as it was found."""


class NoOrder(AsleftError):
    """There is no such order, or it is no longer open."""


class NoStation(AsleftError):
    """A name is no station of the estate."""


class MayNot(AsleftError):
    """A person may not do this, or not yet; nothing was written."""


def look_in(looks: Mapping[StationId, AsFound | NotRead], station: StationId) -> AsFound | NotRead:
    """Give the look at a station.

    Raises:
        NothingToRestore: There is none, for an order was being carried out there.
    """
    if station not in looks:
        raise NothingToRestore(
            "another order is being carried out there",
            where=str(station),
            todo="wait until it ends, and draw up anew",
        )
    return looks[station]


def see_unit(as_left: AsLeft, look: AsFound | NotRead) -> AsFound:
    """Give what was found, where it is the approved unit.

    Raises:
        NothingToRestore: It could not be read, or is not the approved unit.
    """
    station = str(as_left.station)
    if isinstance(look, NotRead):
        raise NothingToRestore(
            f"it could not be read: {harmless(look.why)}",
            where=station,
            todo="bring it back on the network first",
        )
    if not as_left.serial:
        raise NothingToRestore(
            "the baseline does not say which unit it is",
            where=as_left.file,
            todo=f"approve the unit first: write 'serial: {harmless(look.serial)}' if that is the one",
        )
    if look.serial != as_left.serial:
        raise NothingToRestore(
            f"another unit answers, serial {harmless(look.serial)}; approved is {as_left.serial}",
            where=station,
            todo=f"put the approved unit back, or propose the new one with asleft exchange {station} --serial NEW",
        )
    return look


def order_for(
    estate: Estate, as_left: AsLeft, look: AsFound | NotRead, *, now: datetime, wish: Wish
) -> Order:
    """Draw up the order for a station as it was just found.

    Raises:
        NothingToRestore: It is as wanted, could not be read, or is not the approved unit.
    """
    found = see_unit(as_left, look)
    order = draw_up(as_left, found, baseline=estate.commit, now=now, rules=estate.orders, wish=wish)
    if order is None:
        unknown = f"; {len(found.unread)} settings could not be read" if found.unread else ""
        raise NothingToRestore(
            f"every setting that was read is as left{unknown}",
            where=str(as_left.station),
            todo="nothing needs to be done",
        )
    return order


def find_order(ledger: OrderBook, order_id: str) -> KeptOrder:
    """Find an order by its id, or by a beginning of it that fits only one.

    Raises:
        NoOrder: None fits, or several do.
    """
    return one_order(ledger.orders_like(order_id) if order_id else (), order_id)


def one_order(fitting: Sequence[KeptOrder], order_id: str) -> KeptOrder:
    """Give the only one of the orders whose id begins so; raises as `find_order`."""
    if len(fitting) == 1:
        return fitting[0]
    if fitting:
        ids = ", ".join(kept.id for kept in fitting)
        raise NoOrder(f"several orders begin with '{harmless(order_id)}': {ids}", todo="write more of the id")
    raise NoOrder(
        f"there is no order '{harmless(order_id)}'", todo="draw one up with asleft restore SITE/STATION"
    )


def still_approved(estate: Estate, order: Order) -> str:
    """Say why an order no longer serves the baseline in force; empty where it does.

    An undo and a loan aim elsewhere than as left, and a loan's end elsewhere than as left while it is lent; for them only
    the unit must be the approved one.
    """
    as_left = estate.stations.get(order.station)
    if as_left is None:
        return "the station is no longer in the baseline"
    if as_left.serial != order.serial:
        return f"the baseline now approves serial {as_left.serial or 'of no unit'} for it"
    if order.purpose in {Purpose.UNDO, Purpose.LEND, Purpose.GIVE_BACK}:
        return ""
    for write in order.writes:
        if as_left.values.get(write.setting) != write.after:
            return f"the baseline now says {as_left.show(write.setting)} for {write.setting}"
    return ""


def stations_of(estate: Estate, texts: Sequence[str], *, role: str = "") -> list[StationId]:
    """Turn texts into stations of the estate, each once.

    Args:
        estate: The estate.
        texts: `site/station`, or `site` for all of its stations; none at all with a role means the whole estate.
        role: Only stations with this role; empty for all.

    Raises:
        NoStation: A text or the role names none; the nearest name is suggested.
    """
    found: list[StationId] = []
    for text in texts or (list(estate.sites) if role else ()):
        station = StationId.parse(text)
        if station is not None and station in estate.stations:
            found.append(station)
        elif text in estate.sites:
            found += [station for station in estate.stations if station.site == text]
        else:
            raise NoStation(
                f"there is no station '{harmless(text)}'",
                where="the baseline",
                todo=nearest(text, [*map(str, estate.stations), *estate.sites]),
            )
    if role:
        roles = {as_left.role for as_left in estate.stations.values() if as_left.role}
        if role not in roles:
            raise NoStation(
                f"no station has the role '{harmless(role)}'",
                where="the baseline",
                todo=nearest(role, sorted(roles)),
            )
        found = [station for station in found if estate.stations[station].role == role]
    return list(dict.fromkeys(found))
