"""What goes wrong, told as problem details (RFC 9457): one table of kinds, and which error of the work is of which kind."""

import json
import re
from dataclasses import dataclass
from math import ceil
from typing import Final

from starlette.responses import Response

from asleft.domain.errors import AsleftError
from asleft.web.api.shapes import Problem
from asleft.web.errands import Failed, Stopping
from asleft.work.accounts.refusals import NoToken, NotThroughProxy, TooBusy, TooManyTries
from asleft.work.ordering import MayNot, NoOrder, NoStation

__all__ = [
    "KINDS",
    "PROBLEM_JSON",
    "ApiRefused",
    "Kind",
    "for_programs",
    "is_api",
    "kind_of",
    "problem_response",
    "told",
    "word_of",
]

PROBLEM_JSON: Final = "application/problem+json"


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of problem: its name in the address, its HTTP status, and its title."""

    name: str
    status: int
    title: str


KINDS: Final = {
    kind.name: kind
    for kind in (
        Kind("not-readable", 400, "The request cannot be read"),
        Kind("no-token", 401, "No token that counts"),
        Kind("may-not", 403, "Not allowed"),
        Kind("proof-needed", 403, "A person has to prove it at the page"),
        Kind("not-there", 404, "Nothing there"),
        Kind("no-method", 405, "Not by this method"),
        Kind("too-slow", 408, "Too slow"),
        Kind("not-now", 409, "This cannot be done"),
        Kind("too-large", 413, "Too large"),
        Kind("not-json", 415, "No JSON"),
        Kind("no-host", 421, "No such host here"),
        Kind("not-valid", 422, "Not as it should be"),
        Kind("too-many-tries", 429, "Too many wrong tokens"),
        Kind("head-too-large", 431, "Too much of a head"),
        Kind("failed", 500, "The agent failed"),
        Kind("busy", 503, "Busy"),
    )
}
_BY_STATUS: Final = {kind.status: kind for kind in reversed(KINDS.values())}
_ERRORS: Final[tuple[tuple[type[AsleftError], str], ...]] = (
    (NoToken, "no-token"),
    (MayNot, "may-not"),
    (NotThroughProxy, "may-not"),
    (NoStation, "not-there"),
    (NoOrder, "not-there"),
    (TooManyTries, "too-many-tries"),
    (TooBusy, "busy"),
    (Stopping, "busy"),
    (Failed, "failed"),
)
_ACCEPT: Final = " --accept "
_LOOKS: Final = ("alarms", "lent", "orders", "proposals")
_ACTS: Final = (
    *("adopt", "clear-errors", "concede", "confirm", "enrol", "exchange", "give-back", "in-service"),
    *("lend", "looked-at", "out-of-service", "restore", "set-up", "shelve", "stop", "undo", "unshelve"),
    "withdraw",
)
"""Commands that have an operation of their name."""
_NAME: Final = "[a-z][a-z0-9-]*"
_COMMAND: Final = re.compile(
    rf"asleft (?P<verb>{'|'.join((*_LOOKS, *_ACTS))})(?![a-z0-9-])"
    rf"(?: (?:SITE/STATION|(?P<about>{_NAME}/{_NAME}(?: [a-z0-9-]+(?:\.[a-z0-9-]+)+)?|g?[0-9a-f]{{9,10}})))?"
    r"(?: --serial \S+)?"
)
_SIGNED: Final = re.compile(r"asleft orders (\S+) --canonical > .*--signature \S+")
_OPTION: Final = re.compile(r"--(layer|gone|cannot-wait|from|to)(?![a-z-])(?: REASON)?")


class ApiRefused(AsleftError):
    """A request is not as it should be, or asks for what is not there; nothing was done.

    Args:
        kind: Name of the kind of problem.
        what: What is wrong.
        where: Which field or name.
        todo: What to do.
        headers: What goes out beside it.
    """

    def __init__(
        self, kind: str, what: str, *, where: str = "", todo: str = "", headers: dict[str, str] | None = None
    ) -> None:
        super().__init__(what, where=where, todo=todo)
        self.kind = KINDS[kind]
        self.headers = headers or {}


def is_api(path: str) -> bool:
    """Tell whether an address is one for programs."""
    return path == "/api" or path.startswith("/api/")


def kind_of(wrong: AsleftError) -> Kind:
    """Give of which kind an error is; what the work says of a state of things is no fault of the request."""
    if isinstance(wrong, ApiRefused):
        return wrong.kind
    return KINDS[next((name for one, name in _ERRORS if isinstance(wrong, one)), "not-now")]


def word_of(status: int) -> str:
    """Give the name of the kind that a status stands for first, for the log."""
    return _BY_STATUS.get(status, KINDS["not-now"]).name


def told(wrong: AsleftError, seen: AsleftError) -> Response:
    """Tell an error.

    Args:
        wrong: The error, which says of which kind it is.
        seen: The same in words that may be told to who asks.
    """
    kind = kind_of(wrong)
    headers = dict(wrong.headers) if isinstance(wrong, ApiRefused) else {}
    if isinstance(wrong, TooManyTries):
        headers["Retry-After"] = str(max(1, ceil(wrong.wait.total_seconds())))
    elif kind.status == 503:  # noqa: PLR2004 the status of busy
        headers["Retry-After"] = "1"
    if isinstance(wrong, NoToken):
        headers["WWW-Authenticate"] = 'Bearer realm="asleft", error="invalid_token"'  # RFC 6750 §3
    # Where it happened may be a path of this computer, which is for the log.
    where = "" if seen.where.startswith("/") and not isinstance(wrong, ApiRefused) else seen.where
    return problem_response(kind, seen.what, where=where, todo=for_programs(seen.todo), headers=headers)


def problem_response(
    kind: Kind | int,
    what: str,
    *,
    where: str = "",
    todo: str = "",
    number: str = "",
    headers: dict[str, str] | None = None,
) -> Response:
    """Tell what is wrong."""
    kind = kind if isinstance(kind, Kind) else _BY_STATUS.get(kind, KINDS["not-now"])
    problem = Problem(
        type=f"/api/problems/{kind.name}",
        title=kind.title,
        status=kind.status,
        detail=what,
        where=where or None,
        todo=todo or None,
        number=number or None,
    )
    body = json.dumps(problem.model_dump(mode="json", exclude_none=True)).encode()
    return Response(body, kind.status, headers, media_type=PROBLEM_JSON)


def for_programs(todo: str) -> str:
    """Say by operations and fields here what a sentence of the work says by commands and options.

    A command that has no operation stays: it is for who looks after the agent, and so is what it says.
    """
    before, found, hazards = todo.partition(_ACCEPT)
    if found:
        return f"{before.rstrip(':')}, name them in `accept`: {', '.join(hazards.split(_ACCEPT))}"
    signed = _SIGNED.sub(
        r"sign `canonical` of GET /api/orders/\1 (RFC 8785), and send that as `signature`", todo
    )
    named = _COMMAND.sub(_operation, signed)
    return _OPTION.sub(r"`\1`", named.replace("--for", "`seconds`"))


def _operation(command: re.Match[str]) -> str:
    verb, about = command["verb"], command["about"]
    method = "GET" if verb in _LOOKS else "POST"
    return f"{method} /api/{verb}{f' for {about}' if about else ''}"
