"""What must hold of what an estate says about alarms."""

from collections.abc import Callable, Collection, Iterator
from typing import Final

from asleft.domain.alarms.rules import AlarmRules
from asleft.domain.kinds import nearest
from asleft.domain.layers import Origin
from asleft.domain.names import harmless
from asleft.domain.problems import Level, Problem
from asleft.domain.profile import Concern, Priority
from asleft.domain.rules.rule import Rule

__all__ = ["HUSHED", "RULES", "STRANGE", "check_alarms"]

STRANGE: Final = Rule(
    id="alarm.names",
    level=Level.ERROR,
    sentence="a line of the alarm priorities names sites, roles and occasions that the estate has",
)
HUSHED: Final = Rule(
    id="alarm.hearing",
    level=Level.WARNING,
    sentence="no occasion suppresses alarms about hearing, and no line makes them less than high",
)
RULES: Final = (STRANGE, HUSHED)


def check_alarms(
    rules: AlarmRules,
    *,
    sites: Collection[str],
    roles: Collection[str],
    occasions: Collection[str],
    line: Callable[[int, str], Origin],
    occasion: Callable[[str], Origin],
) -> Iterator[Problem]:
    """Tell what is wrong with what an estate says about alarms.

    Args:
        rules: What it says.
        sites: Names of its sites.
        roles: Names of its roles.
        occasions: Names of its occasions.
        line: Gives the line of a key in a row of `alarms.priorities`, by the row's place and the key.
        occasion: Gives the line of `suppresses` in an occasion's file, by its name.
    """
    for at, row in enumerate(rules.priorities):
        for key, name, known in (
            ("site", row.site, sites),
            ("role", row.role, roles),
            ("occasion", row.occasion, occasions),
        ):
            if name and name not in known:
                fix = nearest(name, sorted(known)) if known else "leave it out"
                yield STRANGE.at(line(at, key), f"there is no {key} '{harmless(name)}'", fix)
        if row.concern in {None, Concern.HEARING} and row.priority is not Priority.HIGH:
            what = f"alarms about hearing become {row.priority}"
            yield HUSHED.at(line(at, "priority"), what, "name another concern, or have them stay high")
    for name, concerns in sorted(rules.suppresses.items()):
        if Concern.HEARING in concerns:
            what = f"alarms about hearing are suppressed during {harmless(name)}"
            yield HUSHED.at(occasion(name), what, "take hearing out of suppresses")
