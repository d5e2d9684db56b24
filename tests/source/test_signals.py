"""What a site's file says about signals: texts become numbers, and a wrong one is told with what would be right."""

from fractions import Fraction
from typing import TypeVar

import pytest
from pydantic import BaseModel, ValidationError

from asleft.domain.patching import Patch, Plug, Return
from asleft.domain.problems import Problem
from asleft.domain.recording import Recording
from asleft.domain.streams import Link, Network, StreamFormat
from asleft.source.documents import read_document
from asleft.source.files.parts import validate
from asleft.source.files.signals import (
    PatchRow,
    RecordingRow,
    StreamsRow,
    to_network,
    to_patch,
    to_recording,
)

_Row = TypeVar("_Row", bound=BaseModel)


def row(model: type[_Row], text: str) -> _Row:
    """Read a row from YAML, as a site's file is read."""
    document, problems = read_document("site.yaml", text.encode())
    assert document is not None
    assert problems == []
    found, problems = validate(model, document)
    assert problems == []
    assert found is not None
    return found


def wrong(model: type[BaseModel], text: str) -> list[Problem]:
    """Give what is wrong with a row."""
    document, problems = read_document("site.yaml", text.encode())
    assert document is not None
    assert problems == []
    found, problems = validate(model, document)
    assert found is None
    return problems


def test_a_patch() -> None:
    """Every group of a patch comes through, an input by a name alone or by a station and its pair."""
    text = """
sources: [Kick, Lead voice]
buses: {Drums: [Kick]}
mixes: {Mix 1: [Drums, Lead voice, From drums]}
returns:
  From drums: {station: drums, pair: network, channels: 33-34}
  From bass: {station: bass, pair: line, channels: 7}
  From keys: {station: keys, pair: line}
inputs: {drums: Kick, bass: {station: drums, pair: line}, keys: {name: Lead voice}}
"""
    assert to_patch(row(PatchRow, text)) == Patch(
        sources=("Kick", "Lead voice"),
        buses={"Drums": ("Kick",)},
        mixes={"Mix 1": ("Drums", "Lead voice", "From drums")},
        returns={
            "From drums": Return(station="drums", pair="network", channels=(33, 34)),
            "From bass": Return(station="bass", pair="line", channels=(7, 7)),
            "From keys": Return(station="keys", pair="line"),
        },
        inputs={
            "drums": Plug(name="Kick"),
            "bass": Plug(station="drums", pair="line"),
            "keys": Plug(name="Lead voice"),
        },
    )


def test_a_network() -> None:
    """Numbers with their units become exact numbers, the third of a millisecond a whole number of samples."""
    text = """
sample-rate: 96 kHz
bits: 16
packet-time: 333⅓ µs
vlan: yes
share: 62.5 %
links:
  stage to control: {speed: 1 Gb/s, stations: [drums, bass]}
  all: {speed: 2.5 Gb/s}
"""
    assert to_network(row(StreamsRow, text)) == Network(
        format=StreamFormat(sample_rate=96_000, bits=16, samples=32, vlan=True),
        share=Fraction(5, 8),
        links={
            "stage to control": Link(bits_per_second=10**9, stations=("drums", "bass")),
            "all": Link(bits_per_second=2_500_000_000),
        },
    )


def test_a_network_that_says_nothing() -> None:
    """Left out means what AES67 asks everybody to have (from memory): 48 kHz, 24 bits, 1 ms; and three quarters."""
    assert to_network(row(StreamsRow, "{}")) == Network()
    assert StreamFormat() == StreamFormat(channels=2, sample_rate=48_000, bits=24, samples=48, vlan=False)


@pytest.mark.parametrize(
    "text,samples",
    [
        ("125 µs", 6),
        ("125 μs", 6),  # the Greek letter, which some keyboards give
        ("125us", 6),
        ("0.125 ms", 6),
        ("250 µs", 12),
        ("333 µs", 16),
        ("333.3 µs", 16),
        ("333.333 us", 16),
        ("333⅓ µs", 16),
        ("1/3 ms", 16),
        ("0.333 ms", 16),
        ("1 ms", 48),
        ("1000 µs", 48),
        ("4 ms", 192),
    ],
)
def test_packet_times(text: str, samples: int) -> None:
    """A packet time may be written in several ways and always is one of the five that AES67 has (from memory)."""
    assert to_network(row(StreamsRow, f"packet-time: {text}")).format.samples == samples


def test_a_recorder() -> None:
    """Sizes are decimal or binary as their unit says, hours may have a fraction."""
    text = "{occasion: matinee, disk-free: 1.5 TB, hours: 2.5 h, files: one, sample-rate: 96000, bits: 16}"
    assert to_recording(row(RecordingRow, text)) == Recording(
        occasion="matinee",
        disk_bytes=1_500_000_000_000,
        hours=2.5,
        one_file=True,
        sample_rate=96_000,
        bits=16,
    )
    assert to_recording(row(RecordingRow, "{}")) == Recording()
    assert to_recording(row(RecordingRow, "disk-free: 2 GiB")).disk_bytes == 2 * 2**30
    assert to_recording(row(RecordingRow, "disk-free: 2GB")).disk_bytes == 2 * 10**9


@pytest.mark.parametrize(
    "text,key,said",
    [
        ("sample-rate: 48k", "sample-rate", "write it as 48000 or 48 kHz"),
        ("sample-rate: 44.1", "sample-rate", "is no sample rate"),
        ("sample-rate: 0", "sample-rate", "is no sample rate"),
        ("sample-rate: 048000", "sample-rate", "is no sample rate"),
        ("sample-rate: ٤٨٠٠٠", "sample-rate", "is no sample rate"),
        ("bits: 20", "bits", "write 16 or 24"),
        ("packet-time: 2 ms", "packet-time", "125 µs, 250 µs, 333 µs, 1 ms or 4 ms"),
        ("packet-time: 1", "packet-time", "is no packet time"),
        ("packet-time: 1 s", "packet-time", "is no packet time"),
        ("share: 0.75", "share", "write it as 75 %"),
        ("share: 0 %", "share", "write 1 % to 100 %"),
        ("share: 101 %", "share", "write 1 % to 100 %"),
        ("links: {a: {speed: 1 Gbps}}", "links.a.speed", "write it as 100 Mb/s or 1 Gb/s"),
        ("links: {a: {speed: 0 Mb/s}}", "links.a.speed", "is no speed of a link"),
        ("links: {a: {speed: -1 Mb/s}}", "links.a.speed", "is no speed of a link"),
        ("links: {a: {speed: 0.1 b/s}}", "links.a.speed", "is no speed of a link"),
        ("links: {a: {speed: 9999999999999999 Gb/s}}", "links.a.speed", "is no speed of a link"),
    ],
)
def test_numbers_that_are_none(text: str, key: str, said: str) -> None:
    """A text that is no such number is told with its key and a form that would be right."""
    (problem,) = wrong(StreamsRow, text)
    assert problem.rule == "file.value"
    assert problem.what.startswith(f"{key}: ")
    assert said in problem.what


@pytest.mark.parametrize(
    "text,said",
    [
        ("disk-free: 500", "write it as 500 GB or 2 TB"),
        ("disk-free: 500 gb", "is no size of a disk"),
        ("disk-free: 0 GB", "is no size of a disk"),
        ("hours: 0", "is no number of hours"),
        ("hours: 3:00", "write it as 3 or 2.5"),
        ("hours: 100000", "is no number of hours"),
        ("files: two", "files is 'two'"),
        ("occasion: Big Night", "is no name"),
    ],
)
def test_a_recorder_that_is_wrong(text: str, said: str) -> None:
    """A plan that nobody can reckon with is told."""
    (problem,) = wrong(RecordingRow, text)
    assert said in problem.what + problem.fix


@pytest.mark.parametrize(
    "text,line,said",
    [
        ("returns:\n  A: {station: drums, pair: network, channels: 34-33}", 2, "are no channel pair"),
        ("returns:\n  A: {station: drums, pair: network, channels: 33-36}", 2, "are no channel pair"),
        ("returns:\n  A: {station: drums, pair: network, channels: 0-1}", 2, "are no channels"),
        ("returns:\n  A: {station: drums, pair: network, channels: x}", 2, "write them as 33-34"),
        ("returns:\n  A: {station: drums, pair: network, channels: 20000-20001}", 2, "are no channel pair"),
        ("returns:\n  A: {station: drums}", 2, "'returns.A.pair' is missing"),
        (
            "sources: [A]\ninputs:\n  drums: {station: bass}",
            3,
            "write a name, or {station: drums, pair: line}",
        ),
        ("inputs:\n\n  drums: {}", 3, "nobody can tell what is plugged in"),
        ("inputs:\n  drums: {name: A, station: bass, pair: line}", 2, "nobody can tell what is plugged in"),
        ("inputs:\n  drums: {name: A, pair: line}", 2, "nobody can tell what is plugged in"),
        ("inputs:\n  drums: {station: bass, pari: line}", 2, "did you mean 'pair'?"),
        ("mixes: {Mix 1: Kick}", 1, "valid tuple"),
    ],
)
def test_a_patch_that_is_wrong(text: str, line: int, said: str) -> None:
    """What is wrong in a patch is told at its line."""
    (problem,) = wrong(PatchRow, text)
    assert problem.line == line
    assert said in problem.what + problem.fix


def test_a_text_that_would_command_a_terminal_is_shown_harmless() -> None:
    """A refused text is quoted so that it cannot reorder what a reader sees, and cut where it is long."""
    with pytest.raises(ValidationError, match=r"\\u202e") as caught:
        StreamsRow.model_validate({"share": "\u202e" + "9" * 1000})
    assert "\u202e" not in str(caught.value.errors()[0]["msg"])
    assert len(caught.value.errors()[0]["msg"]) < 200


def test_editors_know_both_forms_of_an_input() -> None:
    """The schema that editors read takes a name alone as well as a station and its pair."""
    plug = PatchRow.model_json_schema()["$defs"]["PlugRow"]
    assert [form["type"] for form in plug["anyOf"]] == ["string", "object"]
