"""Plots: what is drawn where, against reference libraries, and that no word of a stranger becomes markup."""

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from xml.etree import ElementTree as ET

import pytest
from scipy.stats import binomtest  # type: ignore[import-untyped]  # scipy comes without types

from asleft.domain.statistics import wilson
from asleft.drawn.drawing import Drawing, Part
from asleft.drawn.plots import (
    Level,
    Slot,
    bars_by_class,
    bars_over_time,
    pairs_by_week,
    shares,
    shares_by_week,
)
from asleft.web.showing import Showing

NOON = datetime(2026, 6, 10, 12, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)


def slots(*values: float | None) -> list[Slot]:
    """Give a piece of an hour for each value."""
    return [Slot(NOON + at * HOUR, NOON + (at + 1) * HOUR, value) for at, value in enumerate(values)]


def over_time(*values: float | None, level: Level | None = None) -> Drawing:
    """Draw them."""
    return bars_over_time(
        slots(*values), zone="Europe/Berlin", title="t", about="a", unit="alarms an hour", level=level
    )


def of_kind(drawing: Drawing, kind: str) -> list[Mapping[str, str]]:
    """Give the attributes of the parts of a kind."""
    attributes = [dict(one.attributes) for one in drawing.parts]
    return [one for one in attributes if kind in one.get("class", "").split()]


def test_a_broad_bar_is_an_outline() -> None:
    """What would be a black block is drawn as a frame; bars that are narrow stay black."""
    assert len(of_kind(over_time(24), "broad")) == 1
    assert not of_kind(over_time(*range(1, 25)), "broad")


def texts(drawing: Drawing) -> list[str]:
    """Give all words in a drawing."""
    return [one.text for one in drawing.parts if one.tag == "text"]


def written(drawing: Drawing) -> ET.Element:
    """Have the template write a drawing out, and read it as XML."""
    made = Showing(lambda name: name)._environment
    text = made.from_string('{% from "drawn.html" import drawn %}{{ drawn("x", drawing) }}').render(
        drawing=drawing
    )
    return ET.fromstring(text)  # noqa: S314 our own


def test_bars_are_as_high_as_their_values() -> None:
    """Half the value is half the height; nought is no bar."""
    whole, half = of_kind(over_time(4, 2, 0), "fill")
    assert float(half["height"]) == pytest.approx(float(whole["height"]) / 2, abs=0.1)
    assert float(whole["x"]) + float(whole["width"]) < float(half["x"])


def test_the_smallest_value_is_seen() -> None:
    """One thousandth of the highest has a bar all the same."""
    _, small = of_kind(over_time(1000, 1), "fill")
    assert float(small["height"]) >= 1


def test_no_data_is_not_nought() -> None:
    """A dashed frame and a question mark: unknown is not normal."""
    drawing = over_time(None, 0)
    assert len(of_kind(drawing, "unknown")) == 1
    assert texts(drawing).count("?") == 1
    assert not of_kind(drawing, "fill")


def test_axes_tell_units_and_the_zone() -> None:
    """Both axes say what stands on them."""
    said = texts(over_time(1, 2))
    assert "alarms an hour" in said
    assert "time (Europe/Berlin)" in said
    assert "15:00" in said


def test_a_level_is_drawn_dashed_where_it_is_near() -> None:
    """The target stands as a line across, with its words; the bars stay in proportion to it."""
    drawing = over_time(6, level=Level(12.0, "at most 12"))
    assert len(of_kind(drawing, "level")) == 1
    assert "at most 12" in texts(drawing)
    (bar,) = of_kind(drawing, "fill")
    y = float(of_kind(drawing, "level")[0]["d"].split()[2])
    base = float(bar["y"]) + float(bar["height"])
    assert (base - y) == pytest.approx(2 * float(bar["height"]), abs=0.2)


def test_a_level_far_above_is_told() -> None:
    """Where it would press the bars flat it is said and not drawn."""
    drawing = over_time(0.1, level=Level(12.0, "at most 12"))
    assert not of_kind(drawing, "level")
    assert "at most 12: above this plot" in texts(drawing)


def test_classes_say_their_counts() -> None:
    """Each bar has its count above it; an empty class has none."""
    drawing = bars_by_class(
        [("<1 min", 3), ("longer", 0)], title="t", about="a", unit="alarms", along="time taken"
    )
    assert texts(drawing).count("3") == 2  # above the bar and on the axis
    assert len(of_kind(drawing, "fill")) == 1
    assert {"<1 min", "longer", "alarms", "time taken"} <= set(texts(drawing))


@pytest.mark.parametrize("part, of", [(0, 5), (7, 10), (6, 6), (45, 50)])
def test_intervals_stand_where_scipy_says(part: int, of: int) -> None:
    """The line reaches from the low to the high end of the Wilson interval, as SciPy computes it."""
    (line,) = of_kind(shares([("Hall", wilson(part, of))], title="t", about="a", unit="%"), "stroke")
    steps = line["d"].split()
    interval = binomtest(part, of).proportion_ci(method="wilson")
    assert float(steps[1]) == pytest.approx(14 + 332 * interval.low, abs=0.1)
    assert float(steps[4]) == pytest.approx(14 + 332 * interval.high, abs=0.1)


def test_nothing_read_has_no_share() -> None:
    """A site of which nothing was read says so, with a question mark, and has no diamond."""
    drawing = shares([("Hall", None)], title="t", about="a", unit="%")
    assert "? no station was read" in texts(drawing)
    assert not of_kind(drawing, "fill")


def test_weeks_stand_side_by_side_with_the_interval_of_scipy() -> None:
    """The upright line reaches from its lower to its upper end; a week without data is a frame, never nought."""
    weeks = [("5 Jan", wilson(3, 9)), ("12 Jan", None), ("19 Jan", wilson(9, 9))]
    made = shares_by_week(weeks, title="t", about="a", unit="share as left, %")
    first, last = of_kind(made, "stroke")
    for line, (part, of) in ((first, (3, 9)), (last, (9, 9))):
        _, _, low, _, high, *_ = line["d"].split()
        reach = binomtest(part, of).proportion_ci(method="wilson")
        assert (float(low), float(high)) == pytest.approx(
            (184 - 156 * reach.low, 184 - 156 * reach.high), abs=0.06
        )
    (frame,) = of_kind(made, "unknown")
    assert float(frame["x"]) > float(first["d"].split()[1])
    assert "?" in texts(made)
    assert {"5 Jan", "12 Jan", "19 Jan", "share as left, %", "0", "100"} <= {*texts(made)}


def test_a_year_of_weeks_names_a_few_of_them() -> None:
    """All are drawn, none beyond the edge, and no more are named than fit."""
    made = shares_by_week([(f"w{at}", wilson(1, 2)) for at in range(53)], title="t", about="a", unit="u")
    assert len(of_kind(made, "fill")) == 53
    assert 3 <= len([text for text in texts(made) if text.startswith("w") and text != "week from"]) <= 6
    assert all(40 <= float(one["d"].split()[1]) <= 352 for one in of_kind(made, "stroke"))


def test_pairs_are_told_apart_without_colour() -> None:
    """Black for the first and white for the second, as high as their counts; what is nought is not drawn."""
    made = pairs_by_week(
        [("5 Jan", 4, 1), ("12 Jan", 0, 2)], ("found", "restored"), title="t", about="a", unit="drifts"
    )
    (found,) = [one for one in of_kind(made, "fill") if float(one["y"]) < 184]
    restored = [one for one in of_kind(made, "box") if float(one["y"]) < 184]
    assert float(found["height"]) == pytest.approx(156, abs=0.1)
    assert [float(one["height"]) for one in restored] == pytest.approx([39, 78], abs=0.1)
    assert float(restored[0]["x"]) == pytest.approx(float(found["x"]) + float(found["width"]), abs=0.1)
    assert {"found", "restored", "drifts"} <= {*texts(made)}
    assert float(of_kind(made, "box")[-1]["y"]) + 11 <= made.height


def test_hostile_names_stay_text() -> None:
    """Markup in a site's name, a title or a class is written as letters; the SVG stays well-formed, and inline style is none."""
    hostile = '</text><script>alert(1)</script>" onload="x\u202e\x1b'
    drawing = shares(
        [(hostile, wilson(1, 2))], title=hostile, about=hostile, unit=hostile.replace("\x1b", "")
    )
    safe = Drawing(
        width=drawing.width,
        height=drawing.height,
        title="t",
        about="<b>",
        parts=(*drawing.parts, Part(tag="path", attributes=(("d", '"><script/>'),), title="<script>")),
    )
    root = written(safe)
    tags = {one.tag for one in root.iter()}
    assert tags == {"svg", "title", "desc", "path", "text"}
    assert not any(name.startswith("on") or name == "style" for one in root.iter() for name in one.attrib)
    assert root.find("desc") is not None


def test_a_drawing_names_itself() -> None:
    """Title and description are tied to it (WAI-ARIA 1.2, img; SVG 2 §5.8)."""
    root = written(over_time(1))
    named = root.attrib["aria-labelledby"].split()
    ids = {one.attrib.get("id") for one in root.iter()}
    assert set(named) <= ids
    assert root.attrib["role"] == "img"
