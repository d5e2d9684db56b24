"""What a site.yaml may say about how its stations are read: over OCP.1, or from files in a drop folder."""

import re
from datetime import timedelta
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, WithJsonSchema, model_validator
from pydantic_core import PydanticCustomError

from asleft.domain.names import NAME_RULE, harmless, is_name
from asleft.domain.reach import FRESH_FOR, Drop
from asleft.source.files.parts import Part

__all__ = ["ReachRow", "to_drop"]

_MOST_FOLDERS = 4
_FOLDER_PATTERN = r"^[a-z](?:-?[a-z0-9])*(?:/[a-z](?:-?[a-z0-9])*){0,3}$"
# A leading zero is refused, as in settings: 010 means eight to one reader and ten to another.
_SPAN = re.compile(r"([1-9][0-9]{0,4}) ?(min|h|days|day)\Z")
_UNITS = {"min": "minutes", "h": "hours", "day": "days", "days": "days"}


def _folder(text: str) -> str:
    """Take names between slashes and nothing else: no way leads up, out, or through a hidden folder."""
    parts = text.split("/")
    if len(parts) > _MOST_FOLDERS or not all(is_name(part) for part in parts):
        raise PydanticCustomError(
            "folder",
            f"'{harmless(text, longest=80)}' is no folder here: write names such as stations ({NAME_RULE})",
        )
    return text


def _span(text: Any) -> timedelta:
    if isinstance(text, timedelta):
        return text
    found = _SPAN.match(text) if isinstance(text, str) else None
    if found is None:
        raise PydanticCustomError(
            "span",
            f"'{harmless(str(text), longest=40)}' is no span of time; write it as 24 h, 90 min or 3 days",
        )
    return timedelta(**{_UNITS[found[2]]: int(found[1])})


Folder = Annotated[
    str, AfterValidator(_folder), WithJsonSchema({"type": "string", "pattern": _FOLDER_PATTERN})
]
Span = Annotated[
    timedelta,
    BeforeValidator(_span),
    WithJsonSchema(
        {"type": "string", "pattern": "^[1-9][0-9]{0,4} ?(min|h|days|day)$", "examples": ["24 h"]}
    ),
]


class ReachRow(Part):
    """How the stations of a site are read."""

    by: Literal["ocp1", "drop"] = "ocp1"
    port: int | None = Field(default=None, ge=1, le=65535)
    folder: Folder | None = None
    fresh_for: Span | None = None

    @model_validator(mode="after")
    def _fits(self) -> Self:
        """Let each way have its own keys, and all that it needs."""
        if self.by == "drop" and self.port is not None:
            raise PydanticCustomError("reach", "a site that is read from files has no port; take the key out")
        if self.by == "drop" and self.folder is None:
            raise PydanticCustomError(
                "reach", "the key 'folder' is missing; write by: drop, folder: stations"
            )
        if self.by == "ocp1" and self.port is None:
            raise PydanticCustomError(
                "reach", "the key 'port' is missing; write the port of the stations' service"
            )
        if self.by == "ocp1" and (self.folder is not None or self.fresh_for is not None):
            raise PydanticCustomError("reach", "folder and fresh-for belong to by: drop; take them out")
        return self


def to_drop(row: ReachRow) -> Drop | None:
    """Give where a site's snapshots are put; None where its stations are reached over the network."""
    if row.by != "drop" or row.folder is None:
        return None
    return Drop(folder=tuple(row.folder.split("/")), fresh_for=row.fresh_for or FRESH_FOR)
