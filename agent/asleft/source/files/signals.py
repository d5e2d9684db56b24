"""What a site's file may say about signals: the patch, the network that audio goes over, the recorder."""

import re
from collections.abc import Callable, Mapping
from fractions import Fraction
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, GetJsonSchemaHandler, model_validator
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema, PydanticCustomError

from asleft.domain.names import harmless
from asleft.domain.patching import Patch, Plug, Return
from asleft.domain.recording import Recording
from asleft.domain.streams import SAMPLE_RATES, Link, Network, StreamFormat, packet_samples
from asleft.source.files.parts import Line, Name, Part

__all__ = [
    "LinkRow",
    "PatchRow",
    "PlugRow",
    "RecordingRow",
    "ReturnRow",
    "StreamsRow",
    "to_network",
    "to_patch",
    "to_recording",
]

# ASCII digits alone, few enough for any disk; a leading zero is refused as everywhere in a baseline.
_QUANTITY = re.compile(r"((?:0|[1-9][0-9]{0,14})(?:\.[0-9]{1,6})?)(?: ?([A-Za-z\u00b5\u03bc/%]{1,6}))?\Z")
_MOST_CHANNEL = 10_000
_MOST_HOURS = 24 * 31

_BYTES = {
    "B": 1,
    **{f"{letter}B": 1000**power for power, letter in enumerate("kMGTP", 1)},
    **{f"{letter}iB": 1024**power for power, letter in enumerate("KMGTP", 1)},
}
_BITS_A_SECOND = {"b/s": 1, "kb/s": 10**3, "Mb/s": 10**6, "Gb/s": 10**9}
_MICROSECONDS = {
    "\u00b5s": 1,
    "\u03bcs": 1,
    "us": 1,
    "ms": 1000,
}  # the micro sign, and the Greek letter that looks like it
_THIRD = Fraction(1000, 3)
_THIRDS = {"1/3 ms", *(f"333⅓ {unit}" for unit in ("\u00b5s", "\u03bcs", "us"))}


def _quantity(text: str, units: Mapping[str, int], what: str, example: str) -> Fraction:
    """Read a number with its unit; `""` among the units lets it go without one."""
    found = _QUANTITY.match(text)
    unit = units.get(found[2] or "") if found else None
    if found is None or unit is None:
        raise PydanticCustomError(
            "quantity", f"'{harmless(text, longest=40)}' is no {what}: write it as {example}"
        )
    return Fraction(found[1]) * unit


def _whole(text: str, units: Mapping[str, int], what: str, example: str) -> int:
    found = _quantity(text, units, what, example)
    if not found or found.denominator != 1:
        raise PydanticCustomError("quantity", f"'{harmless(text)}' is no {what}: write it as {example}")
    return int(found)


def _sample_rate(text: str) -> int:
    return _whole(text, {"": 1, "Hz": 1, "kHz": 1000}, "sample rate", "48000 or 48 kHz")


def _bits(text: str) -> int:
    if text not in {"16", "24", "32"}:
        raise PydanticCustomError(
            "quantity", f"'{harmless(text, longest=40)}' bits a sample are not known: write 16 or 24"
        )
    return int(text)


def _packet_us(text: str) -> Fraction:
    example = "125 µs, 250 µs, 333 µs, 1 ms or 4 ms"
    if text in _THIRDS:
        return _THIRD
    found = _quantity(text, _MICROSECONDS, "packet time", example)
    # A third of a millisecond has no end in decimals, so people cut it short.
    if abs(found - _THIRD) < 1:
        found = _THIRD
    if packet_samples(found, SAMPLE_RATES[0]) is None:
        raise PydanticCustomError(
            "quantity", f"a packet time of {harmless(text)} is none of AES67's: write {example}"
        )
    return found


def _share(text: str) -> Fraction:
    found = _quantity(text, {"%": 1}, "share of a link", "75 %") / 100
    if not 0 < found <= 1:
        raise PydanticCustomError("quantity", f"'{harmless(text)}' is no share of a link: write 1 % to 100 %")
    return found


def _speed(text: str) -> int:
    return _whole(text, _BITS_A_SECOND, "speed of a link", "100 Mb/s or 1 Gb/s")


def _size(text: str) -> int:
    return _whole(text, _BYTES, "size of a disk", "500 GB or 2 TB")


def _hours(text: str) -> Fraction:
    found = _quantity(text, {"": 1, "h": 1}, "number of hours", "3 or 2.5")
    if not 0 < found <= _MOST_HOURS:
        raise PydanticCustomError(
            "quantity", f"'{harmless(text)}' is no number of hours: write 0.1 to {_MOST_HOURS}"
        )
    return found


_CHANNELS = re.compile(r"([1-9][0-9]{0,4})(?: ?- ?([1-9][0-9]{0,4}))?\Z")


def _channels(text: str) -> tuple[int, int]:
    found = _CHANNELS.match(text)
    if found is None:
        raise PydanticCustomError(
            "quantity", f"'{harmless(text, longest=40)}' are no channels: write them as 33-34"
        )
    first = int(found[1])
    last = int(found[2] or first)
    if last not in {first, first + 1} or last > _MOST_CHANNEL:
        raise PydanticCustomError(
            "quantity", f"'{harmless(text)}' are no channel pair: write two that follow one another, as 33-34"
        )
    return first, last


def _said_by(read: Callable[[str], object]) -> AfterValidator:
    """Refuse a text that cannot be read; the row keeps the text, as the file has it."""

    def check(text: str) -> str:
        read(text)
        return text

    return AfterValidator(check)


class ReturnRow(Part):
    """A channel pair of a mixer that brings back what a station sends."""

    station: Name
    pair: Line
    channels: Annotated[str, _said_by(_channels)] | None = None


class PlugRow(Part):
    """What is plugged into a local input: a name alone, or a station and its pair."""

    name: Line | None = None
    station: Name | None = None
    pair: Line | None = None

    @model_validator(mode="before")
    @classmethod
    def _name_alone(cls, value: Any) -> Any:
        return {"name": value} if isinstance(value, str) else value

    @model_validator(mode="after")
    def _one_of_both(self) -> Self:
        if (self.name is None) != (self.station is not None and self.pair is not None) or (
            self.name is not None and (self.station or self.pair)
        ):
            raise PydanticCustomError(
                "plug", "nobody can tell what is plugged in: write a name, or {station: drums, pair: line}"
            )
        return self

    @classmethod
    def __get_pydantic_json_schema__(
        cls, core_schema: CoreSchema, handler: GetJsonSchemaHandler, /
    ) -> JsonSchemaValue:
        """Tell editors of the short form, too."""
        return {"anyOf": [{"type": "string", "minLength": 1}, handler(core_schema)]}


class PatchRow(Part):
    """How signals go at a site."""

    sources: tuple[Line, ...] = ()
    buses: dict[Line, tuple[Line, ...]] = {}
    mixes: dict[Line, tuple[Line, ...]] = {}
    returns: dict[Line, ReturnRow] = {}
    inputs: dict[Name, PlugRow] = {}


class LinkRow(Part):
    """One link of a site's network, and the stations behind it; all of them where none is listed."""

    speed: Annotated[str, _said_by(_speed)]
    stations: tuple[Name, ...] = ()


class StreamsRow(Part):
    """The network that audio goes over."""

    sample_rate: Annotated[str, _said_by(_sample_rate)] = "48000"
    bits: Annotated[str, _said_by(_bits)] = "24"
    packet_time: Annotated[str, _said_by(_packet_us)] = "1 ms"
    vlan: Literal["yes", "no"] = "no"
    share: Annotated[str, _said_by(_share)] = "75 %"
    links: dict[Line, LinkRow] = {}


class RecordingRow(Part):
    """The recorder of a site."""

    occasion: Name = "recording"
    disk_free: Annotated[str, _said_by(_size)] | None = None
    hours: Annotated[str, _said_by(_hours)] | None = None
    files: Literal["one", "a pair"] = "a pair"
    sample_rate: Annotated[str, _said_by(_sample_rate)] = "48000"
    bits: Annotated[str, _said_by(_bits)] = "24"


def to_patch(row: PatchRow) -> Patch:
    """Give the patch that a row describes."""
    return Patch(
        sources=row.sources,
        buses=row.buses,
        mixes=row.mixes,
        returns={
            name: Return(
                station=back.station,
                pair=back.pair,
                channels=None if back.channels is None else _channels(back.channels),
            )
            for name, back in row.returns.items()
        },
        inputs={
            name: Plug(name=plug.name or "", station=plug.station or "", pair=plug.pair or "")
            for name, plug in row.inputs.items()
        },
    )


def to_network(row: StreamsRow) -> Network:
    """Give the network that a row describes; whether AES67 knows its format is for the rules to say."""
    rate = _sample_rate(row.sample_rate)
    return Network(
        format=StreamFormat(
            sample_rate=rate,
            bits=_bits(row.bits),
            samples=packet_samples(_packet_us(row.packet_time), rate) or 0,
            vlan=row.vlan == "yes",
        ),
        share=_share(row.share),
        links={
            name: Link(bits_per_second=_speed(link.speed), stations=link.stations)
            for name, link in row.links.items()
        },
    )


def to_recording(row: RecordingRow) -> Recording:
    """Give the recorder that a row describes."""
    return Recording(
        occasion=row.occasion,
        disk_bytes=None if row.disk_free is None else _size(row.disk_free),
        hours=None if row.hours is None else float(_hours(row.hours)),
        one_file=row.files == "one",
        sample_rate=_sample_rate(row.sample_rate),
        bits=_bits(row.bits),
    )
