"""What the work keeps between two looks: what stands now, and orders on their way."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Protocol

from asleft.domain.drift import Drift
from asleft.domain.estate import StationId
from asleft.domain.orders import Order, OrderState
from asleft.domain.snapshot import AsFound, NotRead

__all__ = ["KeptOrder", "Ledger", "Looked", "Standing", "Step", "StepState"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Looked:
    """What is known of one station: the last look, and the last one that read something."""

    last: AsFound | NotRead
    found: AsFound | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Standing:
    """One drift that stands, since when, and when it was last seen to stand."""

    drift: Drift
    since: datetime
    seen: datetime


class StepState(StrEnum):
    """How far one write of an order has come."""

    MEANT = "meant"
    """Noted before it is sent: after a crash, whether the station took it is not known."""
    WRITTEN = "written"
    REFUSED = "refused"
    """The station said no, or did not keep the value."""
    PUT_BACK = "put back"


@dataclass(frozen=True, kw_only=True, slots=True)
class Step:
    """One write of an order under way.

    Args:
        setting: Dotted name.
        state: How far it has come.
        note: What was read back, or why not.
    """

    setting: str
    state: StepState
    note: str


@dataclass(frozen=True, kw_only=True, slots=True)
class KeptOrder:
    """An order with what became of it.

    Args:
        order: As drawn up.
        state: Where it is in its life.
        by: Who confirmed it; empty until then.
        reason: Why; empty until then.
        accepted: Hazards that were accepted.
        outcome: What came of it, one sentence; empty until it ended.
        ended: When it ended, UTC; None until then.
        steps: Its writes so far.
        recorded: Whether its end stands in the records.
    """

    order: Order
    state: OrderState
    by: str
    reason: str
    accepted: tuple[str, ...]
    outcome: str
    ended: datetime | None
    steps: tuple[Step, ...]
    recorded: bool


class Ledger(Protocol):
    """State under the home folder. Each call is one transaction."""

    def note(self, key: str) -> str | None:
        """Give what was noted under a key."""

    def set_note(self, key: str, value: str) -> None:
        """Note something under a key."""

    def looks(self) -> Mapping[StationId, Looked]:
        """Give what is known of every station."""

    def standing(self) -> Sequence[Standing]:
        """Give the drifts that stand, by station."""

    def keep_round(
        self,
        looks: Mapping[StationId, Looked],
        standing: Iterable[Standing],
        *,
        stations: Collection[StationId],
    ) -> None:
        """Keep what a round gave; what is known of stations that are no longer in the estate goes.

        Args:
            looks: The looks.
            standing: All that stands at the stations looked at.
            stations: All stations of the estate.
        """

    def looks_at(self, stations: Iterable[StationId]) -> Mapping[StationId, Looked]:
        """Give what is known of some stations; those never looked at are left out."""

    def standing_at(self, stations: Iterable[StationId]) -> Sequence[Standing]:
        """Give the drifts that stand at some stations, station by station."""

    def keep_looks(self, looks: Mapping[StationId, Looked], standing: Iterable[Standing]) -> None:
        """Keep looks at some stations and all that stands there; every other station stays as it is."""

    def directory(self, serial: str, firmware: str) -> str | None:
        """Give the kept role map of a unit, as its gateway packed it."""

    def keep_directory(self, serial: str, firmware: str, packed: str) -> None:
        """Keep the role map of a unit."""

    def add_order(self, order: Order) -> None:
        """Keep a new order as drawn up; one that is there already stays as it is."""

    def orders(self, *, states: Iterable[OrderState] | None = None) -> Sequence[KeptOrder]:
        """Give orders, oldest first, or those in some states."""

    def move_order(
        self,
        order_id: str,
        state: OrderState,
        *,
        by: str | None = None,
        reason: str | None = None,
        accepted: Sequence[str] | None = None,
        outcome: str | None = None,
        ended: datetime | None = None,
        recorded: bool | None = None,
    ) -> None:
        """Set an order's state and what is said with it."""

    def set_step(self, order_id: str, step: Step) -> None:
        """Keep what is meant with, or came of, one write of an order; safe on disk when this returns."""
