"""What an estate asks of its orders: how long they wait, who confirms, when nothing is written, how a rise is made."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import timedelta
from enum import StrEnum

from asleft.domain.profile import Concern

__all__ = ["ALWAYS_TWO", "OrderRules", "SecondFactor", "Two"]


class Two(StrEnum):
    """What asks for two different people to confirm."""

    HEARING = "hearing rise"
    """Something can get louder at the ear."""
    ADDRESS = "address"
    """A station gets another address."""
    MANY = "many"
    """More stations at once than the rules say."""
    CANNOT_WAIT = "cannot wait"
    """It is written during a freeze."""
    FACTORY = "factory state"
    """A station goes back to factory state."""

    @property
    def concerns(self) -> frozenset[Concern]:
        """Give for which concerns a person must be allowed to confirm, at least, to be one of the two."""
        return _CONCERNS.get(self, frozenset())


_CONCERNS = {
    Two.HEARING: frozenset({Concern.HEARING}),
    Two.ADDRESS: frozenset({Concern.NETWORK}),
    Two.FACTORY: frozenset(Concern),
}
"""A factory state moves settings of every concern."""

ALWAYS_TWO = frozenset({Two.CANNOT_WAIT, Two.FACTORY})
"""What no estate can ask less for."""


class SecondFactor(StrEnum):
    """What asks whoever confirms for a second factor: a passkey at the page, or a signature under the order."""

    NEVER = "never"
    RISES = "rises and addresses"
    """Something can get louder at the ear, or a station gets another address; a factory state can do both."""
    ALWAYS = "always"

    def asks(self, reasons: Collection[Two]) -> bool:
        """Tell whether it asks for one.

        Args:
            reasons: All that could ask for two people, whether the estate asks for them or not.
        """
        return self is SecondFactor.ALWAYS or (self is SecondFactor.RISES and not _RISES.isdisjoint(reasons))


_RISES = frozenset({Two.HEARING, Two.ADDRESS, Two.FACTORY})


@dataclass(frozen=True, kw_only=True, slots=True)
class OrderRules:
    """What an estate asks of its orders.

    Args:
        lapse: How long an order waits for its confirmations.
        two: For what two different people must confirm; `ALWAYS_TWO` is always among it.
        many: More stations than this at once are many.
        margin: Nothing is written so long before a performance begins and after it ended; none is none.
        lights: Whether settings of lights alone may be written during a freeze.
        signed: Whether only signed confirmations count.
        second_factor: What asks whoever confirms for a second factor.
        rise: Highest step of a rise, in dB; a coarser setting goes by its own steps. 3 dB halves the allowed time
            (NIOSH 98-126, exchange rate).
        rest: Pause after each step of a rise, in which a person can take the earphones out or say stop.
        reach: So long a station may take to be reached at a new address before the change is undone (RFC 6241 section
            8.4: confirm-timeout, by default 600 s).
        wave: Most stations of one wave of an order over many.
    """

    lapse: timedelta = timedelta(minutes=15)
    two: frozenset[Two] = frozenset(Two)
    many: int = 10
    margin: timedelta = timedelta(minutes=30)
    lights: bool = False
    signed: bool = False
    second_factor: SecondFactor = SecondFactor.NEVER
    rise: float = 3.0
    rest: timedelta = timedelta(seconds=2)
    reach: timedelta = timedelta(seconds=600)
    wave: int = 32

    def asks_two(self, why: Two) -> bool:
        """Tell whether something asks for two people."""
        return why in ALWAYS_TWO or why in self.two
