"""What estate.yaml may say about orders, as `orders`."""

import re
from datetime import timedelta
from typing import Annotated, Any, Final

from pydantic import BeforeValidator, Field, PlainSerializer, WithJsonSchema
from pydantic_core import PydanticCustomError

from asleft.domain.names import harmless
from asleft.domain.order_rules import ALWAYS_TWO, OrderRules, SecondFactor, Two
from asleft.source.files.parts import Part

__all__ = ["OrdersRow", "to_order_rules"]

# A leading zero is refused, as in settings: 010 means eight to one reader and ten to another.
_WHOLE: Final = re.compile(r"-?(0|[1-9][0-9]{0,8})")
_DECIBELS: Final = r"((?:0|[1-9][0-9]?)(?:\.[0-9]{1,2})?) ?dB"
_SWITCHES: Final = {"yes": True, "no": False, "on": True, "off": False, "true": True, "false": False}
_LEAST_RISE: Final = 0.5
_MOST_RISE: Final = 6.0
"""6 dB is twice the sound pressure, and by the 3 dB exchange rate (NIOSH 98-126) a quarter of the allowed time."""


def _figure(lowest: int, highest: int, unit: str) -> tuple[Any, ...]:
    """Say of a whole number in which bounds it is; where it is not, both are told."""
    allowed = f"write {lowest} to {highest} {unit}"

    def check(text: Any) -> Any:
        said = harmless(str(text), longest=40)
        if not isinstance(text, str | int) or isinstance(text, bool) or not _WHOLE.fullmatch(str(text)):
            raise PydanticCustomError("figure", f"'{said}' is no whole number; {allowed}")
        if int(text) < lowest:
            raise PydanticCustomError("figure", f"{said} is too few; {allowed}")
        if int(text) > highest:
            raise PydanticCustomError("figure", f"{said} is too many; {allowed}")
        return text

    return Field(ge=lowest, le=highest), BeforeValidator(check)


def _rise(text: Any) -> float:
    found = re.fullmatch(_DECIBELS, text) if isinstance(text, str) else None
    if found is None:
        said = harmless(str(text), longest=40)
        raise PydanticCustomError("figure", f"'{said}' is no level with its unit; write it as 3 dB")
    if not _LEAST_RISE <= float(found[1]) <= _MOST_RISE:
        raise PydanticCustomError(
            "figure", f"{found[1]} dB is no step of {_LEAST_RISE:g} dB to {_MOST_RISE:g} dB"
        )
    return float(found[1])


def _switch(text: Any) -> bool:
    found = _SWITCHES.get(text.lower()) if isinstance(text, str) else None
    if found is None:
        raise PydanticCustomError("switch", f"'{harmless(str(text), longest=40)}' is neither yes nor no")
    return found


Rise = Annotated[
    float,
    BeforeValidator(_rise),
    PlainSerializer(
        lambda decibels: f"{decibels:g} dB"
    ),  # the default in the schema is as one would write it
    WithJsonSchema({"type": "string", "pattern": f"^{_DECIBELS}$", "examples": ["3 dB"]}),
]
YesNo = Annotated[bool, BeforeValidator(_switch), WithJsonSchema({"enum": [*_SWITCHES, True, False]})]


class OrdersRow(Part):
    """What is asked of orders, as `orders` of estate.yaml."""

    lapse_minutes: Annotated[int, *_figure(1, 1440, "minutes")] = 15
    two_people: tuple[Two, ...] = tuple(two for two in Two if two not in ALWAYS_TWO)
    many: Annotated[int, *_figure(1, 10_000, "stations")] = 10
    margin_minutes: Annotated[int, *_figure(0, 720, "minutes")] = 30
    lights_during_performance: YesNo = False
    signed_confirmations: YesNo = False
    second_factor: SecondFactor = SecondFactor.NEVER
    rise_step: Rise = Field(default=3.0, json_schema_extra={"default": "3 dB"})
    rise_pause_seconds: Annotated[int, *_figure(0, 60, "seconds")] = 2
    reach_seconds: Annotated[int, *_figure(10, 3600, "seconds")] = 600
    wave: Annotated[int, *_figure(1, 1000, "stations")] = 32


def to_order_rules(row: OrdersRow) -> OrderRules:
    """Give what a row says as the work knows it."""
    return OrderRules(
        lapse=timedelta(minutes=row.lapse_minutes),
        two=ALWAYS_TWO.union(row.two_people),
        many=row.many,
        margin=timedelta(minutes=row.margin_minutes),
        lights=row.lights_during_performance,
        signed=row.signed_confirmations,
        second_factor=row.second_factor,
        rise=row.rise_step,
        rest=timedelta(seconds=row.rise_pause_seconds),
        reach=timedelta(seconds=row.reach_seconds),
        wave=row.wave,
    )
