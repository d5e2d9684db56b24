"""The local socket, over real connections: who may ask, what is answered, what broken and hostile requests do."""

import asyncio
import grp
import json
import os
import pwd
import socket
import stat
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

from asleft.cli.exits import Exit, exit_for
from asleft.daemon.local import protocol as socket_protocol
from asleft.daemon.local import server as socket_server
from asleft.daemon.local.client import ask, ask_at, listens, socket_of
from asleft.daemon.local.protocol import (
    MOST_REQUEST,
    BadRequest,
    NoAnswer,
    ToldByAgent,
    pack_request,
    read_answer,
)
from asleft.daemon.local.server import Caller, Handler, NoSocket, answering
from asleft.work.ordering import MayNot
from asleft.work.restores import Interrupted

WREN = "wren-halloway"
ME = pwd.getpwuid(os.geteuid()).pw_name


async def echo(arguments: Mapping[str, Any], caller: Caller) -> Any:
    """Give back what was asked and by whom."""
    return {
        "arguments": dict(arguments),
        "account": caller.account,
        "person": caller.person,
        "trusted": caller.trusted,
    }


async def refuse(arguments: Mapping[str, Any], caller: Caller) -> Any:
    """Refuse, as a task group does that fails."""
    del arguments, caller
    async with asyncio.TaskGroup() as group:
        group.create_task(_refuse())


async def _refuse() -> None:
    raise MayNot("a reason is missing", where="1bb9523e17", todo="give one with --reason")


async def stumble(arguments: Mapping[str, Any], caller: Caller) -> Any:
    """Fail as a bug does."""
    raise ZeroDivisionError(f"deep inside {arguments} {caller}")


def names_in(folder: Path) -> list[str]:
    """Name what lies in a folder."""
    return sorted(file.name for file in folder.iterdir())


HANDLERS: Mapping[str, Handler] = {"echo": echo, "refuse": refuse, "stumble": stumble}


@asynccontextmanager
async def an_agent(
    folder: Path,
    handlers: Mapping[str, Handler] = HANDLERS,
    *,
    accounts: Mapping[str, str] | None = None,
    **rest: Any,
) -> AsyncIterator[Path]:
    """Answer in a folder, and give the socket's path."""
    path = folder / "agent.sock"
    async with answering(path, handlers, accounts=lambda: accounts or {}, **rest):
        yield path


async def said(path: Path, data: bytes, *, end: bool = True) -> bytes:
    """Send bytes as they are, and give what comes back."""
    reader, writer = await asyncio.open_unix_connection(path)
    writer.write(data)
    if end:
        writer.write_eof()
    try:
        answer = await reader.read()
    except ConnectionResetError:
        answer = b""
    writer.close()
    return answer


async def test_an_answer_comes_back_as_it_was_given(tmp_path: Path) -> None:
    """Arguments and result pass as JSON, and the system says who asked."""
    async with an_agent(tmp_path, accounts={ME: WREN}) as path:
        result = await ask_at(path, "echo", {"a": ["ä", 1, None, {"b": True}]})
    assert result == {
        "arguments": {"a": ["ä", 1, None, {"b": True}]},
        "account": ME,
        "person": WREN,
        "trusted": True,
    }


async def test_two_clients_are_served_at_the_same_time(tmp_path: Path) -> None:
    """The second is answered while the first still waits."""
    both = asyncio.Barrier(2)

    async def meet(arguments: Mapping[str, Any], caller: Caller) -> Any:
        del caller
        await both.wait()
        return arguments["who"]

    async with an_agent(tmp_path, {"meet": meet}) as path:
        found = await asyncio.gather(*(ask_at(path, "meet", {"who": who}) for who in ("one", "two")))
    assert found == ["one", "two"]


async def test_an_error_keeps_its_class_its_words_and_so_its_exit_code(tmp_path: Path) -> None:
    """What the agent refuses is told as if it had been refused here, from within a task group, too."""
    async with an_agent(tmp_path) as path:
        with pytest.raises(ToldByAgent) as caught:
            await ask_at(path, "refuse", {})
    told = caught.value
    assert type(told).__name__ == "MayNot"
    assert (told.what, told.where, told.todo) == (
        "a reason is missing",
        "1bb9523e17",
        "give one with --reason",
    )
    assert exit_for(told) is Exit.REFUSED


async def test_a_bug_is_told_by_a_number_only(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """What failed stands in the log under the number that is told."""
    async with an_agent(tmp_path) as path:
        with pytest.raises(ToldByAgent, match="a bug of asleft") as caught:
            await ask_at(path, "stumble", {"secret": "open sesame"})
    assert "sesame" not in str(caught.value)
    assert caught.value.todo.rpartition(" ")[2] in caplog.text


async def test_what_cannot_be_sent_is_said_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A result that is no JSON, or longer than a client takes, is an error and not silence."""

    async def odd(arguments: Mapping[str, Any], caller: Caller) -> Any:
        del caller
        return object() if arguments["odd"] else "x" * 5000

    monkeypatch.setattr(socket_server, "MOST_ANSWER", 4000)
    async with an_agent(tmp_path, {"odd": odd}) as path:
        for value, words in ((True, "cannot be sent"), (False, "too long to be sent")):
            with pytest.raises(ToldByAgent, match=words):
                await ask_at(path, "odd", {"odd": value})


BROKEN = {
    "no JSON": b"hello\n",
    "a list": b"[1]\n",
    "another version": b'{"asleft": 2, "command": "echo"}\n',
    "no version": b'{"command": "echo"}\n',
    "no command": b'{"asleft": 1}\n',
    "a command that is no text": b'{"asleft": 1, "command": ["echo"]}\n',
    "arguments that are none": b'{"asleft": 1, "command": "echo", "arguments": [1]}\n',
    "no such command": b'{"asleft": 1, "command": "ech\\u001b[2Jo"}\n',
    "deeper than can be read": b'{"asleft": 1, "command": "echo", "arguments": {"a": '
    + b"[" * 100_000
    + b"\n",
    "no end of line": b'{"asleft": 1, "command": "echo"}',
    "bytes": bytes(range(256)) + b"\n",
}


@pytest.mark.parametrize("data", BROKEN.values(), ids=BROKEN.keys())
async def test_broken_requests_are_refused_in_words(tmp_path: Path, data: bytes) -> None:
    """Each is answered with an error, without a control character in it, and the next request is served."""
    async with an_agent(tmp_path) as path:
        answer = await said(path, data)
        assert json.loads(answer)["error"]["kind"] == "BadRequest"
        assert "\x1b" not in json.loads(answer)["error"]["what"]
        assert (await ask_at(path, "echo", {}))["trusted"]


async def test_a_huge_request_is_refused(tmp_path: Path) -> None:
    """More than the most is not kept; the client refuses to send it, too."""
    async with an_agent(tmp_path) as path:
        answer = await said(path, b"x" * (MOST_REQUEST * 2 + 10), end=False)
        assert answer == b"" or json.loads(answer)["error"]["kind"] == "BadRequest"
        with pytest.raises(BadRequest, match="more than an agent takes"):
            await ask_at(path, "echo", {"a": "x" * MOST_REQUEST})
        assert (await ask_at(path, "echo", {}))["trusted"]


async def test_a_request_that_does_not_arrive_is_given_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Who connects and says half a line is told so after a while."""
    monkeypatch.setattr(socket_server, "LONGEST_REQUEST", 0.05)
    async with an_agent(tmp_path) as path:
        answer = await said(path, b'{"asleft"', end=False)
    assert json.loads(answer)["error"]["what"].startswith("a request arrives within")


async def test_too_many_at_once_are_turned_away(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Beyond the most, who comes is told to come again; those who are served are served to the end."""
    monkeypatch.setattr(socket_server, "MOST_AT_ONCE", 1)
    begun, go = asyncio.Event(), asyncio.Event()

    async def wait(arguments: Mapping[str, Any], caller: Caller) -> Any:
        del arguments, caller
        begun.set()
        await go.wait()
        return "done"

    async with an_agent(tmp_path, {"wait": wait}) as path:
        first = asyncio.create_task(ask_at(path, "wait", {}))
        await begun.wait()
        with pytest.raises(ToldByAgent, match="too many ask at once"):
            await ask_at(path, "wait", {})
        go.set()
        assert await first == "done"


async def test_an_account_acts_as_its_own_person_only(tmp_path: Path) -> None:
    """Who is neither root nor the agent's own account is the person that the settings name, and nobody else."""
    async with an_agent(tmp_path, accounts={ME: "idris-quill"}, trusted=()) as path:
        result = await ask_at(path, "echo", {"by": "idris-quill"})
        assert (result["person"], result["trusted"]) == ("idris-quill", False)
        assert (await ask_at(path, "echo", {}))["person"] == "idris-quill"
        with pytest.raises(
            ToldByAgent, match=r"is idris-quill, not wren-halloway; act as --by idris-quill"
        ) as no:
            await ask_at(path, "echo", {"by": WREN})
    assert exit_for(no.value) is Exit.REFUSED


async def test_an_account_that_is_nobody_is_turned_away(tmp_path: Path) -> None:
    """Whoever may open the socket but stands for no person gets nothing at all."""
    async with an_agent(tmp_path, accounts={"somebody-else": WREN}, trusted=()) as path:
        for arguments in ({}, {"by": WREN}):
            with pytest.raises(ToldByAgent, match="is nobody in people"):
                await ask_at(path, "echo", arguments)


async def test_the_accounts_that_hold_now_are_asked(tmp_path: Path) -> None:
    """A reload of the settings counts from the next request on."""
    accounts: dict[str, str] = {}
    async with answering(tmp_path / "s", HANDLERS, accounts=lambda: accounts, trusted=()):
        with pytest.raises(ToldByAgent):
            await ask_at(tmp_path / "s", "echo", {})
        accounts[ME] = WREN
        assert (await ask_at(tmp_path / "s", "echo", {}))["person"] == WREN


async def test_an_account_that_the_system_cannot_tell_is_nobody(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In a user namespace all accounts from outside are one (user_namespaces(7)): that one is never trusted or mapped."""
    monkeypatch.setattr(socket_server, "_overflow", os.geteuid)
    async with an_agent(tmp_path, accounts={ME: WREN}, trusted=(os.geteuid(),)) as path:
        with pytest.raises(ToldByAgent, match="is nobody in people"):
            await ask_at(path, "echo", {})


async def test_the_socket_is_the_owners_alone(tmp_path: Path) -> None:
    """It has mode 0600, or 0660 and its group where one is named; nothing else is left in the folder."""
    async with an_agent(tmp_path) as path:
        about = path.stat()
        assert stat.S_ISSOCK(about.st_mode)
        assert stat.S_IMODE(about.st_mode) == 0o600
        assert names_in(tmp_path) == [path.name]
    group = grp.getgrgid(os.getegid())
    async with an_agent(tmp_path, group=group.gr_name) as path:
        about = path.stat()
        assert (stat.S_IMODE(about.st_mode), about.st_gid) == (0o660, group.gr_gid)
    assert names_in(tmp_path) == []


async def test_a_socket_that_was_left_behind(tmp_path: Path) -> None:
    """Nobody listens at it, so a command does its work itself; the next agent takes its place."""
    path = tmp_path / "agent.sock"
    with socket.socket(socket.AF_UNIX) as left_behind:
        left_behind.bind(str(path))
    assert path.is_socket()
    assert not listens(path)
    assert await ask(tmp_path, "echo", {}) is None
    async with an_agent(tmp_path):
        assert listens(path)
        result = await ask(tmp_path, "echo", {})
        assert result is not None
        assert result["trusted"]
    assert not listens(path)


async def test_where_no_socket_can_be(tmp_path: Path) -> None:
    """A file in its place is not touched; a missing folder or group is told."""
    (tmp_path / "agent.sock").write_text("mine", "utf-8")
    with pytest.raises(NoSocket, match="something that is no socket lies there"):
        async with an_agent(tmp_path):
            pass
    assert (tmp_path / "agent.sock").read_text("utf-8") == "mine"
    assert not listens(tmp_path / "missing" / "agent.sock")
    with pytest.raises(NoSocket, match="cannot be made: No such file"):
        async with an_agent(tmp_path / "missing"):
            pass
    with pytest.raises(NoSocket, match="there is no group 'no-such-group'"):
        async with answering(tmp_path / "s", {}, accounts=dict, group="no-such-group"):
            pass
    assert names_in(tmp_path) == ["agent.sock"]


async def test_a_home_may_lie_deep(tmp_path: Path) -> None:
    """A path that is longer than a socket's address (unix(7): 108 bytes) is listened at and reached all the same."""
    folder = tmp_path.joinpath(*["a-folder-with-a-long-name"] * 6)
    folder.mkdir(parents=True)
    async with an_agent(folder) as path:
        assert len(str(path)) > 108
        assert listens(path)
        assert (await ask_at(path, "echo", {}))["trusted"]
    assert not path.exists()


async def test_who_goes_away_does_not_stop_what_was_begun(tmp_path: Path) -> None:
    """An order that is carried out is carried out to its end, whether or not somebody still listens."""
    begun, go, ended = asyncio.Event(), asyncio.Event(), asyncio.Event()

    async def carry_out(arguments: Mapping[str, Any], caller: Caller) -> Any:
        del arguments, caller
        begun.set()
        await go.wait()
        ended.set()

    async with an_agent(tmp_path, {"carry out": carry_out}) as path:
        asking = asyncio.create_task(ask_at(path, "carry out", {}))
        await begun.wait()
        asking.cancel()
        with pytest.raises(asyncio.CancelledError):
            await asking
        go.set()
        await ended.wait()


async def test_an_agent_that_stops_says_how_it_left_things(tmp_path: Path) -> None:
    """What is under way is told to stop, puts things in order, and the client hears of it."""
    begun = asyncio.Event()

    async def carry_out(arguments: Mapping[str, Any], caller: Caller) -> Any:
        del caller
        begun.set()
        try:
            await asyncio.Event().wait()
        except asyncio.CancelledError:
            if arguments["settles"]:
                raise Interrupted("interrupted: order 1 is refused: put back") from None
            raise

    async with an_agent(tmp_path, {"carry out": carry_out}) as path:
        settled = asyncio.create_task(ask_at(path, "carry out", {"settles": True}))
        await begun.wait()
        begun.clear()
        stopped = asyncio.create_task(ask_at(path, "carry out", {"settles": False}))
        await begun.wait()
    with pytest.raises(ToldByAgent, match="order 1 is refused: put back") as told:
        await settled
    assert exit_for(told.value) is Exit.INTERRUPTED
    with pytest.raises(ToldByAgent, match="the agent was stopped"):
        await stopped


async def test_an_agent_that_dies_is_told(tmp_path: Path) -> None:
    """A connection that ends without an answer is an error that says what to do."""
    path = tmp_path / "agent.sock"

    async def die(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readline()
        writer.close()

    async with await asyncio.start_unix_server(die, path):
        with pytest.raises(NoAnswer, match="ended before it answered"):
            await ask_at(path, "echo", {})


@pytest.mark.parametrize(
    "line",
    [b"", b"nonsense", b"[]", b'{"asleft": 9, "result": 1}', b'{"asleft": 1}', b'{"asleft": 1, "error": 7}'],
)
def test_an_answer_that_is_none(line: bytes) -> None:
    """What is no answer is told as one that cannot be understood."""
    with pytest.raises(NoAnswer):
        read_answer(line, where="agent.sock")


def test_an_error_of_an_odd_kind_is_an_error_all_the_same() -> None:
    """A kind that names no class means nothing, and cannot do harm."""
    line = json.dumps({"asleft": 1, "error": {"kind": "\x1b[2J", "what": "no"}}).encode()
    with pytest.raises(ToldByAgent) as caught:
        read_answer(line, where="agent.sock")
    assert exit_for(caught.value) is Exit.UNAVAILABLE


def test_requests_are_one_line() -> None:
    """Text with line feeds in it does not end a request early."""
    data = pack_request("echo", {"reason": "two\nlines"})
    assert data.count(b"\n") == 1
    assert socket_protocol.read_request(data).arguments == {"reason": "two\nlines"}


def test_the_socket_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In the home, where the settings say, or where the environment says, in this order of rank from low to high."""
    monkeypatch.delenv("ASLEFT_SOCKET", raising=False)
    assert socket_of(tmp_path) == tmp_path / "agent.sock"
    (tmp_path / "settings.yaml").write_text("baseline: a\nsocket: /run/asleft/a.sock\n", "utf-8")
    assert socket_of(tmp_path) == Path("/run/asleft/a.sock")
    monkeypatch.setenv("ASLEFT_SOCKET", "/run/asleft/b.sock")
    assert socket_of(tmp_path) == Path("/run/asleft/b.sock")
