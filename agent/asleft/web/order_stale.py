"""Orders that wait and no longer serve the baseline in force: said before anybody confirms them, with the way to new ones."""

from collections.abc import Iterator, Sequence

from asleft.domain.estate import Estate
from asleft.domain.orders import Order, Purpose
from asleft.domain.people import Person, Right
from asleft.work.guards import may_draw_up
from asleft.work.ordering import still_approved

__all__ = ["anew_at", "left_out", "stale_of", "stale_words"]


def stale_of(estate: Estate, orders: Sequence[Order]) -> tuple[str, ...]:
    """Give for each of the orders why it no longer serves the baseline; empty where it does."""
    return tuple(still_approved(estate, order) for order in orders)


def stale_words(whys: Sequence[str], *, group: bool) -> str:
    """Say in place of the form that nothing of what waits can be written any more; empty where something can.

    Args:
        whys: As `stale_of` gives them for what waits.
        group: Whether it is a group, of which a person may not see every station.
    """
    if not all(whys):
        return ""
    if group:
        return "The baseline has moved on: nothing of this group can be written any more. Draw up anew at the page of the site."
    return f"{whys[0][:1].upper()}{whys[0][1:]}, so nothing of this order can be written any more."


def left_out(orders: Sequence[Order], whys: Sequence[str], viewer: Person) -> Iterator[str]:
    """Say at which stations nothing can be written any more, where at others something can."""
    if all(whys):
        return
    for order, why in zip(orders, whys, strict=True):
        if why and viewer.may(Right.LOOK, order.station.site):
            yield f"nothing at {order.station}, which is left out: {why}"


def anew_at(order: Order, viewer: Person) -> str:
    """Give the path at which a restore is drawn up anew by a form alone; empty where the viewer may not, or more has to be asked."""
    plain = order.purpose is Purpose.RESTORE and not order.cannot_wait
    return f"/stations/{order.station}" if plain and may_draw_up(viewer, order.station.site) else ""
