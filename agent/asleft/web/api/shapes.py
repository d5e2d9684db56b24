"""What all answers and requests have in common: names with hyphens, nothing that is not declared, and bounds."""

import re
from datetime import datetime
from typing import Annotated, Final, Literal

from pydantic import AwareDatetime, BaseModel, BeforeValidator, ConfigDict, Field
from pydantic_core import PydanticCustomError

__all__ = [
    "MOST",
    "USUAL",
    "WHOLE",
    "Answer",
    "AnyPlace",
    "AnyText",
    "Cursor",
    "Days",
    "Limit",
    "NoQuery",
    "OrderId",
    "PageQuery",
    "PlaceName",
    "Problem",
    "Query",
    "Reason",
    "Request",
    "SettingName",
    "Shape",
    "StationName",
    "Time",
]

_DIGITS: Final = re.compile(r"(?:0|[1-9][0-9]*)\Z")
_RFC_3339: Final = re.compile(
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}[Tt][0-9]{2}:[0-9]{2}:[0-9]{2}(?:\.[0-9]+)?(?:[Zz]|[+-][0-9]{2}:[0-9]{2})\Z"
)


def _digits(given: object) -> object:
    """Refuse what Python reads as a whole number and JSON does not: signs, blanks, underscores, leading zeros (RFC 8259 §6)."""
    if isinstance(given, str) and not _DIGITS.match(given):
        raise PydanticCustomError("digits", "write a whole number in digits, such as 50")
    return given


def _whole(given: object) -> object:
    """Take 10.0 and 1e1 as 10: to JSON Schema, and so to the document, they are integers (2020-12 Validation §6.1.1)."""
    return int(given) if isinstance(given, float) and given.is_integer() else given


def _rfc_3339(given: object) -> datetime:
    """Read a time of RFC 3339 §5.6 and no other: the library takes seconds since 1970, too, times without seconds, and `_` for `T`."""
    try:
        if isinstance(given, str) and _RFC_3339.match(given):
            return datetime.fromisoformat(given.upper())
    except ValueError:
        pass  # no such day, or no such time of day
    raise PydanticCustomError("rfc_3339", "write a time of RFC 3339, such as 2026-12-31T20:00:00Z")


USUAL: Final = 50
"""So many items a list has where no limit is named."""
MOST: Final = 200
"""The highest limit."""
_NAME: Final = "[a-z](-?[a-z0-9]){0,39}"
# Python's `$` lets a line feed pass (re, "Regular Expression Syntax"); JSON Schema's does not (ECMA-262), and nor does the check.
PlaceName = Annotated[str, Field(pattern=f"^{_NAME}$", min_length=1, max_length=40)]
"""Name of a site or of a station there (`NAME_RULE`)."""
StationName = Annotated[str, Field(pattern=f"^{_NAME}/{_NAME}$", max_length=81)]
"""`site/station`."""
AnyPlace = Annotated[str, Field(pattern=f"^{_NAME}(/{_NAME})?$", max_length=81)]
SettingName = Annotated[str, Field(pattern="^[a-z0-9]+([.-][a-z0-9]+)*$", max_length=100)]
"""Dotted name of a setting, or a kind of drift."""
OrderId = Annotated[str, Field(pattern="^(g[0-9a-f]{9}|[0-9a-f]{10})$")]
"""Id of an order; of a group where it begins with `g`."""
AnyText = Annotated[str, Field(max_length=100)]
Reason = Annotated[str, Field(max_length=500)]
"""Why, in a few words."""
Cursor = Annotated[str, Field(pattern="^[A-Za-z0-9_.:/-]{0,200}$")]
Limit = Annotated[int, Field(ge=1, le=MOST), BeforeValidator(_digits)]
Days = Annotated[int, Field(ge=1, le=366), BeforeValidator(_digits)]
WHOLE: Final = BeforeValidator(_whole)
"""Beside a whole number that is sent."""
Time = Annotated[AwareDatetime, BeforeValidator(_rfc_3339)]
"""A time that is sent, with its distance from UTC."""


def _hyphens(name: str) -> str:
    return name.rstrip("_").replace("_", "-")


class Shape(BaseModel):
    """Something that is given. Its names are those of `asleft … --json`; keys are only ever added."""

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        alias_generator=_hyphens,
        validate_by_name=True,
        validate_by_alias=True,
        serialize_by_alias=True,
        from_attributes=True,
    )


class Answer(Shape):
    """A whole answer; `schema` beside it names what it is, as in `asleft … --json`."""

    version: Literal[1] = 1


class Request(BaseModel):
    """What a program sends; a field that is not declared is refused, and nothing is done."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, alias_generator=_hyphens)


class Query(BaseModel):
    """What stands behind the question mark; a name that is not declared is refused."""

    model_config = ConfigDict(extra="forbid", frozen=True, alias_generator=_hyphens)


class NoQuery(Query):
    """Nothing."""


class PageQuery(Query):
    """How much of a list, and from where on."""

    limit: Limit = Field(default=USUAL, description="At most so many items.")
    cursor: Cursor = Field(default="", description="`next` of the answer before; empty for the beginning.")


class Problem(Shape):
    """What went wrong (RFC 9457 problem details), told as everywhere in asleft: what, where, what to do."""

    type: str = Field(description="Names the kind of problem: a relative reference, `/api/problems/…`.")
    title: str = Field(description="The kind of problem, in words.")
    status: int = Field(description="The HTTP status once more (RFC 9457 §3.1.2).", ge=400, le=599)
    detail: str = Field(description="What is wrong, one sentence.")
    where: str | None = Field(default=None, description="Where: a field, a station, an order.")
    todo: str | None = Field(default=None, description="What to do about it.")
    number: str | None = Field(
        default=None, description="Under this number the agent's log says what failed inside it."
    )
