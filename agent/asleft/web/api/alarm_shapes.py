"""Alarms, standing drifts and loans, in the shapes of `asleft alarms`, `asleft drifts` and `asleft lent`."""

from collections.abc import Iterable
from datetime import datetime
from typing import Literal

from pydantic import Field

from asleft.domain.alarms.alarm import Alarm, AlarmChange, AlarmState, Mark
from asleft.domain.drift import DriftKind
from asleft.domain.loans import Loan, LoanState
from asleft.domain.profile import Concern, Priority
from asleft.ports.ledger import Standing
from asleft.web.api.shapes import (
    Answer,
    AnyPlace,
    PageQuery,
    PlaceName,
    Reason,
    Request,
    SettingName,
    Shape,
    StationName,
    Time,
)

__all__ = [
    "AboutAlarms",
    "AlarmChanges",
    "AlarmShape",
    "Alarms",
    "AlarmsQuery",
    "DriftShape",
    "FloodShape",
    "LoanShape",
    "MarkShape",
    "OutOfService",
    "ServiceAct",
    "ServiceReason",
    "ShelfShape",
    "Shelve",
    "alarm_of",
    "changes_of",
    "drift_of",
    "loan_of",
    "mark_of",
]


class MarkShape(Shape):
    """Who did something to an alarm, when and why."""

    by: str
    at: datetime
    reason: str


class ShelfShape(MarkShape):
    """Who put an alarm off, and until when."""

    until: datetime


class AlarmShape(Shape):
    """One alarm."""

    site: str
    station: str | None = Field(description="Null for an alarm about a site as a whole.")
    kind: DriftKind
    setting: str | None
    concern: Concern
    priority: Priority
    state: AlarmState
    active: bool = Field(description="Whether the drift stands.")
    since: datetime = Field(description="When it began to stand this time.")
    raised: datetime | None
    ended: datetime | None
    count: int = Field(description="How often it began to stand since it was last calm.")
    chattering: bool
    as_left: str
    as_found: str
    what: str
    matters: str
    acknowledged: MarkShape | None
    shelf: ShelfShape | None
    suppressed_by: str | None


class OutOfService(Shape):
    """Stations that are out of service, and what drifts there."""

    stations: dict[str, MarkShape]
    alarms: tuple[AlarmShape, ...]


class FloodShape(Shape):
    """Whether there are more alarms than a person can take, at the sites that may be looked at."""

    on: bool
    since: datetime | None = Field(
        description="When it began; null where there is none, and where sites may not be looked at, which may have begun it."
    )
    count: int = Field(description="Alarms within the last ten minutes.")
    by_site: dict[str, int]


class LoanShape(Shape):
    """One setting that is lent, asked for, or overdue."""

    order: str
    site: str
    station: str
    serial: str
    setting: str
    value: str
    before: str
    state: LoanState
    to: str
    reason: str
    confirmed_by: tuple[str, ...]
    asked: datetime
    opened: datetime | None
    ends: datetime
    why_not_closed: str | None
    tried_again: datetime | None


class Alarms(Answer):
    """The alarms, list by list, the first one first; of all lists together at most `limit` are in one answer."""

    schema_: Literal["asleft-alarms"] = "asleft-alarms"
    at: datetime
    alarms: tuple[AlarmShape, ...]
    stale: tuple[AlarmShape, ...] = Field(description="Those that stand for more than a day.")
    shelved: tuple[AlarmShape, ...]
    suppressed: tuple[AlarmShape, ...]
    out_of_service: OutOfService
    flood: FloodShape
    lent: tuple[LoanShape, ...]
    next: str | None = Field(description="Cursor of what comes after; null at the end.")


class AlarmsQuery(PageQuery):
    """Which alarms."""

    site: PlaceName | None = Field(default=None, description="Only those at this site.")


class AlarmChanges(Answer):
    """The alarms to which something was done, as they are now."""

    schema_: Literal["asleft-alarm-changes"] = "asleft-alarm-changes"
    alarms: tuple[AlarmShape, ...]


class AboutAlarms(Request):
    """Which alarms something is done to."""

    name: AnyPlace = Field(
        description="A station as site/station; a site alone names the alarms about all of it."
    )
    setting: SettingName | None = Field(
        default=None, description="Only the alarm of this setting, or of this kind."
    )
    reason: Reason = ""


class Shelve(Request):
    """Which alarms are put off, why, and until when."""

    name: AnyPlace
    setting: SettingName | None = None
    reason: Reason = Field(min_length=1)
    until: Time = Field(description="A time with its distance from UTC (RFC 3339), at most a week ahead.")


class ServiceAct(Request):
    """Which station is put back in service."""

    name: StationName
    reason: Reason = ""


class ServiceReason(Request):
    """Which station is taken out of service, and why."""

    name: StationName
    reason: Reason = Field(min_length=1)


class DriftShape(Shape):
    """One drift that stands."""

    site: str
    station: str
    kind: DriftKind
    setting: str | None
    concern: Concern
    priority: Priority
    as_left: str
    as_found: str
    what: str
    matters: str
    since: datetime
    seen: datetime


def mark_of(mark: Mark | None) -> MarkShape | None:
    """Give who did something."""
    return None if mark is None else MarkShape(by=mark.by, at=mark.at, reason=mark.reason)


def alarm_of(alarm: Alarm) -> AlarmShape:
    """Give one alarm."""
    drift, shelf = alarm.drift, alarm.shelf
    return AlarmShape(
        site=drift.key.station.site,
        station=drift.key.station.name or None,
        kind=drift.key.kind,
        setting=drift.key.setting or None,
        concern=drift.concern,
        priority=drift.priority,
        state=alarm.state,
        active=alarm.active,
        since=alarm.since,
        raised=alarm.raised,
        ended=alarm.ended,
        count=alarm.count,
        chattering=alarm.chattering,
        as_left=drift.as_left,
        as_found=drift.as_found,
        what=drift.what,
        matters=drift.matters,
        acknowledged=mark_of(alarm.acknowledged),
        shelf=None
        if shelf is None
        else ShelfShape(by=shelf.by, at=shelf.at, reason=shelf.reason, until=shelf.until),
        suppressed_by=alarm.suppressed or None,
    )


def changes_of(changes: Iterable[AlarmChange]) -> AlarmChanges:
    """Give the alarms that something was done to."""
    return AlarmChanges(alarms=tuple(alarm_of(change.after) for change in changes))


def drift_of(item: Standing) -> DriftShape:
    """Give one drift that stands."""
    drift = item.drift
    return DriftShape(
        site=drift.key.station.site,
        station=drift.key.station.name,
        kind=drift.key.kind,
        setting=drift.key.setting or None,
        concern=drift.concern,
        priority=drift.priority,
        as_left=drift.as_left,
        as_found=drift.as_found,
        what=drift.what,
        matters=drift.matters,
        since=item.since,
        seen=item.seen,
    )


def loan_of(loan: Loan) -> LoanShape:
    """Give one loan."""
    return LoanShape(
        order=loan.id,
        site=loan.station.site,
        station=loan.station.name,
        serial=loan.serial,
        setting=loan.setting,
        value=loan.shown,
        before=loan.before,
        state=loan.state,
        to=loan.by,
        reason=loan.reason,
        confirmed_by=loan.consent,
        asked=loan.asked,
        opened=loan.opened,
        ends=loan.ends,
        why_not_closed=loan.why or None,
        tried_again=loan.again,
    )
