"""The one door to segno: texts as QR codes (ISO/IEC 18004), as one path of an SVG."""

from dataclasses import dataclass

from asleft.papers.needs import needing

__all__ = ["Code", "code_of"]

QUIET = 4
"""Modules that stay white around a QR code (ISO/IEC 18004 section 6.3.8)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Code:
    """A QR code to be drawn.

    Args:
        size: Its width and height in modules, the quiet zone included.
        way: The black modules as an SVG path, a stroke of one unit's height for each run of them.
        text: What it says.
    """

    size: int
    way: str
    text: str


def code_of(text: str) -> Code:
    """Draw a text as a QR code; it stays readable with 15 % of it worn off (level M).

    Raises:
        NotInstalled: segno is not there.
    """
    with needing("segno"):
        import segno  # noqa: PLC0415 papers are an extra
    matrix = segno.make_qr(text, error="m", boost_error=False).matrix
    way: list[str] = []
    for row, modules in enumerate(matrix):
        at = 0
        while at < len(modules):
            run = at
            while run < len(modules) and modules[run]:
                run += 1
            if run > at:
                way.append(f"M{at + QUIET} {row + QUIET}h{run - at}v1h-{run - at}z")
            at = run + 1
    return Code(size=len(matrix) + 2 * QUIET, way="".join(way), text=text)
