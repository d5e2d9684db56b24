"""The account of a time, in the shape of `asleft account`."""

from datetime import date, datetime
from typing import Any, Literal

from pydantic import Field

from asleft.domain.evidence.account import Account
from asleft.domain.evidence.pieces import Kind
from asleft.domain.profile import Concern
from asleft.web.api.past_shapes import MOST, MOST_IN_ENTRY, ChangeShape, Named, TimeText
from asleft.web.api.shapes import Answer, PlaceName, Query, Shape
from asleft.work.evidence.data import account_json

__all__ = ["AccountAnswer", "AccountQuery", "account_of"]


class AccountQuery(Query):
    """Of which time, and where."""

    site: PlaceName | None = None
    from_: TimeText = Field(
        default="30d", description="From when on: 2026-05-01, today, 3d, 2w, or RFC 3339; at most 367 days."
    )
    to: TimeText | None = Field(default=None, description="Until when; a date means its end; now otherwise.")


class DayShape(Shape):
    """Which revisions were in force on a day."""

    day: date
    commits: tuple[str, ...]
    named_last: datetime | None


class ApprovedShape(Shape):
    """One commit of the baseline that came into force."""

    commit: str
    at: datetime
    in_force_since: datetime
    not_before: datetime | None
    author: str
    committer: str
    signer: str | None
    subject: str
    changes: tuple[ChangeShape, ...] = Field(description="The first 200.")


class DriftedShape(Shape):
    """One drift, from when a commit shows it until when one shows that it is gone."""

    station: Named
    name: str
    concern: Concern
    as_left: str
    as_found: str
    cause: str
    since: datetime
    record: str | None
    unseen_at_most: float | None
    until: datetime | None
    ended: str | None
    ended_by: str | None
    by_order: bool


class SpreadShape(Shape):
    """Seconds that something took; null where nothing was measured."""

    count: int
    median: float | None
    worst: float | None


class TimesShape(Shape):
    """How long drift stood unseen at most, until an order mended it, and until it was gone."""

    detect: SpreadShape
    restore: SpreadShape
    ended: SpreadShape


class OrderEndShape(Shape):
    """How an order ended."""

    order: str
    at: datetime
    how: Kind
    stations: tuple[str, ...]
    settings: tuple[str, ...]
    confirmed_by: tuple[str, ...]
    reasons: tuple[str, ...]
    outcome: str | None
    record: str


class ConcessionShape(Shape):
    """A concession that stood at some time of the account."""

    concession: str
    setting: str
    value: str
    where: tuple[str, ...]
    holder: str
    reason: str
    until: date
    state: str
    days_left: int
    since: datetime
    commit: str


class GapShape(Shape):
    """A time during which a station was not read; `until` is null where that goes on."""

    station: Named
    how: str
    since: datetime
    until: datetime | None
    seconds: int
    record: str | None


class WeekInterval(Shape):
    """The 95 % Wilson interval of a share, as numbers from 0 to 1."""

    low: float
    high: float


class WeekShape(Shape):
    """Stations as left at the end of a week; null where nothing is known of any."""

    from_: date
    counted_at: datetime
    as_left: int
    of: int
    share: float | None
    interval: WeekInterval | None


class AccountAnswer(Answer):
    """The account of a time; its lists hold the first 2,000."""

    schema_: Literal["asleft-account"] = "asleft-account"
    since: datetime
    until: datetime
    zone: str
    sites: tuple[str, ...]
    days: tuple[DayShape, ...]
    approved: tuple[ApprovedShape, ...]
    drift: tuple[DriftedShape, ...]
    times: TimesShape
    orders: tuple[OrderEndShape, ...]
    concessions: tuple[ConcessionShape, ...]
    not_read: tuple[GapShape, ...]
    weeks: tuple[WeekShape, ...]
    notes: tuple[str, ...]
    cut: tuple[str, ...] = Field(description="Names of the lists that are cut.")


def account_of(made: Account) -> AccountAnswer:
    """Give an account."""
    told: dict[str, Any] = account_json(made)
    cut = [name for name, some in told.items() if isinstance(some, list | tuple) and len(some) > MOST]
    for name in cut:
        told[name] = told[name][:MOST]
    for one in told["approved"]:
        if len(one["changes"]) > MOST_IN_ENTRY:
            one["changes"] = one["changes"][:MOST_IN_ENTRY]
            cut.append("changes")
    return AccountAnswer.model_validate({**told, "cut": sorted({*cut})})
