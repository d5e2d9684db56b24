"""What the work keeps between two looks: what stands now, and orders on their way."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from asleft.domain.drift import Drift
from asleft.domain.estate import StationId
from asleft.domain.snapshot import AsFound, NotRead, ReadState
from asleft.ports.loans import LoanBook
from asleft.ports.orders import OrderBook

__all__ = ["Glance", "HeadBook", "KeptHead", "Ledger", "Looked", "Standing"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Looked:
    """What is known of one station: the last look, and the last one that read something, which may be the same."""

    last: AsFound | NotRead
    found: AsFound | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Glance:
    """The last look at one station in short, as lists of many need it.

    Args:
        at: When it was last looked at, UTC.
        state: How much was read then.
        why: Why nothing was; empty where something was.
        read: When something was last read, UTC; None where nothing ever was.
    """

    at: datetime
    state: ReadState
    why: str
    read: datetime | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Standing:
    """One drift that stands, since when, and when it was last seen to stand."""

    drift: Drift
    since: datetime
    seen: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class KeptHead:
    """A commit of the records that this agent wrote.

    Args:
        commit: Its id.
        at: When, UTC; None where that was not kept.
        kept: Whether the branch is known to have been there; it may not have been where the agent was killed in that moment.
    """

    commit: str
    at: datetime | None
    kept: bool


class HeadBook(Protocol):
    """Every head of the records that this agent wrote. Each call is one transaction, safe on disk when it returns.

    `mean_head` and `keep_head` may be called by any thread, for git works in one of its own.
    """

    def mean_head(self, commit: str, at: datetime) -> None:
        """Note a head before the branch is moved there."""

    def keep_head(self, commit: str, at: datetime, *, note: str) -> None:
        """Keep a head that the branch is at, and note it under a key as the last one."""

    def head_in_doubt(self) -> KeptHead | None:
        """Give the newest head where it was meant and it was not noted that the branch came there; None otherwise."""

    def heads(self) -> Sequence[KeptHead]:
        """Give the heads in the order in which they were written."""


class Ledger(OrderBook, LoanBook, HeadBook, Protocol):
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

    def glances(self, site: str) -> Mapping[str, Glance]:
        """Give the last look at every station of a site in short, by its name there."""

    def looked_at(self) -> AbstractSet[StationId]:
        """Give which stations were ever looked at; a set that was given before only grows."""

    def not_read(self) -> Mapping[StationId, Glance]:
        """Give the last look at every station of which it read nothing."""

    def standing_at(self, stations: Iterable[StationId]) -> Sequence[Standing]:
        """Give the drifts that stand at some stations, station by station."""

    def standing_in(self, site: str) -> Sequence[Standing]:
        """Give the drifts that stand at the stations of a site, by station."""

    def keep_looks(self, looks: Mapping[StationId, Looked], standing: Iterable[Standing]) -> None:
        """Keep looks at some stations and all that stands there; every other station stays as it is."""

    def directory(self, serial: str, firmware: str) -> str | None:
        """Give the kept role map of a unit, as its gateway packed it."""

    def keep_directory(self, serial: str, firmware: str, packed: str) -> None:
        """Keep the role map of a unit."""
