"""Who asks, what is on now, sites and stations; a station in the shape of `asleft station`, a setting in that of `asleft why`."""

from collections.abc import Sequence
from datetime import datetime
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from asleft.domain.loans import Loan
from asleft.domain.people import Right
from asleft.domain.profile import Concern, Priority
from asleft.domain.snapshot import ReadState
from asleft.web.api.alarm_shapes import DriftShape, LoanShape, drift_of, loan_of
from asleft.web.api.shapes import Answer, Limit, PageQuery, Query, Shape
from asleft.work.questions import RowState, StationView, WhyView

__all__ = [
    "Me",
    "Now",
    "NowQuery",
    "Site",
    "SitePage",
    "SiteRow",
    "Sites",
    "Station",
    "StationRow",
    "TokenShape",
    "Why",
    "station_of",
    "why_of",
]

Text = Annotated[str, BeforeValidator(str)]


class TokenShape(Shape):
    """The token itself, but for its secret."""

    name: str
    rights: tuple[Right, ...] = Field(description="What it may do at most.")
    made: datetime
    ends: datetime
    used: datetime | None


class Me(Answer):
    """As whom this token acts, what it may do now, and until when."""

    schema_: Literal["asleft-me"] = "asleft-me"
    person: str
    name: str
    rights: tuple[Right, ...] = Field(
        description="What it may do now: what both the token and its person may."
    )
    sites: tuple[str, ...] | None = Field(description="Only at these sites; null for all of them.")
    concerns: tuple[Concern, ...] | None = Field(
        description="May confirm only settings that concern these; null for all of them."
    )
    token: TokenShape


class Cause(Shape):
    """Alarms of one site that have one cause."""

    priority: Priority
    state: str
    site: str
    title: str
    zone: str
    since: datetime
    what: str
    matters: str
    stations: tuple[str, ...] = Field(description="The first of them.")
    others: int
    count: int
    alike: bool
    beside: str = Field(
        description="What stands with it: the settings that an exchanged unit brought, or the stations of a site that is gone."
    )
    repeats: int


class Waiting(Shape):
    """An order, or a group of them, that waits for a confirmation."""

    id: str
    stations: tuple[str, ...]
    others: int
    purpose: str
    zone: str
    drawn_up: datetime
    lapses: datetime
    waits: tuple[str, ...]
    hearing: bool = Field(description="Whether something goes up at the ear.")


class Unheard(Shape):
    """A station of which nothing is known now: unknown is not normal."""

    station: Text
    state: str
    why: str
    zone: str
    at: datetime | None
    heard: datetime | None


class LentNow(Shape):
    """Something that is lent, or asked for."""

    id: str
    station: Text
    meaning: str
    shown: str
    to: str
    ends: datetime
    zone: str
    overdue: bool
    asked: bool
    why: str


class SiteRow(Shape):
    """What is on at a site, and what comes next."""

    name: str
    title: str
    zone: str
    has_calendar: bool
    on: tuple[str, ...]
    frozen: bool = Field(
        description="Whether nothing is written there now: for a performance, or within its margin."
    )
    until: datetime | None
    next: tuple[str, ...]
    next_at: datetime | None
    stations: int
    round: datetime | None


class NowQuery(Query):
    """How much."""

    limit: Limit = Field(default=50, description="At most so many items of each list.")


class Now(Answer):
    """What needs a person, worst first, at the sites that may be looked at."""

    schema_: Literal["asleft-now"] = "asleft-now"
    at: datetime
    quiet: bool = Field(description="Whether nothing needs a person.")
    causes: tuple[Cause, ...]
    old: tuple[Cause, ...] = Field(description="The same of alarms that stand for more than a day.")
    flood: int = Field(description="Alarms of the last ten minutes where that is a flood; else 0.")
    orders: tuple[Waiting, ...]
    unheard: tuple[Unheard, ...]
    loans: tuple[LentNow, ...]
    sites: tuple[SiteRow, ...]
    more: dict[str, int] = Field(description="By list, how many items are left out.")
    stations: int
    shelved: int
    suppressed: int
    withdrawn: int
    last_round: datetime | None
    ails: tuple[str, ...] = Field(description="What is wrong with the agent itself.")


class Sites(Answer):
    """The sites that may be looked at, by name."""

    schema_: Literal["asleft-sites"] = "asleft-sites"
    sites: tuple[SiteRow, ...]
    next: str | None


class Item(Shape):
    """One thing that is off at a station."""

    what: str
    since: datetime
    state: str = Field(description="State of its alarm where that says more; else empty.")


class StationRow(Shape):
    """One station of a site."""

    name: str
    role: str
    mark: Literal["high", "medium", "low", "unknown", "shelved", ""] = Field(
        description="Empty where nothing is off."
    )
    words: str
    items: tuple[Item, ...] = Field(description="What is off, the worst first; at most four.")
    others: int
    order: str
    read: datetime | None
    withdrawn: str


class Frozen(Shape):
    """Why nothing is written now, as `during a performance from 19:30 to 22:00`, and until when."""

    words: str
    until: datetime


class SitePage(PageQuery):
    """Which of its stations."""


class Site(Answer):
    """One site: what is on, until when nothing is written, and its stations by name."""

    schema_: Literal["asleft-site"] = "asleft-site"
    name: str
    title: str
    zone: str
    has_calendar: bool
    on: tuple[str, ...]
    until: datetime | None
    next_on: tuple[str, ...]
    next_at: datetime | None
    frozen: Frozen | None
    round: datetime | None
    whole: tuple[Item, ...] = Field(description="What is off with the site as a whole.")
    stations: tuple[StationRow, ...]
    lent: tuple[LoanShape, ...]
    next: str | None


class Pair(Shape):
    """As left beside as found; null where it is not known or not named."""

    as_left: str | None
    as_found: str | None


class Firmware(Shape):
    """Approved versions (any where there are none), and the one that was found."""

    as_left: tuple[str, ...]
    as_found: str | None


class SettingRow(Shape):
    """One setting, as left beside as found, and the line that approved it."""

    setting: str
    meaning: str
    as_left: str
    as_found: str | None
    state: RowState
    note: str | None
    layer: str
    file: str
    line: int


class Station(Answer):
    """One station, as left beside as found."""

    schema_: Literal["asleft-station"] = "asleft-station"
    station: str
    profile: str
    role: str | None
    serial: Pair
    firmware: Firmware
    address: Pair
    read: ReadState | None
    looked: datetime | None
    settings: tuple[SettingRow, ...]
    readings: dict[str, str]
    drifts: tuple[DriftShape, ...]
    lent: tuple[LoanShape, ...]


class Layer(Shape):
    """One layer's word for a setting, and the commit that last touched that line."""

    layer: str
    text: str | None = Field(description="Null where the layer takes the setting away.")
    file: str
    line: int
    won: bool
    commit: str
    author: str = Field(description="Empty where it may not be told.")
    at: datetime
    subject: str | None = Field(description="Null where it may be about sites that may not be looked at.")


class Why(Answer):
    """Why a setting has its approved value: every layer that names it, weakest first."""

    schema_: Literal["asleft-why"] = "asleft-why"
    station: str
    setting: str
    meaning: str
    allowed: str
    value: str | None
    layers: tuple[Layer, ...]


def station_of(view: StationView, loans: Sequence[Loan]) -> Station:
    """Give one station with what is lent there."""
    as_left, looked = view.as_left, view.looked
    found = looked.found if looked else None
    at = as_left.values.get(as_left.profile.reached_at)
    return Station(
        station=str(as_left.station),
        profile=as_left.profile.name,
        role=as_left.role or None,
        serial=Pair(as_left=as_left.serial or None, as_found=found.serial if found else None),
        firmware=Firmware(as_left=as_left.firmware, as_found=found.firmware if found else None),
        address=Pair(as_left=as_left.address if at else None, as_found=found.address if found else None),
        read=looked.last.state if looked else None,
        looked=looked.last.at if looked else None,
        settings=tuple(
            SettingRow(
                setting=row.setting,
                meaning=row.meaning,
                as_left=row.as_left,
                as_found=row.as_found or None,
                state=row.state,
                note=row.note or None,
                layer=row.origin.layer,
                file=row.origin.file,
                line=row.origin.line,
            )
            for row in view.rows
        ),
        readings=dict(view.readings),
        drifts=tuple(map(drift_of, view.standing)),
        lent=tuple(map(loan_of, loans)),
    )


def why_of(view: WhyView) -> Why:
    """Give why a setting has its value."""
    return Why(
        station=str(view.station),
        setting=view.setting,
        meaning=view.meaning,
        allowed=view.allowed,
        value=view.value,
        layers=tuple(
            Layer(
                layer=named.origin.layer,
                text=named.text,
                file=named.origin.file,
                line=named.origin.line,
                won=named.won,
                commit=named.touch.commit,
                author=named.touch.author,
                at=named.touch.at,
                subject=named.touch.subject or None,
            )
            for named in view.names
        ),
    )
