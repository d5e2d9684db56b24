"""A program that asks the page over a real socket, with a token of a person; every answer is held against the document."""

import re
from collections.abc import AsyncIterator, Collection
from contextlib import asynccontextmanager
from datetime import timedelta
from typing import Any

import httpx
from jsonschema import Draft202012Validator, FormatChecker

from asleft.daemon.agent.pages import PagesAt, serving_pages
from asleft.daemon.settings.listen import parse_listen
from asleft.domain.accounts import Whence
from asleft.domain.people import Right
from asleft.web.api.document import document
from estates import WREN
from web.page import Page

__all__ = ["ALL", "a_program", "a_server", "a_token", "problem"]

ALL = tuple(Right)
FROM = Whence("command line")


def a_token(
    page: Page,
    key: str = WREN,
    rights: Collection[Right] = (),
    *,
    name: str = "a program",
    lasting: timedelta = timedelta(days=30),
) -> str:
    """Make a token for somebody; with all of their rights where none are named."""
    page.accounts.make_link(key, FROM, by="a test")
    theirs = page.desk.in_force().estate.people[key].rights
    return page.accounts.tokens.make(key, name, rights or theirs, lasting=lasting, whence=FROM).text


@asynccontextmanager
async def a_server(page: Page) -> AsyncIterator[str]:
    """Serve the page as the agent does; gives its URL."""
    at = parse_listen("127.0.0.1:0")
    assert at is not None
    where = PagesAt(at=at, certificate=None, key=None, proxy=None, url="")
    async with serving_pages(page.app, where, page.parts.live, page.parts.gathered) as url:
        yield url


@asynccontextmanager
async def a_program(
    page: Page, key: str = WREN, rights: Collection[Right] = (), *, token: str = ""
) -> AsyncIterator[httpx.AsyncClient]:
    """Give a program that has a token of somebody, and a server to ask."""
    token = token or a_token(page, key, rights)
    headers = {"Authorization": f"Bearer {token}"}
    async with (
        a_server(page) as url,
        httpx.AsyncClient(
            base_url=url, headers=headers, timeout=30, event_hooks={"response": [as_declared]}
        ) as client,
    ):
        yield client


async def as_declared(answer: httpx.Response) -> None:
    """See that an answer of an operation is one that the document declares: status, type and shape."""
    made = document()
    path, method = answer.request.url.path, answer.request.method.lower()
    known = [one for one, some in made["paths"].items() if method in some and _fits(one, path)]
    if not known:
        return
    await answer.aread()
    responses = made["paths"][known[0]][method]["responses"]
    assert str(answer.status_code) in responses, (path, answer.text)
    told = responses[str(answer.status_code)]
    if "$ref" in told:
        told = made["components"]["responses"][told["$ref"].rpartition("/")[2]]
    ((kind, content),) = told["content"].items()
    assert answer.headers["content-type"] == kind
    schema = {**content["schema"], "components": made["components"]}
    Draft202012Validator(schema, format_checker=FormatChecker()).validate(answer.json())


def _fits(template: str, path: str) -> bool:
    return re.fullmatch(re.sub(r"\{[a-z]+\}", "[^/]+", template), path) is not None


def problem(answer: httpx.Response, status: int, kind: str) -> dict[str, Any]:
    """See that an answer is a problem of a kind (RFC 9457 §3), and give it."""
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.headers["cache-control"] == "no-store"
    told: dict[str, Any] = answer.json()
    assert told["type"] == f"/api/problems/{kind}"
    assert told["status"] == status
    assert told["title"]
    assert told["detail"]
    return told
