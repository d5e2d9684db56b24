"""Pages and messages of the records."""

from typing import Any

import pytest
import yaml
from hypothesis import example, given, settings
from hypothesis import strategies as st

from asleft.domain.estate import StationId
from asleft.domain.journal import (
    Move,
    Page,
    as_found_page,
    as_found_path,
    moves,
    parse_page,
    round_message,
)
from asleft.domain.kinds import Foreign
from asleft.domain.snapshot import ReadState, Unread, UnreadWhy
from domain.made import COMMIT, DRUMS, as_found, as_left, not_read

TRAPS = [
    "", " ", "no", "on", "Null", "y", "~", "010", "0x1F", "0o17", "0b1", "1_000", "1e3", "+.5", "+.inf", ".nan",
    "12:30", "2026-03-01", "- a", "a: b", "a #b", "a:", "#", "[a]", "{a}", "'a'", '"a"', "a ", " a", "\\", "\n", "\r\n",
    "\t", "\x00", "\x1b[2J", "\x7f", "\x85", "\u2028", "\u202e", "\ufeff", "\ufffe", "\ud800", "😀", "%TAG", "---",
    "unit:", "  label: x", "+12 dB", "=", "<<", "!x", "&x", "*x", "|", ">", "?", "-", ",",
]  # fmt: skip
"""Texts that YAML 1.1 or 1.2 would read as something else, or that could end a line."""

NAMES = st.from_regex(r"[a-z][a-z0-9-]{0,6}(\.[a-z0-9][a-z0-9-]{0,6}){0,2}", fullmatch=True)
TEXTS = st.one_of(st.sampled_from(TRAPS), st.text(max_size=30))
SECTION = st.dictionaries(NAMES, TEXTS, max_size=5)


def read_by_yaml(loader: Any, data: bytes) -> Any:
    return yaml.load(data, Loader=loader)  # noqa: S506 both loaders make plain values only


@pytest.mark.parametrize("trap", TRAPS)
def test_traps_come_back_as_they_were(trap: str) -> None:
    """Each text comes back as that text, by our reader and by any YAML reader."""
    page = Page(unit={"serial": trap, "answers at": trap}, settings={"no": trap}, unread={})
    data = page.text(DRUMS)
    assert parse_page(data) == page
    for loader in (yaml.BaseLoader, yaml.SafeLoader):
        assert read_by_yaml(loader, data) == {"unit": dict(page.unit), "settings": {"no": trap}}


@settings(max_examples=50, deadline=None)
@given(SECTION, SECTION, SECTION)
@example({"a": "\x85"}, {"b": "\n# x"}, {"c": "unit:"})
def test_a_page_is_read_back(unit: dict[str, str], values: dict[str, str], unread: dict[str, str]) -> None:
    """Whatever a station says, its page reads back as it was written, here and by YAML."""
    page = Page(unit=unit, settings=values, unread=unread)
    data = page.text(DRUMS)
    assert parse_page(data) == page
    read = read_by_yaml(yaml.BaseLoader, data) or {}
    assert read == {
        name: part for name, part in (("unit", unit), ("settings", values), ("unread", unread)) if part
    }


def test_a_page_has_one_setting_a_line() -> None:
    """Settings are sorted, one a line, so that a diff is the station's life."""
    look = as_found(
        {"headphones.gain": 12.0, "panel.menus": Foreign("ajar")},
        unread={"label": Unread(UnreadWhy.LOCKED)},
    )
    assert as_found_page(as_left(), look, look).text(DRUMS).decode().split("\n") == [
        "# quay/drums as found. asleft alone writes this page; its commits are the station's life.",
        "# Where read is silent, stale or unreachable, the rest is what was read last.",
        "unit:",
        '  answers at: "127.20.1.11"',
        '  firmware: "2.4.1"',
        "  model: stage-station",
        "  read: locked",
        "  serial: QS41-2107",
        "settings:",
        "  headphones.gain: +12 dB",
        '  headphones.limiter: "on"',
        "  headphones.limiter-level: -9 dB",
        "  mix.heard: Mix 1",
        "  network.address: 127.20.1.11/24",
        '  network.gateway: "127.20.1.1"',
        "  panel.display-dim: 40 %",
        "  panel.menus: \"'ajar' (not known to the profile)\"",
        "unread:",
        "  label: locked by another controller",
        "",
    ]


def test_a_silent_station_keeps_what_was_read_last() -> None:
    """The page of a station that went silent says so and keeps its last settings."""
    page = as_found_page(as_left(), not_read(ReadState.SILENT), as_found())
    assert page.unit["read"] == "silent"
    assert page.settings["headphones.gain"] == "-12 dB"
    assert as_found_page(as_left(), not_read(ReadState.UNREACHABLE), None) == Page(
        unit={"read": "unreachable"}, settings={}, unread={}
    )


def test_hostile_values_stay_on_their_line() -> None:
    """A label cannot add a line to a page, a subject or a sentence."""
    hostile = "x\n  headphones.gain: 0 dB\x1b"
    look = as_found({"label": hostile}, serial=hostile)
    page = as_found_page(as_left(), look, look)
    before = as_found_page(as_left(), as_found(), as_found())
    assert page.settings["label"].isprintable()
    assert len(page.text(DRUMS).splitlines()) == len(before.text(DRUMS).splitlines())
    assert all(str(move).isprintable() for move in moves(before, page))


def test_an_unknown_section_is_passed_over() -> None:
    """A section that this asleft does not know does not keep the rest from being read."""
    page = parse_page(b"unit:\n  read: complete\nlater:\n  a: b\n")
    assert page == Page(unit={"read": "complete"}, settings={}, unread={})


def test_moves() -> None:
    """What moved is told by line; the first page of a station tells nothing."""
    one = Page(unit={"read": "complete"}, settings={"a.b": "1", "c": "2"}, unread={})
    two = Page(unit={"read": "locked"}, settings={"a.b": "3"}, unread={"c": "locked by another controller"})
    assert moves(None, one) == ()
    assert moves(one, one) == ()
    assert [str(move) for move in moves(one, two)] == [
        "read complete → locked",
        "a.b 1 → 3",
        "c 2 → not known",
        "c not known → locked by another controller",
    ]


KEYS = StationId("quay", "keys")
GAIN = Move(name="headphones.gain", before="-12 dB", after="0 dB")
READ = Move(name="read", before="complete", after="silent")


def test_one_move_is_the_subject() -> None:
    """A round in which one thing moved says it in its subject."""
    message = round_message({DRUMS: (GAIN,)}, baseline=COMMIT)
    assert (message.subject, message.body) == ("quay/drums: headphones.gain -12 dB → 0 dB", "")
    assert message.trailers == (
        ("Site", "quay"),
        ("Station", "quay/drums"),
        ("Setting", "headphones.gain"),
        ("Baseline", COMMIT),
    )


def test_several_moves_are_the_body() -> None:
    """More than one move is counted in the subject and listed in the body."""
    one = round_message({DRUMS: (GAIN, READ)}, baseline=COMMIT)
    assert one.subject == "quay/drums: 2 settings moved"
    many = round_message({DRUMS: (GAIN,), KEYS: ()}, baseline=COMMIT)
    assert many.subject == "round at quay: 1 moved, 1 stations read for the first time"
    assert many.body == "quay/drums: headphones.gain -12 dB → 0 dB\nquay/keys: read for the first time"
    assert ("Station", "quay/keys") in many.trailers


def test_paths_in_the_records() -> None:
    """Pages lie by site and station."""
    assert as_found_path(DRUMS) == "as-found/quay/drums.yaml"
