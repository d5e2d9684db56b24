"""What estate.yaml may say about alarms, as `alarms`."""

import re
from collections.abc import Collection, Mapping
from datetime import timedelta
from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator, Field, PlainSerializer, WithJsonSchema
from pydantic_core import PydanticCustomError

from asleft.domain.alarms.rules import AlarmRules, PriorityRow
from asleft.domain.names import harmless
from asleft.domain.profile import Concern, Priority
from asleft.source.files.parts import Name, Part

__all__ = ["AlarmsRow", "ChatteringRow", "Delay", "PriorityLine", "to_alarm_rules"]

_UNITS = {"s": 1, "min": 60, "h": 3600}
# A leading zero is refused, as in settings: 010 means eight to one reader and ten to another.
_DELAY = r"(0|[1-9][0-9]{0,4}) ?(s|min|h)"
_LONGEST = timedelta(hours=1)


def _delay(text: Any) -> timedelta:
    found = re.fullmatch(_DELAY, text) if isinstance(text, str) else None
    if found is None:
        said = harmless(str(text), longest=40)
        raise PydanticCustomError("duration", f"'{said}' is no time with a unit; write it as 5 s or 2 min")
    return timedelta(seconds=int(found[1]) * _UNITS[found[2]])


def _shown(delay: timedelta) -> str:
    seconds = int(delay.total_seconds())
    unit = next(unit for unit, size in reversed(_UNITS.items()) if seconds % size == 0) if seconds else "s"
    return f"{seconds // _UNITS[unit]} {unit}"


def _within_limit(delay: timedelta) -> timedelta:
    if delay > _LONGEST:
        raise PydanticCustomError("duration", "this delays an alarm by more than an hour; write 1 h or less")
    return delay


def _some_time(delay: timedelta) -> timedelta:
    if not delay:
        raise PydanticCustomError("duration", "no time at all cannot be counted in; write it as 60 s")
    return delay


Delay = Annotated[
    timedelta,
    BeforeValidator(_delay),
    AfterValidator(_within_limit),
    PlainSerializer(_shown),  # the defaults in the schema are as one would write them
    WithJsonSchema({"type": "string", "pattern": f"^{_DELAY}$", "examples": ["5 s", "2 min"]}),
]


class PriorityLine(Part):
    """Whose drift has another priority than its concern gives it; what is not named fits everything."""

    priority: Priority
    concern: Concern | None = None
    site: Name | None = None
    role: Name | None = None
    occasion: Name | None = None


class ChatteringRow(Part):
    """When an alarm that comes and goes is told once and then no more until it was calm."""

    onsets: int = Field(default=3, ge=2, le=100)
    within: Annotated[Delay, AfterValidator(_some_time)] = Field(
        default=timedelta(seconds=60), json_schema_extra={"default": "1 min"}
    )


class AlarmsRow(Part):
    """How alarms are kept, as `alarms` of estate.yaml."""

    on_delay: Delay = Field(default=timedelta(seconds=5), json_schema_extra={"default": "5 s"})
    off_delay: Delay = Field(default=timedelta(seconds=5), json_schema_extra={"default": "5 s"})
    chattering: ChatteringRow = ChatteringRow()
    priorities: tuple[PriorityLine, ...] = ()


def to_alarm_rules(row: AlarmsRow, suppresses: Mapping[str, Collection[Concern]]) -> AlarmRules:
    """Give what a row says as the work knows it.

    Args:
        row: The row.
        suppresses: By the name of an occasion the concerns that its file says it suppresses.
    """
    return AlarmRules(
        on_delay=row.on_delay,
        off_delay=row.off_delay,
        chatter_onsets=row.chattering.onsets,
        chatter_within=row.chattering.within,
        priorities=tuple(
            PriorityRow(
                priority=line.priority,
                concern=line.concern,
                site=line.site or "",
                role=line.role or "",
                occasion=line.occasion or "",
            )
            for line in row.priorities
        ),
        suppresses={name: frozenset(concerns) for name, concerns in suppresses.items() if concerns},
    )
