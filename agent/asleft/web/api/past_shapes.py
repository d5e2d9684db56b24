"""Answers about the past, in the shapes of `asleft history`, `asleft state` and `asleft who`."""

from datetime import datetime
from typing import Annotated, Any, Final, Literal

from pydantic import BeforeValidator, Field

from asleft.domain.evidence.instant import Instant
from asleft.domain.evidence.pieces import Kind, Piece, Source
from asleft.domain.evidence.stood import Stood
from asleft.domain.profile import Concern
from asleft.web.api.shapes import Answer, AnyText, PageQuery, PlaceName, Query, SettingName, Shape
from asleft.work.evidence.data import instant_json, piece_json, stood_json
from asleft.work.evidence.desk import Timeline

__all__ = [
    "MOST",
    "MOST_IN_ENTRY",
    "ChangeShape",
    "History",
    "HistoryQuery",
    "Named",
    "State",
    "StateQuery",
    "TimeText",
    "Who",
    "WhoQuery",
    "history_of",
    "state_of",
    "who_of",
]

MOST_IN_ENTRY: Final = 200
MOST: Final = 2_000
_KINDS: Final = "|".join(Kind)
TimeText = Annotated[
    str,
    Field(
        pattern="^(now|today|yesterday|[1-9][0-9]{0,4} ?"
        "(s|m|h|d|w|secs?|seconds?|mins?|minutes?|hours?|days?|weeks?)( ago)?"
        "|[0-9]{4}-[0-9]{2}-[0-9]{2}([T ][0-9:.]{2,20}(Z|[+-][0-9]{2}:?[0-9]{2})?)?)$",
        max_length=60,
    ),
]
"""A date, `now`, `today`, `yesterday`, a time ago as `6h`, `3d`, `2w` and `1 minute ago`, or an RFC 3339 time."""


Named = Annotated[str, BeforeValidator(str)]
"""A station, by its name."""


class HistoryQuery(PageQuery):
    """What is searched; what is left out holds for all."""

    site: PlaceName | None = None
    station: AnyText = Field(
        default="",
        pattern="^([a-z](-?[a-z0-9]){0,39}(/[a-z](-?[a-z0-9]){0,39})?)?$",
        description="Name of a station, or site/station.",
    )
    role: PlaceName | None = Field(default=None, description="A role that one of its stations had then.")
    setting: SettingName | None = Field(default=None, description="A setting, or the group it stands in.")
    concern: Concern | None = Field(default=None, description="A concern of one of its settings.")
    person: AnyText = Field(default="", description="A part of the name, key or address of a person.")
    occasion: PlaceName | None = Field(default=None, description="What was on there then.")
    kind: str = Field(
        default="",
        pattern=f"^(({_KINDS})(,({_KINDS}))*)?$",
        max_length=400,
        description="A kind, or several with commas between.",
    )
    from_: TimeText | None = Field(
        default=None,
        description="The earliest time: 2026-05-01, now, today, yesterday, 6h, 3d, 2w, 1 minute ago, or RFC 3339.",
    )
    to: TimeText | None = Field(
        default=None, description="The time from which on it is too late; a date means its end."
    )


class ChangeShape(Shape):
    """An approved value that became another one; null where there was, or is, none."""

    station: Named
    setting: str
    before: str | None
    after: str | None


class EntryShape(Shape):
    """One commit of either repository; of one that is about more only what may be looked at."""

    commit: str
    at: datetime
    subject: str
    body: str
    trailers: tuple[tuple[str, str], ...]
    files: tuple[str, ...] = Field(description="The first 200.")
    repository: Source
    kind: Kind
    sites: tuple[str, ...]
    stations: tuple[str, ...]
    settings: tuple[str, ...]
    people: tuple[str, ...]
    ordered_at: datetime = Field(
        description="When it is taken to have been: where its own time contradicts the order of the commits, theirs counts."
    )
    changes: tuple[ChangeShape, ...] = Field(description="The first 200.")
    cut: bool = Field(default=False, description="Whether a list in it is cut.")


class History(Answer):
    """What was approved, found and done, newest first."""

    schema_: Literal["asleft-history"] = "asleft-history"
    entries: tuple[EntryShape, ...]
    reached: datetime | None = Field(
        description="Where the search broke off before the list was full: up to when it came. Go on with `next`."
    )
    next: str | None
    notes: tuple[str, ...] = Field(default=(), description="Sentences that a reader should know.")


class StateQuery(Query):
    """When."""

    at: TimeText = Field(
        description="When: 2026-05-01, now, today, yesterday, 6h, 3d, 2w, 1 minute ago, or RFC 3339."
    )


class ForceShape(Shape):
    """The revision in force, and how far the records say so."""

    commit: str
    named_first: datetime
    named_last: datetime
    another_named_first: datetime | None
    words: str


class StateRow(Shape):
    """One setting, or one thing about the unit."""

    name: str
    meaning: str
    concern: Concern
    as_left: str | None
    file: str | None
    line: int | None
    as_found: str | None
    state: Literal["as left", "drift", "unknown"]
    since: datetime | None
    record: str | None
    why: str | None


class State(Answer):
    """How a station was at a past time."""

    schema_: Literal["asleft-state"] = "asleft-state"
    station: Named
    at: datetime
    zone: str
    baseline: ForceShape | None
    occasions: tuple[str, ...]
    read: str
    page: str | None
    page_at: datetime | None
    rows: tuple[StateRow, ...]
    notes: tuple[str, ...]


class WhoQuery(Query):
    """Where."""

    site: PlaceName | None = None


class StoodShape(Shape):
    """A value that stood for a time on some stations, by one commit's word."""

    value: str
    occasion: str | None
    stations: tuple[Named, ...] = Field(description="The first 2,000.")
    since: datetime
    until: datetime | None
    seconds: int
    commit: str
    author: str = Field(description="Empty where it may not be told.")
    committer: str | None = Field(description="Null where there is none, or it may not be told.")
    signer: str | None = Field(description="Null where no signature holds, or it may not be told.")
    approved_at: datetime
    subject: str | None = Field(description="Null where it may be about sites that may not be looked at.")
    file: str
    line: int


class Who(Answer):
    """Each value that a setting ever had as left, newest first."""

    schema_: Literal["asleft-who"] = "asleft-who"
    setting: str
    values: tuple[StoodShape, ...] = Field(description="The first 2,000.")
    cut: bool = Field(description="Whether a list in it is cut.")


def history_of(found: Timeline) -> History:
    """Give a leaf of the time line."""
    return History(
        entries=tuple(map(_entry, found.pieces)),
        reached=found.reached,
        next=str(found.older) if found.older else None,
        notes=found.notes,
    )


def state_of(made: Instant) -> State:
    """Give how a station was."""
    return State.model_validate(instant_json(made))


def who_of(setting: str, found: list[Stood]) -> Who:
    """Give the values of a setting."""
    values = []
    for one in found[:MOST]:
        told = {**stood_json(one), "stations": one.stations[:MOST], "subject": one.by.subject or None}
        values.append(StoodShape.model_validate(told))
    cut = len(found) > MOST or any(len(one.stations) > MOST for one in found[:MOST])
    return Who(setting=setting, values=tuple(values), cut=cut)


def _entry(piece: Piece) -> EntryShape:
    told: dict[str, Any] = piece_json(piece)
    long = [name for name in ("files", "changes") if len(told[name]) > MOST_IN_ENTRY]
    for name in long:
        told[name] = told[name][:MOST_IN_ENTRY]
    return EntryShape.model_validate({**told, "cut": bool(long)})
