"""What may be told over the local socket: to a person of some sites no more than the page tells them."""

from collections.abc import Callable

from asleft.daemon.local.server import Caller
from asleft.domain.withheld import Withheld
from asleft.work.desk import OwnerDesk

__all__ = ["withheld_by"]


def withheld_by(desk: OwnerDesk) -> Callable[[Caller], Withheld]:
    """Give what finds out what may not be told to who asks.

    From root and the agent's own account nothing is withheld, whoever they act as: they can read the home anyway.

    Args:
        desk: Knows the estate in force, and its people.
    """

    def of(caller: Caller) -> Withheld:
        if caller.trusted:
            return Withheld.nothing()
        estate = desk.in_force().estate
        person = estate.people.get(caller.person or "")
        # The settings may name somebody whom people.yaml no longer has.
        return Withheld.of(estate, person) if person else Withheld(estate, lambda _: False, everywhere=False)

    return of
