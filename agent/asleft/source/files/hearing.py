"""What a file may say about hearing: headphones and amplifier, and what is too loud."""

import re
from collections.abc import Callable, Mapping
from typing import Annotated, Any

from pydantic import BeforeValidator, WithJsonSchema
from pydantic_core import PydanticCustomError

from asleft.domain.hearing import Limits, Worn
from asleft.domain.layers import Origin
from asleft.domain.names import harmless
from asleft.source.files.parts import Part

__all__ = ["HearingRow", "LimitsRow", "to_limits", "to_worn"]

# A leading zero is refused, as in settings: 010 means eight to one reader and ten to another.
_NUMBER = r"(?:0|[1-9][0-9]{0,5})(?:\.[0-9]{1,6})?"
_MEASURE = re.compile(rf"({_NUMBER}) ?([^\W\d_][^\s,]{{0,9}})\Z")


def _measure(text: Any, units: Mapping[str, float], example: str) -> tuple[float, str]:
    """Read a number with its unit and give it times what the unit stands for, and the unit."""
    found = _MEASURE.match(text) if isinstance(text, str) else None
    if found is None:
        raise PydanticCustomError(
            "measure", f"'{harmless(str(text), longest=40)}' is no number with a unit; write it as {example}"
        )
    number, unit = found.groups()
    if unit not in units:
        raise PydanticCustomError(
            "measure", f"the unit '{harmless(unit)}' does not fit here; write it as {example}"
        )
    return float(number) * units[unit], unit


def _reader(units: Mapping[str, float], example: str) -> Callable[[Any], float]:
    return lambda text: _measure(text, units, example)[0]


def _schema(units: Mapping[str, float], example: str) -> WithJsonSchema:
    listed = "|".join(re.escape(unit) for unit in units)
    return WithJsonSchema({"type": "string", "pattern": f"^{_NUMBER} ?({listed})$", "examples": [example]})


_PER_MW, _PER_V = "dB/mW", "dB/V"
_SENSITIVITY = {_PER_MW: 1.0, _PER_V: 1.0}
_OHM = {"ohm": 1.0, "Ω": 1.0}
_VOLT = {"V": 1.0, "mV": 0.001}
_DECIBEL = {"dB": 1.0}
_TIME = {"min": 1.0, "s": 1 / 60, "h": 60.0}


def _sensitivity(text: Any) -> tuple[float, str]:
    return _measure(text, _SENSITIVITY, "110 dB/mW or 118 dB/V")


Sensitivity = Annotated[tuple[float, str], BeforeValidator(_sensitivity), _schema(_SENSITIVITY, "110 dB/mW")]
Ohms = Annotated[float, BeforeValidator(_reader(_OHM, "16 ohm")), _schema(_OHM, "16 ohm")]
Volts = Annotated[float, BeforeValidator(_reader(_VOLT, "1 V")), _schema(_VOLT, "1 V")]
Decibels = Annotated[float, BeforeValidator(_reader(_DECIBEL, "118 dB")), _schema(_DECIBEL, "118 dB")]
Minutes = Annotated[float, BeforeValidator(_reader(_TIME, "5 min")), _schema(_TIME, "5 min")]


class HearingRow(Part):
    """Headphones and the amplifier behind them, as `hearing` of a site or of one station."""

    sensitivity: Sensitivity | None = None
    impedance: Ohms | None = None
    voltage: Volts | None = None
    source_impedance: Ohms | None = None


class LimitsRow(Part):
    """What the estate takes as too loud, as `limits` of estate.yaml."""

    level: Decibels | None = None
    allowed_time: Minutes | None = None


def to_worn(row: HearingRow, origin: Origin | None = None) -> Worn:
    """Give what a row says as the rules know it.

    Args:
        row: The row.
        origin: Its line, so that what is wrong with it can be told there.
    """
    number, unit = row.sensitivity or (None, "")
    return Worn(
        sensitivity_mw=number if unit == _PER_MW else None,
        sensitivity_v=number if unit == _PER_V else None,
        impedance=row.impedance,
        voltage=row.voltage,
        source_impedance=row.source_impedance,
        origin=origin,
    )


def to_limits(row: LimitsRow) -> Limits:
    """Give what a row says as the rules know it."""
    return Limits(level=row.level, minutes=row.allowed_time)
