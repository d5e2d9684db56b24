"""A team's rota (RFC 5545) becomes a calendar of who is on call: CATEGORIES of an event are keys of people."""

import re
from collections.abc import Iterable

from asleft.domain.layers import Origin
from asleft.domain.occasions import Calendar
from asleft.domain.problems import Problem
from asleft.domain.rules import routes
from asleft.domain.rules.rule import Rule
from asleft.source.calendars import read_calendar

__all__ = ["PLACE", "read_rota", "zone_of"]

PLACE = re.compile(r"rotas/([^/]+)\.ics\Z")
"""Where rotas stand: the name of the team in the file's."""

_RULES = {rule.id: rule for rule in routes.RULES}


def zone_of(zones: Iterable[str]) -> str:
    """Give the zone in which a rota's whole days are: that of all sites where they share one, else UTC."""
    found = set(zones)
    return found.pop() if len(found) == 1 else "UTC"


def read_rota(path: str, data: bytes, *, time_zone: str) -> tuple[Calendar | None, list[Problem]]:
    """Read a rota, collecting everything that is wrong with it; never raises for any bytes.

    Args:
        path: Name of the file, as its problems shall give it.
        data: What stands in the file.
        time_zone: The zone of its whole days, and of times that have none of their own.

    Returns:
        Who is on call when, or None where the file as a whole cannot be read; and every problem by line.
    """
    rota, problems = read_calendar(path, data, time_zone=time_zone)
    return rota, sorted(_in_words_of_rotas(problem, time_zone) for problem in problems)


def _in_words_of_rotas(problem: Problem, time_zone: str) -> Problem:
    """Say what is said of a site's calendar as it is for a rota."""
    match problem.rule:
        case "calendar.no-occasion":
            what, fix = "the event has no CATEGORIES; nobody is on call", "write CATEGORIES:wren-halloway"
            return _as(_RULES["rota.no-person"], problem, what, fix)
        case "calendar.no-zone":
            what = f"the event has no time zone; it is taken in {time_zone}"
            return _as(_RULES["rota.no-zone"], problem, what, f"write DTSTART;TZID={time_zone}:…")
        case _:
            return problem


def _as(rule: Rule, problem: Problem, what: str, fix: str) -> Problem:
    return rule.at(Origin(layer="rota", file=problem.file, line=problem.line), what, fix)
