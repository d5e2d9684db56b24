"""What every request for programs must pass, and problem details wherever one is turned away (RFC 9457)."""

import json
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from asleft.web.api.table import OPERATIONS
from asleft.web.door import CSP, MOST_BODY
from asleft.work.desk import OwnerDesk
from stage import DRUMS
from web.api.program import a_program, problem
from web.page import Page, a_page


@pytest.fixture
def page(tmp_path: Path) -> Iterator[Page]:
    """Give a page at which nothing happened."""
    with a_page(tmp_path) as made:
        yield made


async def test_every_answer_is_dressed(page: Page) -> None:
    """As the pages: no-store, nosniff, a policy; and no cookie is ever set."""
    async with a_program(page) as program:
        for path in ("/api/me", "/api/nothing", "/api/openapi.json", "/api/now?x=1"):
            headers = (await program.get(path)).headers
            assert headers["cache-control"] == "no-store"
            assert headers["x-content-type-options"] == "nosniff"
            assert headers["content-security-policy"] == CSP
            assert "set-cookie" not in headers
            assert "access-control-allow-origin" not in headers


async def test_only_its_own_names_are_served(page: Page) -> None:
    """A page of another site that makes a browser come here asks for another name."""
    async with a_program(page) as program:
        problem(await program.get("/api/me", headers={"Host": "elsewhere.example"}), 421, "no-host")


async def test_methods(page: Page) -> None:
    """405 says by which it is asked for (RFC 9110 §15.5.6), by the operation and not in general."""
    async with a_program(page) as program:
        for one in OPERATIONS:
            path = one.path.replace("{site}/{station}", DRUMS).replace("{site}", "quillfen-hall")
            path = path.replace("{setting}", "panel.menus").replace("{order}", "0123456789")
            path = path.replace("{commit}", "0" * 40)
            for method in ("GET", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"):
                if method != one.method:
                    answer = await program.request(method, path)
                    problem(answer, 405, "no-method")
                    assert one.method in answer.headers["allow"].split(", ")
                    assert ("POST" in answer.headers["allow"]) == (one.method == "POST")


@pytest.mark.parametrize(
    "kind",
    [
        None,
        "text/plain",
        "application/x-www-form-urlencoded",
        "application/json; charset=utf-8",
        "application/JSON",
        "application/problem+json",
    ],
)
async def test_only_json_is_taken(page: Page, kind: str | None) -> None:
    """What a form of another site could send is none."""
    async with a_program(page) as program:
        headers = {} if kind is None else {"Content-Type": kind}
        body = json.dumps({"name": DRUMS}).encode()
        answer = await program.post("/api/acknowledge", content=body, headers=headers)
    problem(answer, 415, "not-json")


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"{",
        b"null and more",
        b'{"name": "a", "name": "b"}',
        b'{"name": NaN}',
        b'{"name": Infinity}',
        b'\xef\xbb\xbf{"name": "a"}',
        b'{"name": "\xff"}',
        b"[" * 100_000,
        b"1" * 5_000,
        json.dumps({"name": "a"}).encode("utf-16"),
    ],
)
async def test_what_is_no_json_document(page: Page, body: bytes) -> None:
    """RFC 8259: also a name twice, a number that is none, a mark at the front, another encoding, and great depth."""
    async with a_program(page) as program:
        answer = await program.post(
            "/api/acknowledge", content=body, headers={"Content-Type": "application/json"}
        )
    problem(answer, 400, "not-readable")


@pytest.mark.parametrize(
    "body", [b"null", b"[]", b'"text"', b"5", b'{"name": "\\ud800"}', b'{"\\u202e": 1}', b'{"name": null}']
)
async def test_what_is_another_document(page: Page, body: bytes) -> None:
    """It is JSON, and not what is asked for; a strange name comes back quoted."""
    async with a_program(page) as program:
        answer = await program.post(
            "/api/acknowledge", content=body, headers={"Content-Type": "application/json"}
        )
    told = answer.json()
    assert answer.status_code in {400, 422}, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    assert "\u202e" not in json.dumps(told, ensure_ascii=False)


async def test_no_body_is_larger_than_a_form(page: Page) -> None:
    """Whether its length is told or not."""

    async def bits() -> object:
        for _ in range(MOST_BODY // 1024 + 1):
            yield b" " * 1024

    async with a_program(page) as program:
        headers = {"Content-Type": "application/json"}
        told = await program.post("/api/acknowledge", content=b" " * (MOST_BODY + 1), headers=headers)
        problem(told, 413, "too-large")
        untold = await program.post("/api/acknowledge", content=bits(), headers=headers)  # type: ignore[arg-type]
        problem(untold, 413, "too-large")


async def test_no_head_is_larger_than_the_pages_take(page: Page) -> None:
    """431 of the door, before anything else is looked at."""
    async with page.client() as client:
        problem(await client.get("/api/me", headers={"X-Long": "x" * 17_000}), 431, "head-too-large")


async def test_a_failure_is_told_by_a_number(page: Page, monkeypatch: pytest.MonkeyPatch) -> None:
    """ASVS 16.5.1: what failed stands in the log alone."""

    def fail(_: OwnerDesk) -> None:
        raise RuntimeError("a secret of the house")

    monkeypatch.setattr(OwnerDesk, "alarms", fail)
    async with a_program(page) as program:
        answer = await program.get("/api/alarms")
    told = problem(answer, 500, "failed")
    assert "secret" not in answer.text
    (line,) = [one for one in page.log.lines if one[0] == "error"]
    assert line[2]["reference"] == told["number"]
    assert "a secret of the house" in line[2]["trace"]


async def test_refusals_are_logged(page: Page) -> None:
    """Who was refused what, from where; not what is merely not there."""
    async with a_program(page) as program:
        await program.get("/api/me", headers={"Authorization": "Bearer x"})
        await program.get("/api/sites/nowhere")
    lines = [one for one in page.log.lines if one[1] == "a program was refused something"]
    assert [(one[2]["path"], one[2]["peer"]) for one in lines] == [("/api/me", "127.0.0.1")]


async def test_the_pages_are_as_before(page: Page) -> None:
    """What is not for programs is for people, with their own words."""
    async with page.client() as client:
        assert (await client.get("/apiary")).headers["content-type"].startswith("text/html")
        answer = await client.request("PUT", "/")
        assert (answer.status_code, answer.text) == (405, "not by this method\n")
        assert isinstance(answer, httpx.Response)
