"""What may be asked for over the local socket: by a person of some sites no more than on the page.

What lies where somebody may not look is refused as what is not there: by the same class and in the same words, with what
was typed in them and no more. What of an answer may be told is said in `in_part`.
"""

from collections.abc import Callable, Sequence
from typing import Protocol, TypeVar

from asleft.daemon.local.server import Caller
from asleft.domain.errors import AsleftError
from asleft.domain.names import harmless
from asleft.domain.orders import OrderState
from asleft.domain.withheld import Withheld
from asleft.ports.orders import KeptOrder
from asleft.work.desk import OwnerDesk
from asleft.work.giving_back import NoLoan
from asleft.work.in_part import BASELINE, see_holder, see_role
from asleft.work.ordering import MayNot, NoOrder, NoStation, one_order
from asleft.work.outlook import is_group

__all__ = ["Sight", "sees_all", "withheld_by"]


def withheld_by(desk: OwnerDesk) -> Callable[[Caller], Withheld]:
    """Give what finds out what may not be told to who asks.

    From root and the agent's own account nothing is withheld, whoever they act as: they can read the home anyway.

    Args:
        desk: Knows the estate in force, and its people.
    """

    def of(caller: Caller) -> Withheld:
        if caller.trusted:
            return Withheld.nothing()
        try:
            estate = desk.in_force().estate
        except AsleftError:
            # What is wrong with it may name any site, and without it nobody knows who may hear of which.
            raise AsleftError("no baseline can be used", todo="ask who looks after the agent") from None
        person = estate.people.get(caller.person or "")
        # The settings may name somebody whom people.yaml no longer has.
        return Withheld.of(estate, person) if person else Withheld(estate, lambda _: False, everywhere=False)

    return of


class _AtPlace(Protocol):
    @property
    def name(self) -> str: ...


class _AtSite(Protocol):
    @property
    def site(self) -> str: ...


_Placed = TypeVar("_Placed", bound=_AtPlace)
_Sited = TypeVar("_Sited", bound=_AtSite)


class Sight:
    """Knows where who asks may look, and refuses what lies elsewhere.

    Args:
        desk: Knows the estate in force, its people, and the orders.
    """

    def __init__(self, desk: OwnerDesk) -> None:
        self._desk = desk
        self.of = withheld_by(desk)
        """Gives what may not be told to who asks."""

    def sites(self, withheld: Withheld) -> tuple[str, ...]:
        """Name the sites that may be looked at."""
        return tuple(site for site in self._desk.in_force().estate.sites if withheld.sees(site))

    def meant(self, names: Sequence[str], withheld: Withheld) -> tuple[str, ...]:
        """Give what is meant by some names of sites or stations: all sites that may be looked at where there is none.

        Raises:
            MayNot: None may be looked at.
        """
        if names or sees_all(withheld):
            return tuple(names)
        seen = self.sites(withheld)
        if not seen:
            raise MayNot(
                "there is no site at which you may look",
                where="people.yaml",
                todo="ask for the right to look",
            )
        return seen

    def site(self, name: str, withheld: Withheld) -> None:
        """See that a site may be looked at.

        Raises:
            NoStation: It may not.
        """
        if not withheld.sees(name):
            raise self.mended(NoStation(f"there is no site '{harmless(name)}'", where=BASELINE), withheld)

    def at(self, asked: _Placed, withheld: Withheld) -> _Placed:
        """Give what is asked for at a named station or site that may be looked at; raises as `place`."""
        self.place(asked.name, withheld)
        return asked

    def at_site(self, asked: _Sited, withheld: Withheld) -> _Sited:
        """Give what is asked for at a named site that may be looked at; raises as `site`."""
        self.site(asked.site, withheld)
        return asked

    def place(self, name: str, withheld: Withheld) -> None:
        """See that a station named `site/station`, or a site, may be looked at.

        Raises:
            NoStation: It may not.
        """
        if not withheld.sees(name.partition("/")[0]):
            raise self.mended(NoStation(f"there is no station '{harmless(name)}'", where=BASELINE), withheld)

    def role(self, role: str, withheld: Withheld) -> None:
        """See that a station which may be looked at has a role.

        Raises:
            NoStation: None has.
        """
        try:
            see_role(self._desk.in_force().estate, role, withheld)
        except NoStation as none:
            raise self.mended(none, withheld) from None

    def lent(self, name: str, withheld: Withheld) -> None:
        """See that what may be lent at a station may be looked at.

        Raises:
            NoLoan: It may not.
        """
        if not withheld.sees(name.partition("/")[0]):
            raise NoLoan("nothing is lent there", where=harmless(name), todo="see asleft lent")

    def person(self, key: str, withheld: Withheld) -> None:
        """See that a person may be named, who is to hold a concession.

        Raises:
            CannotPropose: They may not.
        """
        see_holder(self._desk.in_force().estate, key, withheld)

    def order(self, name: str, withheld: Withheld) -> str:
        """Give the whole id of an order that may be looked at, named by the beginning of it.

        Raises:
            NoOrder: None begins so, or several do.
        """
        fitting = self._desk.orders_like(name) if name else ()
        return one_order([kept for kept in fitting if _sees(withheld, kept)], name).id

    def group(self, name: str, withheld: Withheld) -> Sequence[KeptOrder]:
        """Give the orders of a group of which one at least may be looked at.

        Raises:
            NoOrder: There is none.
        """
        kepts = self._orders_of(name)
        if not any(_sees(withheld, kept) for kept in kepts):
            raise NoOrder(f"there is no group '{harmless(name)}'", todo="asleft orders lists what there is")
        return kepts

    def whole_group(self, name: str, withheld: Withheld, *, verb: str) -> None:
        """See that all of a group that still waits may be looked at, for it is done to all of it.

        Raises:
            NoOrder: There is no such group.
            MayNot: It is also about other sites; which ones those are is not told.
        """
        kepts = self.group(name, withheld)
        waiting = [kept for kept in kepts if kept.state is OrderState.DRAWN_UP]
        if not all(_sees(withheld, kept) for kept in waiting or kepts):
            raise MayNot(
                f"group {harmless(name)} is also about stations at sites that you may not look at",
                where=harmless(name),
                todo=f"{verb} its orders one by one, where you may",
            )

    def either(self, name: str, withheld: Withheld) -> str:
        """Give an order or a group, of which one order at least may be looked at, by its whole id.

        Raises:
            NoOrder: There is none.
        """
        if not is_group(name):
            return self.order(name, withheld)
        self.group(name, withheld)
        return name

    def all_seen(self, group_id: str, withheld: Withheld) -> bool:
        """Tell whether all orders of a group may be looked at."""
        return all(_sees(withheld, kept) for kept in self._orders_of(group_id))

    def _orders_of(self, group_id: str) -> Sequence[KeptOrder]:
        """Give the orders that a group names; one may have been kept for another group before, and is of both."""
        group = self._desk.group(group_id)
        orders = () if group is None else group.orders
        return [kept for order_id in orders for kept in self._desk.orders_like(order_id)]

    def mended(self, wrong: AsleftError, withheld: Withheld) -> AsleftError:
        """Give a refusal without a suggestion that goes by names which may not be told, of whatever is not there."""
        if withheld.everywhere or type(wrong) is not NoStation:
            return wrong
        seen = ", ".join(self.sites(withheld))
        todo = f"what you may name: {seen}, and stations there" if seen else "you may look at no site"
        return NoStation(wrong.what, where=wrong.where, todo=todo)


def sees_all(withheld: Withheld) -> bool:
    """Tell whether every site may be looked at, also one that comes; who is bound to no site may still lack the right to look."""
    return withheld.everywhere and withheld.sees("")


def _sees(withheld: Withheld, kept: KeptOrder) -> bool:
    return withheld.sees(kept.order.station.site)
