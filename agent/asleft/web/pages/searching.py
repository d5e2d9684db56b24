"""What is asked of the past: a search as people type it and as programs write it, and the time that an account is of."""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

from asleft.domain.estate import Estate
from asleft.domain.evidence.asked import Asked, read_time
from asleft.domain.evidence.pieces import Kind
from asleft.domain.evidence.seeing import Scope
from asleft.domain.names import is_name
from asleft.domain.profile import Concern

__all__ = [
    "FIELDS",
    "WHEN",
    "Field",
    "days_picked",
    "fields_of",
    "is_setting",
    "read_asked",
    "read_times",
    "sites_to_choose",
    "typed_in",
]

FIELDS: Final = ("site", "role", "station", "setting", "concern", "person", "occasion", "from", "to")
"""The fields of a search, beside its kinds."""
WHEN: Final = (
    "write a time as 2026-06-10, now, today, yesterday, 6h, 3d, 2w or 1 minute ago, or as RFC 3339 has it"
)
_LONGEST: Final = 100
_DAY: Final = re.compile(r"([0-9]{4}-[0-9]{2}-[0-9]{2})?\Z")
_SETTING: Final = re.compile(r"[a-z0-9]+(?:[.-][a-z0-9]+)*\Z")


@dataclass(frozen=True, kw_only=True, slots=True)
class Field:
    """One field: what was typed, and what is wrong with it."""

    typed: str
    wrong: str = ""


def typed_in(query: Mapping[str, str], names: Iterable[str]) -> dict[str, str]:
    """Give what was typed into some fields."""
    return {name: query.get(name, "").strip()[:_LONGEST] for name in names}


def fields_of(typed: Mapping[str, str], wrong: Mapping[str, str]) -> dict[str, Field]:
    """Give fields with what was typed and what is wrong."""
    return {name: Field(typed=text, wrong=wrong.get(name, "")) for name, text in typed.items()}


def days_picked(fields: Mapping[str, Field]) -> dict[str, bool]:
    """Tell whether a date can be picked in the fields for days: what was typed there is one, or nothing."""
    return {name: _DAY.match(fields[name].typed) is not None for name in ("from", "to")}


def sites_to_choose(estate: Estate, scope: Scope, site: Field) -> tuple[tuple[str, str], ...]:
    """Give names and titles of sites to choose from; one that is long gone stays where it was typed."""
    sites = {name: one.title for name, one in estate.sites.items() if scope.holds(name)}
    if site.typed and not site.wrong:
        sites.setdefault(site.typed, site.typed)
    return tuple(sites.items())


def is_setting(text: str) -> bool:
    """Tell whether a text can be the name of a setting, or of the group that some stand in."""
    return _SETTING.match(text) is not None


def read_times(
    typed: Mapping[str, str], now: datetime, zone: str
) -> tuple[datetime | None, datetime | None, dict[str, str]]:
    """Read from when until when is asked.

    Args:
        typed: What was typed as `from` and `to`; a day as `to` means its end.
        now: The time.
        zone: IANA name of the zone by whose clocks days are meant.

    Returns:
        Both times in UTC, and what is wrong with which of the two.
    """
    found: dict[str, datetime] = {}
    wrong: dict[str, str] = {}
    for name in ("from", "to"):
        if typed[name]:
            at = read_time(typed[name], now, zone, end=name == "to")
            if at is None:
                wrong[name] = WHEN
            else:
                found[name] = at.astimezone(UTC)
    if len(found) > 1 and found["from"] >= found["to"]:
        wrong["to"] = "the time ends before it begins; change one of the two"
    return found.get("from"), found.get("to"), wrong


def read_asked(
    typed: Mapping[str, str], kinds: Sequence[str], *, scope: Scope, now: datetime, zone: str
) -> tuple[Asked | None, dict[str, str]]:
    """Read what is asked of the time line.

    Args:
        typed: What was typed, by field.
        kinds: Kinds, as words or with hyphens.
        scope: Of which sites may be told.
        now: The time.
        zone: IANA name of the zone by whose clocks days are meant.

    Returns:
        What is asked, None where any of it is wrong; and what is wrong, by field.
    """
    since, until, wrong = read_times(typed, now, zone)
    station, setting = typed["station"].lower(), typed["setting"].lower()
    if typed["site"] and not (is_name(typed["site"]) and scope.holds(typed["site"])):
        wrong["site"] = "this is no site that you may look at"
    if station and not all(map(is_name, station.split("/", 1))):
        wrong["station"] = "write the name of a station, or site/station"
    if setting and not is_setting(setting):
        wrong["setting"] = (
            "write the name of a setting, such as headphones.gain, or a group, such as headphones"
        )
    for name, such in (("role", "drums"), ("occasion", "performance")):
        if typed[name] and not is_name(typed[name]):
            wrong[name] = f"write its name, such as {such}"
    if typed["concern"] and typed["concern"] not in set(Concern):
        wrong["concern"] = f"write one of {', '.join(Concern)}"
    words = {one.replace("-", " ") for one in kinds}
    if not words <= set(Kind):
        wrong["kind"] = f"write some of {', '.join(Kind)}"
    if wrong:
        return None, wrong
    asked = Asked(
        site=typed["site"],
        station=station,
        setting=setting,
        person=typed["person"],
        kinds=frozenset(map(Kind, words)),
        since=since,
        until=until,
        role=typed["role"],
        concern=Concern(typed["concern"]) if typed["concern"] else None,
        occasion=typed["occasion"],
    )
    return asked, {}
