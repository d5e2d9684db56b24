"""Names, and foreign text made harmless."""

import re
import unicodedata

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from asleft.domain.names import harmless, is_name, listed, unprintable


@pytest.mark.parametrize(
    "text,shown",
    [
        ("plain", "plain"),
        ("Bühne 3 [links]", "Bühne 3 [links]"),
        ("\x1b[2J", "\\x1b[2J"),  # ECMA-48 8.3.39, erase in page
        ("\x9b2J", "\\x9b2J"),  # ECMA-48 5.4: CSI in its eight-bit form
        ("a\u202eb", "a\\u202eb"),  # Unicode UAX #9 section 2.2: right-to-left override
        ("a\u2066b", "a\\u2066b"),
        ("zero\u200bwidth", "zero\\u200bwidth"),
        ("two\nlines", "two\\nlines"),
        ("two\r\nlines", "two\\r\\nlines"),
        ("line\u2028end", "line\\u2028end"),
        ("nul\0", "nul\\x00"),
        ("\ud800", "\\ud800"),
        ("", ""),
    ],
)
def test_foreign_text_cannot_command_what_shows_it(text: str, shown: str) -> None:
    """What would not show as itself is escaped, all else stays."""
    assert harmless(text) == shown


def test_long_foreign_text_is_cut_and_counted() -> None:
    """Ten thousand characters do not fill a screen."""
    assert harmless("x" * 10_000) == "x" * 200 + "… (9800 more characters)"
    assert harmless("x" * 200) == "x" * 200
    assert harmless("abcdef", longest=2) == "ab… (4 more characters)"
    assert harmless("abc", longest=2) == "ab… (1 more character)"


@pytest.mark.parametrize(
    "names, longest, shown",
    [
        ([], 20, ""),
        (["bass"], 1, "bass"),
        (["bass", "drums"], 11, "bass, drums"),
        (["bass", "drums"], 10, "bass and 1 more person"),
        (["bass", "drums", "keys"], 10, "bass and 2 more people"),
        (["bass", "drums", "keys"], 11, "bass, drums and 1 more person"),
        (["a\u202eb"], 20, "a\\u202eb"),
    ],
)
def test_a_list_is_cut_between_names(names: list[str], longest: int, shown: str) -> None:
    """Each name that is shown is whole; those that are not are counted, as what they are."""
    assert listed(names, "person", "people", longest=longest) == shown


def test_names_that_are_many_or_long_do_not_fill_a_screen() -> None:
    """A thousand stations are some and a count; one name of ten thousand characters is cut, and says by how many characters."""
    told = listed([f"station-{number}" for number in range(1000)], "station")
    assert re.fullmatch(r"(station-\d+, )*station-\d+ and \d+ more stations", told)
    assert len(told) < 230
    assert told.count("station-") + int(told.split()[-3]) == 1000
    assert listed(["x" * 10_000], "station") == "x" * 80 + "… (9920 more characters)"


@settings(max_examples=50, deadline=None)
@given(st.text(alphabet=st.characters(), max_size=300))
def test_no_control_survives(text: str) -> None:
    """Whatever comes in, no control, format or separator character comes out (Unicode chapter 4, table 4-4)."""
    shown = harmless(text)
    assert unprintable(shown) == ""
    assert not {unicodedata.category(character) for character in shown} & {"Cc", "Cf", "Cs", "Zl", "Zp"}


@pytest.mark.parametrize("text", ["a", "lead-voice", "keys-2", "a" * 40, "no", "x1-2-3"])
def test_names_that_are_names(text: str) -> None:
    """Lower-case words joined by single hyphens are names."""
    assert is_name(text)


@pytest.mark.parametrize(
    "text",
    ["", "-a", "a-", "a--b", "A", "1a", "a_b", "a.b", "a/b", "..", "ü", "a b", "a\n", "a" * 41, "a٣"],
)
def test_names_that_are_none(text: str) -> None:
    """Anything that could be a path, an option or another spelling is refused."""
    assert not is_name(text)


def test_the_first_bad_character_is_named() -> None:
    """An unprintable character is named by its code point."""
    assert unprintable("ok\x1b\u202e") == "U+001B"
    assert unprintable("Bühne") == ""
