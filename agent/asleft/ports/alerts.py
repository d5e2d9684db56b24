"""How the work tells people: an outbox that forgets nothing, and channels that deliver."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Protocol

from asleft.domain.alerts.alert import Alert
from asleft.domain.errors import AsleftError

__all__ = ["Channel", "Fate", "NotDelivered", "Outbox", "Undeliverable", "Waiting"]


class NotDelivered(AsleftError):
    """An alert could not be delivered now; it is tried again later.

    `retry_after` says how long the other side asked to be left alone, where it did.
    """

    retry_after: timedelta | None = None


class Undeliverable(AsleftError):
    """An alert can never be delivered as it is: the receiver does not exist, or refuses it for good."""


class Channel(Protocol):
    """Delivers alerts one way."""

    async def send(self, alert: Alert) -> None:
        """Deliver one alert, within a time limit of its own.

        Raises:
            NotDelivered: Try again later.
            Undeliverable: Never try again.
        """

    async def close(self) -> None:
        """Let go of what it holds."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Waiting:
    """An alert that waits in the outbox.

    Args:
        alert: The alert.
        tries: How often it was tried.
        first_tried: When first, UTC; None where never.
        next_try: Not before this time, UTC.
        why: Why the last try failed; empty where none did.
    """

    alert: Alert
    tries: int
    first_tried: datetime | None
    next_try: datetime
    why: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Fate:
    """What became of an alert.

    Args:
        ended: Whether it waits no longer.
        delivered: Whether it reached its receiver.
        tries: How often it was tried.
        why: Why the last failed try failed; empty where none did.
    """

    ended: bool
    delivered: bool
    tries: int
    why: str


class Outbox(Protocol):
    """Alerts on their way, across restarts. Each call is one transaction, safe on disk when it returns."""

    def put(self, alerts: Iterable[Alert]) -> None:
        """Keep alerts for delivery; one whose id was ever put before is not put again."""

    def waiting(self) -> Sequence[Waiting]:
        """Give what waits, by receiver, each receiver's oldest first."""

    def delivered(self, alert_id: str, *, at: datetime) -> None:
        """Note that an alert reached its receiver."""

    def failed(self, alert_id: str, *, at: datetime, next_try: datetime | None, why: str) -> None:
        """Note that a try failed; with no next try it is given up."""

    def fate(self, alert_id: str) -> Fate | None:
        """Say what became of an alert; None where it is not known."""

    def told(self, cause: str) -> Sequence[Alert]:
        """Give the alerts about a cause that were put since its last all-clear."""

    def open_causes(self) -> Sequence[str]:
        """Give the causes of which somebody was told and has had no all-clear since."""

    def forget(self, before: datetime) -> None:
        """Forget what was delivered or given up before a time."""
