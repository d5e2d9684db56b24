"""Orders: what waits for the viewer, what is being carried out, what waits for others, and what ended, page by page."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from asleft.domain.estate import Estate
from asleft.domain.freezing import frozen_for
from asleft.domain.orders import ENDS, OrderState
from asleft.domain.people import Person, Right
from asleft.ports.orders import KeptOrder
from asleft.web.order_view import zone_of
from asleft.web.order_words import AIMS, STATES, outcome_words
from asleft.web.web import Web
from asleft.work.guards import asks_two, longest
from asleft.work.order_desk import OrderView

__all__ = ["Listed", "OrdersView", "routes", "view_of"]

_MOST_NAMES: Final = 6
_PAGE: Final = 50
"""So many that ended are listed at once; older ones are behind a link."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Listed:
    """An order, or a group of them.

    Args:
        id: Of the order, or of the group.
        many: Whether it is a group.
        stations: The first of its stations.
        others: How many more there are.
        aim: What it is to do.
        waits: What it waits for.
        states: How it stands, in words.
        outcome: What came of it.
        hearing: Whether something goes up at the ear.
        halted: Whether it was halted, or one of the group was.
        calls: Whether a person must look at a station for that.
        drawn_up: When.
        lapses: When it lapses unless it is confirmed; None where it is beyond that.
        ended: When it ended; None where it has not.
        zone: Of its first station's site.
    """

    id: str
    many: bool
    stations: tuple[str, ...]
    others: int
    aim: str
    waits: tuple[str, ...]
    states: str
    outcome: str
    hearing: bool
    halted: bool
    calls: bool
    drawn_up: datetime
    lapses: datetime | None
    ended: datetime | None
    zone: str


@dataclass(frozen=True, kw_only=True, slots=True)
class OrdersView:
    """All orders, as far as they matter now.

    Args:
        halted: Those that were halted, and nobody has looked at the station since, the newest first.
        mine: Those that this person can move on now, the one that lapses first on top.
        going: Those that are being carried out.
        others: Those that wait for somebody or something else.
        ended: Those that ended, the last drawn up first.
        older: Way to those drawn up before them; empty where there are none.
        later: Whether these are not the newest ones.
    """

    halted: tuple[Listed, ...]
    mine: tuple[Listed, ...]
    going: tuple[Listed, ...]
    others: tuple[Listed, ...]
    ended: tuple[Listed, ...]
    older: str
    later: bool


def routes(web: Web) -> list[Route]:
    """Give the route of the list."""

    async def page(request: Request) -> Response:
        viewer = web.viewer(request)
        told = web.in_part(viewer.person)
        before = request.query_params.get("before", "")
        newest = told.order_page(
            _PAGE + 1,
            before=before,
            sites=viewer.person.sites or None,
            states=ENDS,
            groups_once=True,
        )
        view = view_of(
            told.estate_now(),
            viewer.person,
            web.parts.clock(),
            waiting=told.order_views(),
            ended=[told.orders_in(kept.group) if kept.group else (kept,) for kept in newest[:_PAGE]],
            older=f"/orders?before={newest[_PAGE - 1].id}" if len(newest) > _PAGE else "",
            later=bool(before),
        )
        return web.show(request, "orders.html", title="Orders", view=view)

    return [Route("/orders", page, methods=["GET"])]


def view_of(
    estate: Estate,
    viewer: Person,
    now: datetime,
    *,
    waiting: Sequence[OrderView],
    ended: Sequence[Sequence[KeptOrder]],
    older: str = "",
    later: bool = False,
) -> OrdersView:
    """Put together what a person should see of orders, at the sites where this person may look.

    Args:
        estate: In force now.
        viewer: Who looks.
        now: The time.
        waiting: What has not ended, with what it waits for, and what was halted and needs a person.
        ended: What ended, each with the orders of its group, in the order in which it is listed.
        older: Way to what is older.
        later: Whether there is something newer.
    """
    waits = {view.kept.id: view.waits for view in waiting}
    calling = {
        view.kept.id: (view.kept,) for view in reversed(waiting) if view.kept.state is OrderState.HALTED
    }
    open_ones = _together([view.kept for view in waiting if view.kept.state not in ENDS])
    whole = {name: members for name, members in open_ones.items() if _sees_some(viewer, members)}
    going = {
        name
        for name, members in whole.items()
        if any(kept.state is not OrderState.DRAWN_UP for kept in members)
    }
    mine = {
        name for name, members in whole.items() if name not in going and _can(estate, viewer, members, now)
    }
    over = [list(members) for members in ended if _sees_some(viewer, members)]

    def listed(name: str, members: Sequence[KeptOrder]) -> Listed:
        return _listed(estate, viewer, name, members, waits)

    return OrdersView(
        halted=tuple(
            listed(name, members) for name, members in calling.items() if _sees_some(viewer, members)
        ),
        mine=_by_lapse(listed(name, members) for name, members in whole.items() if name in mine),
        going=tuple(listed(name, members) for name, members in whole.items() if name in going),
        others=_by_lapse(
            listed(name, members) for name, members in whole.items() if name not in mine | going
        ),
        ended=tuple(
            listed(members[0].group or members[0].id, members)
            for members in over
            if not all(kept.id in calling for kept in members)
        ),
        older=older,
        later=later,
    )


def _by_lapse(some: Iterable[Listed]) -> tuple[Listed, ...]:
    """Sort by when each lapses; of one second they stay in the order in which they were drawn up."""
    return tuple(sorted(some, key=lambda one: one.lapses or one.drawn_up))


def _together(kepts: Sequence[KeptOrder]) -> dict[str, list[KeptOrder]]:
    """Give orders by their group, or each by itself, in the order in which they come."""
    found: dict[str, list[KeptOrder]] = {}
    for kept in kepts:
        found.setdefault(kept.group or kept.id, []).append(kept)
    return found


def _sees_some(viewer: Person, members: Sequence[KeptOrder]) -> bool:
    return any(viewer.may(Right.LOOK, kept.order.station.site) for kept in members)


def _ended(members: Sequence[KeptOrder]) -> datetime:
    return max(kept.ended for kept in members if kept.ended is not None)


def _can(estate: Estate, viewer: Person, members: Sequence[KeptOrder], now: datetime) -> bool:
    """Tell whether a person's confirmation would move something on now; the engine asks again whoever confirms."""
    orders = [kept.order for kept in members]
    if not all(
        viewer.may(Right.LOOK, order.station.site) and viewer.may_confirm(order.station.site, order.concerns)
        for order in orders
    ):
        return False
    if any(move.by == viewer.key for kept in members for move in kept.confirmed):
        return False
    last = not asks_two(estate.orders, orders) or all(kept.confirmed for kept in members)
    return not last or not any(
        frozen_for(estate, order, now, ahead=longest(estate.orders, order)) for order in orders
    )


def _listed(
    estate: Estate,
    viewer: Person,
    name: str,
    members: Sequence[KeptOrder],
    waits: Mapping[str, tuple[str, ...]],
) -> Listed:
    seen = [kept for kept in members if viewer.may(Right.LOOK, kept.order.station.site)]
    stations = tuple(str(kept.order.station) for kept in seen)
    counts: dict[str, int] = {}
    for kept in seen:
        counts[STATES[kept.state]] = counts.get(STATES[kept.state], 0) + 1
    drawn_up = [kept.order for kept in seen if kept.state is OrderState.DRAWN_UP]
    first = seen[0]
    many = bool(first.group) and name == first.group
    outcomes = tuple(dict.fromkeys(outcome_words(kept.state, kept.outcome) for kept in seen if kept.outcome))
    return Listed(
        id=name,
        many=many,
        stations=stations[:_MOST_NAMES],
        others=max(0, len(stations) - _MOST_NAMES),
        aim=AIMS[first.order.purpose],
        waits=tuple(
            dict.fromkeys(
                words for kept in seen if kept.state not in ENDS for words in waits.get(kept.id, ())
            )
        ),
        states=", ".join(f"{count} {words}" if many else words for words, count in counts.items()),
        outcome=outcomes[0] if len(outcomes) == 1 else "",
        hearing=any(hazard.is_hearing for kept in seen for hazard in kept.order.hazards),
        halted=any(kept.state is OrderState.HALTED for kept in seen),
        calls=any(kept.state is OrderState.HALTED and waits.get(kept.id) for kept in seen),
        drawn_up=first.order.drawn_up,
        lapses=min((order.lapses for order in drawn_up), default=None),
        ended=_ended(seen) if all(kept.state in ENDS for kept in seen) else None,
        zone=zone_of(estate, first.order.station.site),
    )
