"""Templates of papers, and the looks that go into them; the one module here that knows Jinja2. Everything is escaped."""

from functools import cache
from importlib.resources import files
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape

from asleft.domain.names import harmless
from asleft.papers.choices import Sheet
from asleft.papers.paper import Frame

__all__ = ["render"]

_SIZES = {Sheet.A4: "210mm 297mm", Sheet.LETTER: "8.5in 11in"}
"""ISO 216, and ANSI/ASME Y14.1 size A."""


def render(template: str, frame: Frame, **values: Any) -> str:
    """Give a paper as one page of HTML that carries its look in itself.

    Args:
        template: Name of template and look, as `handover`.
        frame: What stands on every page.
        **values: What the template shows.
    """
    standing = _SIZES[frame.sheet]
    lying = " ".join(reversed(standing.split(" ")))
    sizes = f"@page {{ size: {standing}; }}\n@page lying {{ size: {lying}; }}\n"
    looks = Markup(sizes + _look("paper") + _look(template))  # noqa: S704 nothing but our own files
    return _environment().get_template(f"{template}.html").render(frame=frame, looks=looks, **values)


@cache
def _environment() -> Environment:
    made = Environment(
        loader=PackageLoader("asleft.papers", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["text"] = _text
    made.globals["look_of"] = lambda name: Markup(_look(name))  # noqa: S704 our own files
    return made


def _text(value: object, longest: int = 400) -> Markup:
    """Show foreign text as harmless, and keep its direction from reaching beyond it (UAX #9; HTML §4.5.23 bdi)."""
    said = harmless(str(value), longest=longest)
    # ASCII runs in one direction; thousands of elements less are a fifth of the time that a large site's PDF takes.
    return escape(said) if said.isascii() else Markup("<bdi>{}</bdi>").format(said)


def _look(name: str) -> str:
    return files("asleft.papers").joinpath("looks", f"{name}.css").read_text("utf-8")
