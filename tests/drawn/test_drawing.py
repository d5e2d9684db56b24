"""Parts of drawings: lengths as SVG writes them, text harmless and no wider than its place."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asleft.drawn.drawing import cut, number, part, path


@pytest.mark.parametrize(
    "value, written",
    [(0, "0"), (-0.01, "0"), (12, "12"), (12.34, "12.3"), (-3.5, "-3.5"), (1200, "1200"), (0.96, "1")],
)
def test_lengths(value: float, written: str) -> None:
    """A tenth of a unit, and no more digits than are needed (SVG 2 §4.2, number)."""
    assert number(value) == written


def test_parts_hold_names_and_values() -> None:
    """An underscore in a name stands for the hyphen that SVG writes."""
    assert part("text", "soft", x=1.0, text_anchor="end", text="dB").attributes == (
        ("class", "soft"),
        ("x", "1"),
        ("text-anchor", "end"),
    )
    assert path("axis", ["M", 0, 1.5, "H", 10]).attributes == (("class", "axis"), ("d", "M 0 1.5 H 10"))


@pytest.mark.parametrize(
    "text, most, shown",
    [
        ("From drums", 10, "From drums"),
        ("From the lead singer", 9, "From the…"),
        ("低音ギターと鍵盤", 10, "低音ギタ…"),
        ("a\u202eb", 10, "a\\u202eb"),
    ],
)
def test_foreign_text_fits(text: str, most: int, shown: str) -> None:
    """What is too wide is cut with a sign; wide letters count twice (UAX #11), direction marks show as themselves."""
    assert cut(text, most) == shown


@given(st.text(max_size=60), st.integers(2, 30))
def test_never_wider(text: str, most: int) -> None:
    """Whatever the text is, it has no more letters than there is room for."""
    assert len(cut(text, most)) <= most
