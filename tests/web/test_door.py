"""The door of the page. Ids as 3.4.3 are requirements of OWASP ASVS 5.0.0, read in its repository (style.md D5)."""

import asyncio
import re
from collections.abc import AsyncIterator, Iterator

import httpx
import pytest
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from asleft.domain.accounts import Whence
from asleft.web import door
from asleft.web.app import make_web
from asleft.web.pages import help as help_page
from asleft.web.web import Web, own_path
from estates import WREN
from web.page import GOOD, Elements, Page, a_page, form_token

CSP = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; form-action 'self';"
    " base-uri 'none'; object-src 'none'; frame-ancestors 'none'"
)
"""As style.md D5 has it."""
PUBLIC = "https://monitors.quillfen.example"


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Page]:
    """Give one page for all tests that change nothing behind it."""
    with a_page(tmp_path_factory.mktemp("page")) as made:
        yield made


@pytest.fixture(scope="module")
def public(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Page]:
    """Give a page that people reach over TLS."""
    with a_page(tmp_path_factory.mktemp("public"), url=PUBLIC) as made:
        yield made


@pytest.mark.parametrize("path", ["/", "/sign-in", "/help", "/nothing-here", "/first/nothing", "/live"])
async def test_every_answer_is_dressed(page: Page, path: str) -> None:
    """3.4.3, 3.4.4, 3.4.5, 3.4.6, 3.4.8, 14.3.2: policy, nosniff, referrer, opener and no-store, errors not excepted."""
    async with page.client() as client:
        headers = (await client.get(path)).headers
    assert headers["content-security-policy"] == CSP
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "same-origin"
    assert headers["cross-origin-opener-policy"] == "same-origin"
    assert headers["cache-control"] == "no-store"
    assert "server" not in headers


async def test_no_other_origin_may_read(page: Page) -> None:
    """3.4.2: no answer carries a header of CORS, and a question beforehand is turned away."""
    asked = {"Origin": "https://elsewhere.example", "Access-Control-Request-Method": "POST"}
    async with page.client() as client:
        shown = await client.get("/help", headers=asked)
        before = await client.options("/sign-in", headers=asked)
    assert before.status_code == 405
    assert not [name for answer in (shown, before) for name in answer.headers if "access-control" in name]


async def test_strict_transport_only_over_tls(page: Page, public: Page) -> None:
    """3.4.1: a year of HSTS over TLS, and none over plain HTTP on loopback."""
    async with page.client() as plain, public.client(PUBLIC) as tls:
        assert "strict-transport-security" not in (await plain.get("/help")).headers
        assert (await tls.get("/help")).headers["strict-transport-security"] == "max-age=31536000"


async def test_cookies_over_tls(public: Page) -> None:
    """3.3.1, 3.3.2, 3.3.3, 3.3.4: the prefix __Host-, Secure, HttpOnly, SameSite=Strict, the whole path and no domain."""
    link = public.accounts.make_link(WREN, Whence("command line"), by="a test")
    async with public.client(PUBLIC) as client:
        token = await form_token(client, link.path)
        answer = await client.post(link.path, data={"form-token": token, "password": GOOD, "again": GOOD})
    (cookie,) = [one for one in answer.headers.get_list("set-cookie") if one.startswith("__Host-asleft=")]
    flags = {part.strip().lower() for part in cookie.split(";")[1:]}
    assert flags == {"path=/", "secure", "httponly", "samesite=strict"}


async def test_cookies_on_loopback(page: Page) -> None:
    """Without TLS browsers refuse __Host-: the plain name, HttpOnly and strict, and a cookie with the prefix means nothing."""
    async with page.signed_in() as client:
        names = {cookie.name for cookie in client.cookies.jar}
        token = client.cookies["asleft"]
    async with page.client(cookies={"__Host-asleft": token}) as other:
        assert (await other.get("/")).status_code == 303
    assert "asleft" in names
    assert not [name for name in names if name.startswith("__Host-")]


@pytest.mark.parametrize(
    "host, status",
    [
        ("localhost", 200),
        ("localhost:9480", 200),
        ("LOCALHOST", 200),
        ("elsewhere.example", 421),
        ("localhost.elsewhere.example", 421),
        ("127.0.0.1.elsewhere.example", 421),
        ("", 421),
        ("[::1", 421),
        ("localhost@elsewhere.example", 421),
    ],
)
async def test_only_our_own_names(page: Page, host: str, status: int) -> None:
    """A page of another site that makes its name lead here (DNS rebinding) is told nothing."""
    async with page.client() as client:
        answer = await client.get("/help", headers={"Host": host})
    assert answer.status_code == status


async def test_the_public_name_is_ours(public: Page) -> None:
    """The name in pages-url may be asked for; another one of the same domain may not."""
    async with public.client(PUBLIC) as client:
        assert (await client.get("/help")).status_code == 200
        assert (await client.get("/help", headers={"Host": "quillfen.example"})).status_code == 421


@pytest.mark.parametrize(
    "path",
    [
        "/.git/config",
        "/static/../../../etc/passwd",
        "/static/..%2f..%2fetc/passwd",
        "/%2e%2e/etc/passwd",
        "/static/%2e%2e/web.py",
        "/static/look.css",
        "/static/",
        "//elsewhere.example/",
        "/help/",
        "/help%00",
        "/help%0d%0aX-A: b",
        "/..\\..\\windows",
        "/help;a=b",
        "/%c3%bcnicode",
        "/" + "a" * 3000,
    ],
)
async def test_no_way_round(page: Page, path: str) -> None:
    """13.4.1, 5.3.2: no repository, no file outside, no name that hides what it is; nothing but 404."""
    async with page.client() as client:
        answer = await client.send(
            client.build_request("GET", httpx.URL("http://localhost").copy_with(raw_path=path.encode()))
        )
    assert answer.status_code == 404
    assert "root:" not in answer.text


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "PROPFIND"])
async def test_only_the_methods_that_are_used(page: Page, method: str) -> None:
    """13.4.4, 4.1.4: a method that no page takes is refused at the door."""
    async with page.client() as client:
        answer = await client.request(method, "/")
    assert (answer.status_code, answer.headers["allow"]) == (405, "GET, HEAD, POST")


@pytest.mark.parametrize(
    "path", ["/sign-out", "/account/end-all", "/account/end", "/account/password", "/look"]
)
async def test_nothing_is_done_by_looking(page: Page, path: str) -> None:
    """3.5.3: what changes something is not done by GET or HEAD."""
    async with page.signed_in() as client:
        assert (await client.get(path)).status_code == 405
        assert (await client.head(path)).status_code == 405
        assert (await client.get("/")).status_code == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
        {"Sec-Fetch-Site": "none"},
        {"Sec-Fetch-Site": "same-origin", "Origin": "https://elsewhere.example"},
        {"Sec-Fetch-Site": "same-origin", "Origin": "null"},
        {"Sec-Fetch-Site": "same-origin", "Origin": "http://localhost:1"},
        {"Sec-Fetch-Site": "same-origin", "Origin": "https://localhost"},
        {"Sec-Fetch-Site": ""},
    ],
)
async def test_forms_from_elsewhere(page: Page, headers: dict[str, str]) -> None:
    """3.5.1: with the right token, too, a form that another site had sent, or nobody knows who, does nothing and is logged."""
    page.log.lines.clear()
    async with page.signed_in() as client:
        token = await form_token(client, "/")
        answer = await client.post("/sign-out", data={"form-token": token}, headers=headers)
        still = await client.get("/")
    assert (answer.status_code, still.status_code) == (403, 200)
    (line,) = [about for _, event, about in page.log.lines if event == "the page refused something"]
    assert (line["why"], line["path"], line["person"]) == ("from-elsewhere", "/sign-out", WREN)


async def test_a_form_that_says_nothing_of_where_it_comes_from(page: Page) -> None:
    """3.5.1, 16.5.3: with neither Origin nor Sec-Fetch-Site it fails closed; with Origin alone it is good."""
    async with page.signed_in() as client:
        token = await form_token(client, "/")
        del client.headers["Sec-Fetch-Site"]
        nothing = await client.post("/sign-out", data={"form-token": token})
        origin = await client.post(
            "/sign-out", data={"form-token": token}, headers={"Origin": "http://localhost"}
        )
    assert (nothing.status_code, origin.status_code) == (403, 303)


@pytest.mark.parametrize("token", ["", "0" * 64, "x", "0" * 100_000])
async def test_forms_without_their_token(page: Page, token: str) -> None:
    """3.5.1: a form with no token of this session does nothing."""
    async with page.signed_in() as client:
        answer = await client.post("/sign-out", data={"form-token": token})
        assert (await client.get("/")).status_code == 200
    assert answer.status_code == 403


async def test_the_token_of_another_session(page: Page) -> None:
    """3.5.1: a form token is good for its own session only."""
    async with page.signed_in() as one, page.signed_in("idris-quill") as other:
        token = await form_token(one, "/")
        answer = await other.post("/sign-out", data={"form-token": token})
    assert answer.status_code == 403


@pytest.mark.parametrize("kind", ["application/json", "multipart/form-data; boundary=x", "text/plain", ""])
async def test_only_forms(page: Page, kind: str) -> None:
    """4.1.1, 3.5.2: a body of another kind than our forms have is refused."""
    async with page.signed_in() as client:
        token = await form_token(client, "/")
        answer = await client.post("/sign-out", content=f"form-token={token}", headers={"Content-Type": kind})
    assert answer.status_code == 403


async def test_bodies_have_a_size(page: Page) -> None:
    """4.3.1 in spirit, 5.2.1: a body that is too large is refused by its head, and by its size where the head says nothing."""

    async def parts() -> AsyncIterator[bytes]:
        for _ in range(9):
            yield b"a" * (door.MOST_BODY // 8)

    headers = {"Content-Type": "application/x-www-form-urlencoded"}
    async with page.client() as client:
        told = await client.post("/sign-in", content=b"a" * (door.MOST_BODY + 1), headers=headers)
        untold = await client.post("/sign-in", content=parts(), headers=headers)
    assert (told.status_code, untold.status_code) == (413, 413)


async def test_forms_have_as_many_fields_as_they_may(page: Page) -> None:
    """15.2.2 in spirit: thousands of fields are no form of ours."""
    async with page.client() as client:
        answer = await client.post(
            "/sign-in", content="a=b&" * 5000, headers={"Content-Type": "application/x-www-form-urlencoded"}
        )
    assert answer.status_code == 403


async def test_bodies_have_a_time(page: Page, monkeypatch: pytest.MonkeyPatch) -> None:
    """A body that does not come is not waited for."""
    monkeypatch.setattr(door, "LONGEST_BODY", 0.05)
    never = asyncio.Event()

    async def parts() -> AsyncIterator[bytes]:
        yield b"name="
        await never.wait()

    async with page.client() as client:
        answer = await client.post(
            "/sign-in", content=parts(), headers={"Content-Type": "application/x-www-form-urlencoded"}
        )
    assert answer.status_code == 408


async def test_errors_are_a_number(page: Page, monkeypatch: pytest.MonkeyPatch) -> None:
    """16.5.1: what failed inside is told by a number only, under which the log has it."""

    def failing(_: Web) -> list[Route]:
        async def fails(_: Request) -> Response:
            raise RuntimeError("the secret of /var/lib/asleft")

        return [Route("/fails", fails)]

    monkeypatch.setattr(help_page, "routes", failing)
    page_app = make_web(page.parts)
    async with httpx.AsyncClient(
        transport=httpx.ASGITransport(app=page_app), base_url="http://localhost"
    ) as client:
        answer = await client.get("/fails")
    number = re.search(r'<p class="value">([0-9a-f]{8})</p>', answer.text)
    assert answer.status_code == 500
    assert number is not None
    assert "secret" not in answer.text
    (line,) = [about for kind, _, about in page.log.lines if kind == "error" and about["path"] == "/fails"]
    assert line["reference"] == number[1]
    assert "the secret of /var/lib/asleft" in line["trace"]


async def test_static_files_are_for_ever(page: Page) -> None:
    """3.6.1: all assets are our own, named by their content, kept for ever, and typed; nothing is loaded from elsewhere."""
    async with page.signed_in() as client:
        elements = Elements((await client.get("/")).text)
        paths = [str(one["href"]) for one in elements.of("link")]
        paths += [str(one["src"]) for one in elements.of("script")]
        answers = [await client.get(path) for path in paths]
    assert all(path.startswith("/static/") for path in paths)
    assert [answer.status_code for answer in answers] == [200] * 3
    assert {answer.headers["cache-control"] for answer in answers} == {"public, max-age=31536000, immutable"}
    assert {answer.headers["content-type"].partition(";")[0] for answer in answers} == {
        "text/css",
        "text/javascript",
        "image/svg+xml",
    }


@pytest.mark.parametrize("path", ["/", "/help", "/account"])
async def test_nothing_stands_in_the_page_itself(page: Page, path: str) -> None:
    """3.4.3: the policy forbids style and script in the page; none is there that would be lost, and no address elsewhere."""
    async with page.signed_in() as client:
        elements = Elements((await client.get(path)).text)
    assert not elements.of("style")
    assert all(one.get("src") for one in elements.of("script"))
    names = {name for _, attributes in elements.all for name in attributes}
    assert not {name for name in names if name == "style" or name.startswith("on")}
    links = [str(one[name]) for _, one in elements.all for name in ("href", "src", "action") if name in one]
    assert all(link.startswith(("/", "#")) for link in links)


@pytest.mark.parametrize(
    "text, path",
    [
        ("/orders/ab?x=1", "/orders/ab?x=1"),
        ("//elsewhere.example", "/"),
        ("/\\elsewhere.example", "/"),
        ("https://elsewhere.example", "/"),
        ("javascript:alert(1)", "/"),
        ("/a\r\nSet-Cookie: b", "/"),
        ("", "/"),
        ("/ü", "/"),
    ],
)
def test_where_a_page_leads(text: str, path: str) -> None:
    """1.2.2, 3.7.2: signing in leads back to a path of ours and nowhere else."""
    assert own_path(text) == path
