"""Alerts as data: why somebody is told, of which drifts, and what makes an alert one message."""

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any, cast

from asleft.domain.alarms.alarm import Alarm
from asleft.domain.alerts.alert import Alert
from asleft.domain.alerts.routes import Receiver
from asleft.domain.drift import Drift, DriftKey, DriftKind
from asleft.domain.kinds import Json
from asleft.domain.profile import Concern, Priority
from asleft.domain.stations import StationId

__all__ = ["SCHEMA", "VERSION", "About", "Event", "Told", "alert_id", "rfc_3339", "row_of"]

SCHEMA = "asleft-alert"
VERSION = 1
"""Of `data`: keys are only ever added."""


class Event(StrEnum):
    """Why somebody is told."""

    RAISED = "raised"
    PASSED_ON = "passed on"
    """Nobody acknowledged it in time."""
    ALL_CLEAR = "all clear"
    NOT_REACHED = "not reached"
    """Another receiver cannot be reached."""
    REACHED = "reached again"
    AILS = "agent ails"
    """Something is wrong with the agent itself."""
    WELL = "agent well again"
    DIGEST = "digest"
    """How the last day went; nothing is to be cleared afterwards."""
    TRIAL = "trial"
    """Nothing is wrong: somebody wants to know whether alerts get through."""
    SIGN_IN = "sign-in"
    """Something happened to the receiver's own sign-in; nothing is to be acknowledged or cleared."""


@dataclass(frozen=True, slots=True)
class About:
    """One drift that an alert tells of, since when it stands, and when its alarm was raised; UTC."""

    drift: Drift
    since: datetime
    raised: datetime

    @classmethod
    def of(cls, alarm: Alarm) -> "About":
        """Give what is to be told of an alarm."""
        return cls(alarm.drift, alarm.since, alarm.raised or alarm.since)


@dataclass(frozen=True, slots=True)
class Told:
    """An alert that was put on its way, and what it tells of."""

    alert: Alert
    event: Event
    about: tuple[About, ...]

    @classmethod
    def of(cls, alert: Alert) -> "Told":
        """Read what an alert tells of from its data."""
        rows = cast("Sequence[Mapping[str, Any]]", alert.data.get("drifts", []))
        return cls(alert, Event(str(alert.data["event"])), tuple(_about(row) for row in rows))

    @property
    def site(self) -> str:
        """The site that it is about, for no cause has two; empty where it is about a receiver or the agent."""
        return self.about[0].drift.key.station.site if self.about else ""

    @property
    def receiver(self) -> Receiver:
        """The receiver."""
        alert = self.alert
        return Receiver(
            alert.receiver.removesuffix(alert.channel).removesuffix(" by "), alert.channel, alert.address
        )


def _about(row: Mapping[str, Any]) -> About:
    station = StationId(row["site"], row["station"])
    drift = Drift(
        key=DriftKey(station, DriftKind(row["kind"]), row["setting"] or ""),
        concern=Concern(row["concern"]),
        priority=Priority(row["priority"]),
        as_left=row["as-left"],
        as_found=row["as-found"],
        what=row["what"],
        matters=row["matters"],
    )
    return About(drift, datetime.fromisoformat(row["since"]), datetime.fromisoformat(row["raised"]))


def row_of(one: About) -> dict[str, Json]:
    """Give a drift as `data` holds it."""
    drift = one.drift
    return {
        "site": drift.key.station.site,
        "station": drift.key.station.name,
        "kind": drift.key.kind,
        "setting": drift.key.setting or None,
        "concern": drift.concern,
        "priority": drift.priority,
        "as-left": drift.as_left,
        "as-found": drift.as_found,
        "what": drift.what,
        "matters": drift.matters,
        "since": rfc_3339(one.since),
        "raised": rfc_3339(one.raised),
    }


def rfc_3339(at: datetime) -> str:
    """Give a time as RFC 3339 has it, in UTC."""
    return at.astimezone(UTC).isoformat().replace("+00:00", "Z")


def alert_id(
    receiver: Receiver, event: Event, cause: str, about: Iterable[About], *, step: int = 0, after: str = ""
) -> str:
    """Give what makes an alert one message: a digest of whom, why, the cause, what was raised when, and the step.

    Args:
        receiver: Who is told.
        event: Why.
        cause: What it is about.
        about: What it tells of.
        step: How often it was passed on.
        after: Id of the alert that it answers, so that each gets an answer of its own.
    """
    raised = sorted(
        [str(one.drift.key.station), one.drift.key.kind, one.drift.key.setting, rfc_3339(one.raised)]
        for one in about
    )
    parts = json.dumps([receiver.key, event, cause, raised, step, after])
    return hashlib.sha256(parts.encode()).hexdigest()[:32]
