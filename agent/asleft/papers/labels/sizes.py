"""Sheets of labels, by their measures in millimetres."""

import re
from dataclasses import dataclass
from typing import Final

from asleft.domain.errors import AsleftError
from asleft.domain.names import harmless
from asleft.papers.choices import Sheet

__all__ = ["KNOWN", "NoLabelSheet", "Place", "Sizes", "read_sizes"]

_PAGES: Final = {Sheet.A4: (210.0, 297.0), Sheet.LETTER: (215.9, 279.4)}
"""Width and height: ISO 216, and 8.5 by 11 inches."""
_NUMBER = r"([0-9]{1,3}(?:\.[0-9]{1,2})?)"
_FORM: Final = re.compile(rf"{_NUMBER}[x\u00d7]{_NUMBER}((?:\+{_NUMBER}){{0,4}})\Z")
_SMALLEST: Final = (30.0, 15.0)
"""A label that is smaller cannot be read."""
_HAIR: Final = 1e-6


class NoLabelSheet(AsleftError):
    """No sheet of labels is like that."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where a label lies on its page: its upper left corner, in millimetres."""

    x: float
    y: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Sizes:
    """A sheet of labels; all lengths in millimetres.

    Args:
        width: Of one label.
        height: Of one label.
        columns: Labels beside each other.
        rows: Labels above each other.
        left: From the page's left edge to the first label.
        top: From the page's upper edge to the first label.
        across: Gap between labels that lie beside each other.
        down: Gap between labels that lie above each other.
        paper: The page.
    """

    width: float
    height: float
    columns: int
    rows: int
    left: float
    top: float
    across: float = 0.0
    down: float = 0.0
    paper: Sheet = Sheet.A4

    def __str__(self) -> str:
        return f"{self.columns} x {self.rows} of {self.width:g} x {self.height:g} mm on {self.paper}"

    @property
    def count(self) -> int:
        """How many labels one page has."""
        return self.columns * self.rows

    def place(self, at: int) -> Place:
        """Give where a label of a page lies, counted from 0 along its rows."""
        row, column = divmod(at, self.columns)
        return Place(
            self.left + column * (self.width + self.across), self.top + row * (self.height + self.down)
        )


# Measures that sheets of labels are sold in (common practice, no source).
KNOWN: Final = {
    "70x37": Sizes(width=70, height=37, columns=3, rows=8, left=0, top=0.5),
    "99.1x38.1": Sizes(width=99.1, height=38.1, columns=2, rows=7, left=4.65, top=15.15, across=2.5),
    "66.7x25.4": Sizes(
        width=66.7, height=25.4, columns=3, rows=10, left=4.8, top=12.7, across=3.1, paper=Sheet.LETTER
    ),
}
"""Sheets of which the measures of one label are enough."""


def read_sizes(text: str, paper: Sheet | None) -> Sizes:
    """Read the measures of a sheet of labels: `70x37`, or with margins left and top and gaps `60x30+10+15+2+0`.

    As many labels as fit are on a page. Without margins they stand in its middle.

    Args:
        text: The measures in millimetres.
        paper: The page; None for the one that such sheets usually are, A4 where that is not known.

    Raises:
        NoLabelSheet: The text is none, or no label of that size fits.
    """
    found = _FORM.match(text.strip().replace(" ", ""))
    if found is None:
        raise NoLabelSheet(
            f"'{harmless(text)}' is no sheet of labels",
            todo=f"write width x height in mm, as {', '.join(KNOWN)}, and margins and gaps as 60x30+LEFT+TOP+ACROSS+DOWN",
        )
    width, height = float(found[1]), float(found[2])
    more = [float(one) for one in found[3].split("+")[1:]]
    known = KNOWN.get(f"{width:g}x{height:g}")
    if known is not None and not more and paper in {None, known.paper}:
        return known
    page = paper or (known.paper if known else Sheet.A4)
    left, top, across, down = (*more, *(0.0,) * (4 - len(more)))
    wide, high = _PAGES[page]
    columns, rows = _fit(wide - left, width, across), _fit(high - top, height, down)
    if width < _SMALLEST[0] or height < _SMALLEST[1] or not columns or not rows:
        raise NoLabelSheet(
            f"no label of {width:g} x {height:g} mm fits on {page} so that it can be read",
            todo=f"name one of at least {_SMALLEST[0]:g} x {_SMALLEST[1]:g} mm that fits the page with its margins",
        )
    if not more:
        left, top = (wide - columns * width) / 2, (high - rows * height) / 2
    return Sizes(
        width=width,
        height=height,
        columns=columns,
        rows=rows,
        left=left,
        top=top,
        across=across,
        down=down,
        paper=page,
    )


def _fit(room: float, size: float, gap: float) -> int:
    return max(0, int((room + gap) / (size + gap) + _HAIR)) if size else 0
