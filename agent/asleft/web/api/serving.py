"""Serves the operations: who asks, what was asked, the answer, and what becomes of errors."""

import json
import re
from collections.abc import Awaitable, Callable
from typing import Any, Final, TypeVar

from pydantic import BaseModel, ValidationError
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response
from starlette.routing import Route
from starlette.types import ASGIApp, Receive, Scope, Send

from asleft.domain.errors import AsleftError
from asleft.domain.names import harmless
from asleft.web.api.callers import Caller
from asleft.web.api.document import PARTS
from asleft.web.api.operations import Ask, House, Operation, Proof
from asleft.web.api.problems import KINDS, ApiRefused, is_api, kind_of, problem_response, told
from asleft.web.api.proof import proof_asked
from asleft.web.api.table import OPERATIONS
from asleft.web.logged import Logged, note
from asleft.web.numbered import Numbered, gone
from asleft.web.web import Web
from asleft.work.ordering import MayNot

__all__ = ["make_api", "split"]

_JSON: Final = "application/json"
_MOST_TOLD: Final = 5
_Model = TypeVar("_Model", bound=BaseModel)
_PATTERNS: Final = {name: re.compile(f"(?:{pattern[1:-1]})\\Z") for name, (pattern, _, _) in PARTS.items()}
_WORDS: Final = {
    404: "there is no such operation",
    405: "this operation is not asked for by this method",
    408: "what was sent took too long to arrive; nothing was done",
    413: "what was sent is too large; nothing was done",
}


def split(pages: ASGIApp, api: ASGIApp) -> ASGIApp:
    """Give an application that hands to `api` what is for programs, and to `pages` the rest."""

    async def served(scope: Scope, receive: Receive, send: Send) -> None:
        await (api if is_api(scope["path"]) else pages)(scope, receive, send)

    return served


def make_api(web: Web, *, proof: Proof = proof_asked) -> ASGIApp:
    """Make the application for programs. It stands behind the same door as the pages, and takes no cookie.

    Args:
        web: The frame of the pages.
        proof: Says for what a person has to prove a confirmation.
    """
    house = House(web, proof)
    app = Starlette(
        routes=[Route(one.path, _endpoint(house, one), methods=[one.method]) for one in OPERATIONS],
        middleware=[
            Middleware(
                Logged,
                web=web,
                taken="an act of a program was taken",
                refused="a program was refused something",
            ),
            Middleware(Numbered, web=web, event="an operation failed", answer=_failed),
        ],
        exception_handlers={
            HTTPException: _http,
            AsleftError: _asleft(web),
            ClientDisconnect: gone,
        },
    )
    app.router.redirect_slashes = False
    return app


def _endpoint(house: House, one: Operation) -> Callable[[Request], Awaitable[Response]]:
    async def serve(request: Request) -> Response:
        if not one.rights:
            _query(request, one)
            return _answered(await one.work(_nobody(house, request)), one)
        caller = request.state.caller = house.callers.caller(request)
        if not caller.person.rights.intersection(one.rights):
            rights = " or ".join(one.rights)
            raise MayNot(
                f"this token has no right to {rights}",
                todo=f"have one made with --right {one.rights[0]}, by somebody whose person has it",
            )
        ask = Ask(
            house=house,
            caller=caller,
            request=request,
            path=_path(request),
            query=_query(request, one),
            body=await _body(request, one),
        )
        return _answered(await one.work(ask), one)

    return serve


def _nobody(house: House, request: Request) -> Ask:
    """Give what an operation is asked that needs no token."""
    nobody: Any = None
    return Ask(house=house, caller=nobody, request=request)


def _answered(replied: BaseModel | tuple[BaseModel, int], one: Operation) -> Response:
    answer, status = replied if isinstance(replied, tuple) else (replied, one.statuses[0])
    # What is not ASCII is escaped, so that no text of a station reaches a terminal as a command.
    return Response(answer.model_dump_json(ensure_ascii=True), status, media_type=_JSON)


def _path(request: Request) -> dict[str, str]:
    """Give the parts of the address by name; what could be no name is not there."""
    given: dict[str, str] = request.path_params
    for name, text in given.items():
        if len(text) > PARTS[name][1] or not _PATTERNS[name].match(text):
            raise ApiRefused("not-there", f"'{harmless(text, longest=100)}' names no {name}")
    return given


def _query(request: Request, one: Operation) -> BaseModel:
    items = request.query_params.multi_items()
    given = dict(items)
    if len(given) != len(items):
        raise ApiRefused("not-valid", "a name stands there more than once", where="query")
    return _valid("query", lambda: one.query.model_validate(given))


async def _body(request: Request, one: Operation) -> BaseModel | None:
    if one.request is None:
        return None
    if request.headers.getlist("content-type") != [_JSON]:
        raise ApiRefused(
            "not-json", "what is sent is no JSON", where="Content-Type", todo=f"send it as `{_JSON}`"
        )
    raw = await request.body()
    try:
        json.loads(raw.decode("utf-8"), object_pairs_hook=_once, parse_constant=_no_number)
    except (ValueError, RecursionError) as wrong:
        raise ApiRefused(
            "not-readable",
            "what was sent is no JSON document (RFC 8259), or names something in it twice",
            where="body",
            todo="send one JSON object in UTF-8",
        ) from wrong
    model = one.request
    return _valid("body", lambda: model.model_validate_json(raw, strict=True))


def _once(pairs: list[tuple[str, object]]) -> dict[str, object]:
    """Refuse a name that stands in an object twice: readers differ in which one counts (RFC 8259 §4)."""
    made = dict(pairs)
    if len(made) != len(pairs):
        raise ValueError("a name stands there twice")
    return made


def _no_number(text: str) -> object:
    raise ValueError(f"{text} is no number of JSON")


def _valid(place: str, read: Callable[[], _Model]) -> _Model:
    try:
        return read()
    except ValidationError as wrong:
        found = wrong.errors(include_url=False, include_input=False, include_context=False)
        places = [harmless(".".join(map(str, one["loc"])) or place, longest=80) for one in found]
        lines = [f"{at}: {one['msg']}" for at, one in zip(places, found, strict=True)]
        more = f"; and {len(lines) - _MOST_TOLD} more" if len(lines) > _MOST_TOLD else ""
        raise ApiRefused(
            "not-valid",
            "; ".join(lines[:_MOST_TOLD]) + more,
            where=f"{place}: {', '.join(places[:_MOST_TOLD])}",
            todo="GET /api/openapi.json says what is taken",
        ) from wrong


async def _http(_: Request, wrong: Exception) -> Response:
    assert isinstance(wrong, HTTPException)  # noqa: S101 it is registered for this class
    status = wrong.status_code
    kept = {key: value for key, value in (wrong.headers or {}).items() if key.lower() == "allow"}
    return problem_response(status, _WORDS.get(status, "this cannot be done"), headers=kept)


def _asleft(web: Web) -> Callable[[Request, Exception], Awaitable[Response]]:
    async def refused(request: Request, wrong: Exception) -> Response:
        assert isinstance(wrong, AsleftError)  # noqa: S101 it is registered for this class
        kind = kind_of(wrong)
        if kind.status == 422:  # noqa: PLR2004 what it says may be what was sent
            note(request, kind.name)
        elif kind.status != 404:  # noqa: PLR2004 what is not there is said by its path
            note(request, kind.name, what=str(wrong))
        caller: Caller | None = getattr(request.state, "caller", None)
        if caller is None or isinstance(
            wrong, ApiRefused
        ):  # this tells what was sent, and nothing of what lies elsewhere
            return told(wrong, wrong)
        return told(wrong, web.refusal(caller.person, wrong))

    return refused


def _failed(_: Scope, number: str) -> Response:
    return problem_response(
        KINDS["failed"],
        "something went wrong inside the agent; what was asked for may be done, or done in part",
        todo="look before you repeat it; tell who looks after the agent the number",
        number=number,
    )
