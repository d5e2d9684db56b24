"""What pages about one site share: the site that was asked for, the ways to its other pages, and numbers in an address."""

from dataclasses import dataclass
from typing import Final

from starlette.exceptions import HTTPException
from starlette.requests import Request

from asleft.domain.estate import Estate
from asleft.domain.names import harmless
from asleft.domain.site import Site
from asleft.web.frame import Viewer
from asleft.web.refusals import HIDDEN

__all__ = ["WAYS", "Days", "Way", "begun", "days_in", "site_asked", "ways_at"]

WAYS: Final = (
    ("sites", "Stations"),
    ("agenda", "Agenda"),
    ("addresses", "Addresses"),
    ("patch", "Patch"),
    ("hearing", "Hearing"),
)
"""The pages about one site, each with its name."""
_DIGITS: Final = 6


@dataclass(frozen=True, slots=True)
class Way:
    """A way to another page about the same site."""

    path: str
    words: str
    here: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class Days:
    """How many days were asked for.

    Args:
        value: The number that is used.
        typed: What stands in the field.
        wrong: What is wrong with what was typed, in words; empty where nothing is.
        most: The highest number.
    """

    value: int
    typed: str
    wrong: str
    most: int


def site_asked(request: Request, viewer: Viewer, estate: Estate) -> Site:
    """Give the site that a page is about.

    Raises:
        HTTPException: 404: there is none, or the viewer may not look at it; which of the two is not told.
    """
    name = str(request.path_params["site"])
    site = estate.sites.get(name)
    if site is None or not viewer.sees(name):
        raise HTTPException(404, HIDDEN if site else None)
    return site


def begun(text: str) -> str:
    """Give a text as a sentence begins; the rest of it stays as it is, for units have capitals of their own."""
    return text[:1].upper() + text[1:]


def ways_at(site: str, here: str) -> tuple[Way, ...]:
    """Give the ways to all pages about a site; `here` is the first part of the path of the one that is shown."""
    return tuple(Way(f"/{page}/{site}", words, page == here) for page, words in WAYS)


def days_in(request: Request, *, usual: int, most: int) -> Days:
    """Read how many days are asked for in an address, as `?days=14`.

    Args:
        request: The request.
        usual: How many where none are named, or what is named is no number of days.
        most: At most so many.
    """
    typed = request.query_params.get("days", "").strip()
    if not typed:
        return Days(value=usual, typed=str(usual), wrong="", most=most)
    if typed.isascii() and typed.isdecimal() and len(typed) <= _DIGITS and 1 <= int(typed) <= most:
        return Days(value=int(typed), typed=typed, wrong="", most=most)
    shown = harmless(typed, longest=20)
    wrong = f"“{shown}” is not a whole number from 1 to {most}; shown are {usual} days."
    return Days(value=usual, typed=typed[:40], wrong=wrong, most=most)
