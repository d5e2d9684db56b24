"""The commands about accounts, as a person types them, with and without an agent."""

import asyncio
import io
import json
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from pathlib import Path

import pytest
import typer

from asleft.cli.people import add_to
from asleft.daemon.accounts import own_accounts
from asleft.daemon.assembly import make_home
from asleft.daemon.local.people_handlers import people_handlers
from asleft.daemon.local.server import answering
from asleft.domain.accounts import AccountEvent, AccountMove, Whence
from asleft.domain.errors import AsleftError
from asleft.domain.people import Right
from asleft.work.accounts.refusals import NoAccount, NoToken
from estates import WREN, Told, plant

PASSWORD = "kelp under seven lanterns"
app = typer.Typer(rich_markup_mode=None, context_settings={"help_option_names": ["-h", "--help"]})
add_to(app)


@app.callback()
def _top() -> None:
    """Stand in the place of asleft."""


@pytest.fixture
def home(tmp_path: Path) -> Path:
    plant(tmp_path / "estate")
    make_home(tmp_path / "home", {"baseline": str(tmp_path / "estate")})
    return tmp_path / "home"


def people(*args: object) -> Told:
    """Run a command of people."""
    out, err, code = io.StringIO(), io.StringIO(), 0
    with redirect_stdout(out), redirect_stderr(err):
        try:
            app(["people", *map(str, args)], standalone_mode=True)
        except SystemExit as end:
            code = int(end.code or 0)
    return Told(code=code, out=out.getvalue(), err=err.getvalue())


def set_password(home: Path, path: str) -> None:
    """Use a link, as the page does."""
    with own_accounts(home, "a test", lambda _: None) as desk:
        asyncio.run(desk.set_password(path.removeprefix("/first/"), PASSWORD, Whence("192.0.2.7")))


def test_a_first_account(home: Path) -> None:
    """ASVS 6.3.2, 6.4.1: nobody has an account; a link is made and shown once; after it was used there is one."""
    listed = people("list", "--home", home)
    assert listed.code == 0
    assert [line.rsplit("  ", 1)[-1].strip() for line in listed.out.splitlines()] == ["no account"] * 4
    made = people("add", WREN, "--home", home)
    assert made.code == 0
    address, _, token = made.out.splitlines()[1].strip().rpartition("/first/")
    assert address == "http://127.0.0.1:9480"
    path = f"/first/{token}"
    assert "whoever opens it has the account" in made.out
    assert path not in made.err
    assert f"link made, {WREN}, by account " in made.err
    assert "no password yet; link until " in people("list", "--home", home).out
    set_password(home, path)
    (row,) = [
        one for one in json.loads(people("list", "--home", home, "--json").out)["people"] if one["account"]
    ]
    assert (row["person"], row["sessions"], row["link-until"]) == (WREN, 1, None)
    again = people("add", WREN, "--home", home)
    assert "The password that is set now holds until then." in again.out
    assert people("sign-out", WREN, "--home", home).out == f"{WREN}: 1 session ended.\n"
    assert "session" not in people("list", "--home", home).out


def test_tokens(home: Path) -> None:
    """The token alone stands on stdout, so that it can be led into a file; listed and revoked by its name."""
    people("add", WREN, "--home", home)
    made = people("token", "make", WREN, "wall display", "--right", "look", "--days", 30, "--home", home)
    assert made.code == 0
    (token,) = made.out.splitlines()
    assert token.startswith("asleft_")
    assert token not in made.err
    with own_accounts(home, "a test", lambda _: None) as desk:
        assert desk.tokens.bearer(token, Whence("192.0.2.7")).person.rights == {Right.LOOK}
    listed = people("token", "list", WREN, "--home", home).out
    assert listed.startswith("wall display  look  until ")
    assert token not in listed
    (row,) = json.loads(people("token", "list", WREN, "--home", home, "--json").out)["tokens"]
    assert (row["name"], row["rights"]) == ("wall display", ["look"])
    revoked = people("token", "revoke", WREN, "wall display", "--home", home)
    assert revoked.out == f"The token 'wall display' of {WREN} is revoked.\n"
    assert people("token", "list", WREN, "--home", home).out == f"{WREN} has no tokens.\n"


@pytest.mark.parametrize(
    "args, said",
    [
        (("token", "make", WREN, "x", "--right", "rule"), "is none of look, acknowledge, confirm, approve"),
        (("token", "make", WREN, "x", "--right", "look", "--days", 366), "365"),
        (("remove", WREN), "--yes"),
        (("add",), "NAME"),
    ],
)
def test_a_wrong_use_is_told(home: Path, args: tuple[object, ...], said: str) -> None:
    """Exit code 2, and what would be right."""
    told = people(*args, "--home", home)
    assert told.code == 2
    assert said in " ".join(told.err.replace("│", " ").split())


def test_an_account_is_removed(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With --yes, or where a person says so; anything but yes leaves it."""
    people("add", WREN, "--home", home)

    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.setattr(sys, "stdin", Terminal("n\n"))
    kept = people("remove", WREN, "--home", home)
    assert (kept.code, kept.out.strip()) == (6, "")
    assert "nothing was changed" in kept.err
    assert "link until" in people("list", "--home", home).out
    done = people("remove", WREN, "--yes", "--home", home)
    assert done.out.startswith(f"The account of {WREN} is removed.")
    with pytest.raises(NoAccount):
        people("remove", WREN, "--yes", "--home", home)


@contextmanager
def an_agent(home: Path) -> Iterator[list[AccountEvent]]:
    """Let an agent that owns a home answer meanwhile, in a thread and a loop of its own."""
    events: list[AccountEvent] = []
    ready, loops = threading.Event(), []

    async def serve() -> None:
        stop = asyncio.Event()
        loops.append((asyncio.get_running_loop(), stop))
        with own_accounts(home, "asleft run", events.append) as desk:
            async with answering(home / "agent.sock", people_handlers(desk), accounts=dict):
                ready.set()
                await stop.wait()

    thread = threading.Thread(target=lambda: asyncio.run(serve()))
    thread.start()
    try:
        assert ready.wait(60)
        yield events
    finally:
        for loop, stop in loops:
            loop.call_soon_threadsafe(stop.set)
        thread.join(60)


def test_a_running_agent_does_it(home: Path) -> None:
    """Where an agent owns the home the commands go through its socket, and its log is told."""
    with an_agent(home) as events:
        made = people("add", WREN, "--home", home, "--json")
        assert json.loads(made.out)["path"].startswith("/first/")
        assert made.err == ""
        assert "no password yet" in people("list", "--home", home).out
        token = people("token", "make", WREN, "papers", "--right", "look", "--home", home)
        assert token.out.startswith("asleft_")
        with pytest.raises(AsleftError) as caught:
            people("remove", "nobody-here", "--yes", "--home", home)
        assert type(caught.value).__name__ == "NoAccount"
    assert [event.move for event in events] == [AccountMove.LINK_MADE, AccountMove.TOKEN_MADE]
    assert people("token", "list", WREN, "--home", home).out.startswith("papers  look  until ")


def test_who_is_nobody(home: Path) -> None:
    """Refusals are those of the work, with the nearest name."""
    with pytest.raises(NoAccount) as caught:
        people("add", "wren-haloway", "--home", home)
    assert WREN in caught.value.todo
    with pytest.raises(NoAccount):
        people("token", "list", "nobody-here", "--home", home)
    people("add", "pell-osgood", "--home", home)
    with pytest.raises(NoToken):
        people("token", "make", "pell-osgood", "x", "--right", "approve", "--home", home)
