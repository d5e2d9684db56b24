"""Drawing up restore orders, and asking whether a person may have one carried out."""

from collections.abc import Collection, Sequence
from datetime import datetime, timedelta

from asleft.domain.errors import AsleftError
from asleft.domain.estate import AsLeft, Estate, Person, Right, StationId
from asleft.domain.kinds import nearest
from asleft.domain.names import harmless
from asleft.domain.orders import Order, OrderState, draw_up
from asleft.domain.snapshot import AsFound, NotRead
from asleft.ports.ledger import KeptOrder, Ledger

__all__ = [
    "MayNot",
    "NoOrder",
    "NoStation",
    "NothingToRestore",
    "check_confirmation",
    "find_order",
    "order_for",
    "stations_of",
    "still_approved",
]

_LONGEST_REASON = 500


class NothingToRestore(AsleftError):
    """No order can be drawn up for a station as it was found."""


class NoOrder(AsleftError):
    """There is no such order, or it is no longer open."""


class NoStation(AsleftError):
    """A name is no station of the estate."""


class MayNot(AsleftError):
    """A person may not do this, or not yet; nothing was written."""


def order_for(estate: Estate, as_left: AsLeft, look: AsFound | NotRead, *, now: datetime) -> Order:
    """Draw up the order for a station as it was just found.

    Raises:
        NothingToRestore: It is as left, could not be read, or is not the approved unit.
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
            todo=f"put the approved unit back, or approve the new serial in {as_left.file}",
        )
    order = draw_up(
        as_left, look, baseline=estate.commit, now=now, lapse_after=timedelta(minutes=estate.order_minutes)
    )
    if order is None:
        unknown = f"; {len(look.unread)} settings could not be read" if look.unread else ""
        raise NothingToRestore(
            f"every setting that was read is as left{unknown}", where=station, todo="nothing needs to be done"
        )
    return order


def find_order(ledger: Ledger, order_id: str) -> KeptOrder:
    """Find an order by its id, or by a beginning of it that fits only one.

    Raises:
        NoOrder: None fits, or several do.
    """
    fitting = [kept for kept in ledger.orders() if order_id and kept.order.id.startswith(order_id)]
    if len(fitting) == 1:
        return fitting[0]
    if fitting:
        ids = ", ".join(kept.order.id for kept in fitting)
        raise NoOrder(f"several orders begin with '{harmless(order_id)}': {ids}", todo="write more of the id")
    raise NoOrder(
        f"there is no order '{harmless(order_id)}'", todo="draw one up with asleft restore SITE/STATION"
    )


def check_confirmation(
    estate: Estate, kept: KeptOrder, *, by: str, reason: str, accepted: Collection[str]
) -> Person:
    """Ask whether a person may confirm an order; the person is given where the answer is yes.

    Args:
        estate: In force now.
        kept: The order.
        by: Key of the person.
        reason: Why.
        accepted: Ids of the hazards that were ticked.

    Raises:
        NoOrder: It is not waiting for a confirmation.
        MayNot: The person is not known or has no right to, there is no reason, or a hazard was not accepted.
    """
    order = kept.order
    if kept.state is not OrderState.DRAWN_UP:
        raise NoOrder(
            f"order {order.id} is {kept.state}",
            where=str(order.station),
            todo="draw up a new one with asleft restore",
        )
    person = estate.people.get(by)
    if person is None:
        raise MayNot(
            f"'{harmless(by)}' is not in people.yaml",
            where="people.yaml",
            todo=nearest(by, list(estate.people)),
        )
    if not person.may(Right.CONFIRM, order.station.site):
        able = [other.key for other in estate.people.values() if other.may(Right.CONFIRM, order.station.site)]
        raise MayNot(
            f"{person.name} may not confirm at {order.station.site}",
            where="people.yaml",
            todo=f"ask {', '.join(able)}" if able else "give somebody the right to confirm there",
        )
    if not reason.strip():
        raise MayNot("a confirmation needs a reason", where=order.id, todo="say why in a few words")
    if len(reason) > _LONGEST_REASON:
        raise MayNot(
            f"the reason has {len(reason)} characters", where=order.id, todo=f"say it in {_LONGEST_REASON}"
        )
    _check_hazards(order, accepted)
    return person


def _check_hazards(order: Order, accepted: Collection[str]) -> None:
    wanted = [hazard.id for hazard in order.hazards]
    strange: Sequence[str] = [given for given in accepted if given not in wanted]
    if strange:
        raise MayNot(
            f"'{harmless(strange[0])}' is no hazard of this order",
            where=order.id,
            todo=nearest(strange[0], wanted),
        )
    missing = [hazard for hazard in order.hazards if hazard.id not in accepted]
    if missing:
        told = "; ".join(f"{hazard.words}. {hazard.caution}" for hazard in missing)
        raise MayNot(
            f"{len(missing)} of {len(wanted)} hazards are not accepted: {told}",
            where=order.id,
            todo="if you take them on: " + " ".join(f"--accept {hazard.id}" for hazard in missing),
        )


def still_approved(estate: Estate, order: Order) -> str:
    """Say why an order no longer serves the baseline in force; empty where it does."""
    as_left = estate.stations.get(order.station)
    if as_left is None:
        return "the station is no longer in the baseline"
    if as_left.serial != order.serial:
        return f"the baseline now approves serial {as_left.serial or 'of no unit'} for it"
    for write in order.writes:
        if as_left.values.get(write.setting) != write.after:
            return f"the baseline now says {as_left.show(write.setting)} for {write.setting}"
    return ""


def stations_of(estate: Estate, texts: Sequence[str]) -> list[StationId]:
    """Turn `site/station` texts into stations of the estate, each once.

    Raises:
        NoStation: A text names none; the nearest name is suggested.
    """
    known = {str(station): station for station in estate.stations}
    for text in texts:
        if text not in known:
            raise NoStation(
                f"there is no station '{harmless(text)}'",
                where="the baseline",
                todo=nearest(text, list(known)),
            )
    return list(dict.fromkeys(known[text] for text in texts))
