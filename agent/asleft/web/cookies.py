"""Cookies: the session's, the visit's before signing in, and the look that a person chose.

Over TLS each has the prefix `__Host-` (RFC 6265bis §4.1.3.2; ASVS 3.3.1, 3.3.3): no other host and no page without TLS can
set it. Over plain HTTP, which is for loopback only, browsers refuse that prefix and the names go without it.
"""

from typing import Final

from starlette.requests import Request
from starlette.responses import Response

__all__ = ["LOOK", "SESSION", "VISIT", "drop_cookie", "get_cookie", "set_cookie"]

SESSION: Final = "asleft"
VISIT: Final = "asleft-visit"
"""Random text that forms are tied to before anybody is signed in."""
LOOK: Final = "asleft-look"
_LONGEST: Final = 200


def _name(name: str, *, tls: bool) -> str:
    return f"__Host-{name}" if tls else name


def get_cookie(request: Request, name: str, *, tls: bool) -> str:
    """Give a cookie; empty where there is none, or one that is longer than any of ours."""
    value = request.cookies.get(_name(name, tls=tls), "")
    return value if len(value) <= _LONGEST else ""


def set_cookie(response: Response, name: str, value: str, *, tls: bool, seconds: int | None = None) -> None:
    """Set a cookie; until the browser is closed where no time is named (ASVS 3.3.2, 3.3.4)."""
    response.set_cookie(
        _name(name, tls=tls), value, max_age=seconds, path="/", secure=tls, httponly=True, samesite="strict"
    )


def drop_cookie(response: Response, name: str, *, tls: bool) -> None:
    """Have a cookie forgotten."""
    response.delete_cookie(_name(name, tls=tls), path="/", secure=tls, httponly=True, samesite="strict")
