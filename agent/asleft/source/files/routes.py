"""What estate.yaml and people.yaml may say about telling people: `routes`, `quiet`, and `reach` of a person."""

import re
from collections.abc import Mapping, Sequence
from datetime import timedelta
from typing import Annotated, Any

from pydantic import BeforeValidator, WithJsonSchema
from pydantic_core import PydanticCustomError

from asleft.domain.alerts.routes import DAY_MINUTES, Hours, Route, Routing
from asleft.domain.layers import Origin
from asleft.domain.names import harmless
from asleft.domain.occasions import Calendar
from asleft.domain.profile import Concern, Priority
from asleft.source.documents import Document
from asleft.source.files.parts import Line, Name, Part

__all__ = ["QuietRow", "Reach", "RouteRow", "to_routes", "to_routing"]

_CLOCK = r"(?:[01][0-9]|2[0-3]):[0-5][0-9]"
_HOURS = re.compile(rf"({_CLOCK})-({_CLOCK}|24:00)\Z")
_TIME = re.compile(r"([1-9][0-9]{0,4}) ?(s|min|h)\Z")
_SECONDS = {"s": 1, "min": 60, "h": 3600}
_LONGEST_WAIT = timedelta(days=7)


def _hours(text: Any) -> Hours:
    found = _HOURS.match(text) if isinstance(text, str) else None
    if found is None:
        raise PydanticCustomError(
            "hours", f"'{harmless(str(text), longest=40)}' are no hours; write them as 08:00-23:00"
        )
    starts, ends = (int(clock[:2]) * 60 + int(clock[3:]) for clock in found.groups())
    if starts == ends or (starts, ends) == (0, DAY_MINUTES):
        raise PydanticCustomError(
            "hours", f"'{text}' does not say which part of the day; leave it out for all of the day"
        )
    return Hours(starts, ends)


def _time(text: Any) -> timedelta:
    found = _TIME.match(text) if isinstance(text, str) else None
    time = timedelta(seconds=int(found[1]) * _SECONDS[found[2]]) if found else None
    if time is None or time > _LONGEST_WAIT:
        raise PydanticCustomError(
            "time", f"'{harmless(str(text), longest=40)}' is no time up to seven days; write it as 10 min"
        )
    return time


def _one_or_more(value: Any) -> Any:
    return (value,) if isinstance(value, str) else value


HoursText = Annotated[
    Hours,
    BeforeValidator(_hours),
    WithJsonSchema(
        {"type": "string", "pattern": "^" + _HOURS.pattern.replace(r"\Z", "$"), "examples": ["08:00-23:00"]}
    ),
]
TimeText = Annotated[
    timedelta,
    BeforeValidator(_time),
    WithJsonSchema(
        {"type": "string", "pattern": "^" + _TIME.pattern.replace(r"\Z", "$"), "examples": ["10 min"]}
    ),
]
Reach = dict[Name, Line]
"""`reach` of a person in people.yaml: an address by the name of a channel."""


class RouteRow(Part):
    """Who is told of what, over which channel."""

    who: Name | None = None
    on_call: Name | None = None
    by: Name
    priorities: tuple[Priority, ...] = ()
    concerns: tuple[Concern, ...] = ()
    sites: tuple[Name, ...] = ()
    hours: HoursText | None = None
    escalate_after: TimeText | None = None
    escalate_to: Annotated[tuple[Name, ...], BeforeValidator(_one_or_more)] = ()
    digest: bool = False


class QuietRow(Part):
    """When what can wait is held back."""

    low: HoursText


def to_routes(rows: Sequence[RouteRow], document: Document) -> tuple[Route, ...]:
    """Give the routes that estate.yaml says, each with its line.

    Args:
        rows: Its `routes`.
        document: The file, for its lines.
    """
    return tuple(
        Route(
            who=row.who or "",
            team=row.on_call or "",
            by=row.by,
            priorities=frozenset(row.priorities),
            concerns=frozenset(row.concerns),
            sites=frozenset(row.sites),
            hours=row.hours,
            escalate_after=row.escalate_after,
            escalate_to=row.escalate_to,
            digest=row.digest,
            origin=Origin(layer="estate", file=document.path, line=document.line(("routes", at))),
        )
        for at, row in enumerate(rows)
    )


def to_routing(
    rows: Sequence[RouteRow],
    quiet: QuietRow | None,
    document: Document,
    *,
    reach: Mapping[str, Mapping[str, str]],
    rotas: Mapping[str, Calendar],
) -> Routing:
    """Give all that a revision says about telling people.

    Args:
        rows: `routes` of estate.yaml.
        quiet: `quiet` of estate.yaml.
        document: That file, for its lines.
        reach: Address by channel, by person, from people.yaml.
        rotas: Who is on call when, by team.
    """
    return Routing(
        routes=to_routes(rows, document), quiet=quiet.low if quiet else None, reach=reach, rotas=rotas
    )
