"""What the page refuses, with the status that goes with it."""

from collections.abc import Mapping
from typing import Final
from urllib.parse import urlsplit

from starlette.requests import Request

from asleft.domain.errors import AsleftError

__all__ = ["HIDDEN", "FormRefused", "SignInFirst", "page_asked"]

HIDDEN: Final = "hidden"
"""What the log says of a page that is there and may not be seen; who asked for it is told that there is none."""


class SignInFirst(AsleftError):
    """Nobody is signed in here, or the session has ended.

    Args:
        to: Path to which signing in leads back.
    """

    def __init__(self, to: str) -> None:
        super().__init__("nobody is signed in here", todo="sign in")
        self.to = to


def page_asked(request: Request) -> str:
    """Give the path and query of the page that somebody is on: what was asked for, or where the form was that was sent."""
    if request.method in {"GET", "HEAD"}:
        at = request.url.components
    else:
        try:
            at = urlsplit(request.headers.get("referer", ""))
        except ValueError:
            return "/"
    return f"{at.path}?{at.query}" if at.query else at.path


class FormRefused(AsleftError):
    """A form did not come from a page of this session, or is none; nothing was done.

    Args:
        what: What is wrong.
        why: The same in a word, for the log.
        todo: What to do.
        about: What else the log is told.
    """

    def __init__(self, what: str, *, why: str, todo: str, about: Mapping[str, object] | None = None) -> None:
        super().__init__(what, todo=todo)
        self.why = why
        self.about = about or {}
