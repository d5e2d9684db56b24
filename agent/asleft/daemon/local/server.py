"""The agent's end of the local socket: who asks is known by the system, and what is asked for is done to its end.

The owner of the agent and root may act as anybody, for they can write the home folder anyway. Everybody else who may open
the socket (members of `socket-group`) must be somebody in people.yaml by the settings' `accounts`, and acts as that person
only; who is not is turned away whatever is asked.
"""

import asyncio
import grp
import os
import pwd
import secrets
import socket
import struct
from collections.abc import AsyncIterator, Awaitable, Callable, Collection, Mapping
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from asleft.daemon.local.protocol import (
    MOST_ANSWER,
    MOST_REQUEST,
    BadRequest,
    Request,
    address_of,
    pack_error,
    pack_result,
    read_request,
)
from asleft.daemon.logs import Log, log_of
from asleft.domain.errors import AsleftError, told_of
from asleft.domain.kinds import nearest
from asleft.domain.names import harmless
from asleft.work.ordering import MayNot
from asleft.work.restores import Interrupted

__all__ = ["AgentFailed", "Caller", "Handler", "NoSocket", "answering"]

MOST_AT_ONCE: Final = 32
"""Commands under way at the same time."""
MOST_WAITING: Final = 128
"""Connections that are heard at all."""
LONGEST_REQUEST: Final = 5.0
"""Seconds that a request may take to arrive, and an answer to be taken."""
STOP_SECONDS: Final = 3.0
"""Seconds that commands under way get to end in order when the agent stops."""
_PEER: Final = struct.Struct("3i")
"""struct ucred of unix(7): process, user, group."""


class NoSocket(AsleftError):
    """The local socket cannot be made."""


class AgentFailed(AsleftError):
    """A bug of the agent showed while it did what was asked."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Caller:
    """Who asks, as the system says (SO_PEERCRED of unix(7)).

    Args:
        account: The account's name, or its number where it has none.
        person: Key in people.yaml that the settings give for it; None where they give none.
        trusted: Whether it is root or the agent's own account, which may act as anybody.
    """

    account: str
    person: str | None
    trusted: bool


Handler = Callable[[Mapping[str, Any], Caller], Awaitable[Any]]
"""Does one command; it takes arguments and gives what JSON holds."""


@asynccontextmanager
async def answering(
    path: Path,
    handlers: Mapping[str, Handler],
    *,
    accounts: Callable[[], Mapping[str, str]],
    group: str | None = None,
    trusted: Collection[int] | None = None,
    log: Log | None = None,
) -> AsyncIterator[None]:
    """Answer at the local socket meanwhile; at the end, what is under way is told to stop and gets a moment to do so.

    The home's lock must be held: a socket that lies at the path was left behind, and goes.

    Args:
        path: Where the socket is made.
        handlers: By command. The argument `by`, where there is one, has been held against who asks.
        accounts: Gives which account is which person, as it holds now.
        group: Group whose members may open the socket, too.
        trusted: Users that may act as anybody; root and the agent's own where None.
        log: Where refusals and failures are told.

    Raises:
        NoSocket: It cannot be made.
    """
    known = frozenset({0, os.geteuid()} if trusted is None else trusted)
    desk = _Desk(handlers, accounts, known, log or log_of("socket"))
    bound = _bound(path, group)
    try:
        server = await asyncio.start_unix_server(desk.serve, sock=bound, limit=MOST_REQUEST)
    except BaseException:
        bound.close()
        raise
    try:
        yield
    finally:
        # First nobody can come any more, then those who are here are sent off.
        _remove(path)
        server.close()
        await desk.stop()


def _bound(path: Path, group: str | None) -> socket.socket:
    if path.exists() and not path.is_socket():
        raise NoSocket("something that is no socket lies there", where=str(path), todo="move it away")
    made = socket.socket(socket.AF_UNIX)
    fresh = path.with_name(f".{path.name}-{os.getpid()}")
    try:
        with address_of(fresh) as address:
            fresh.unlink(missing_ok=True)
            made.bind(address)
        # Nobody can connect before it listens, and by then it has the rights that it shall have.
        if group is None:
            fresh.chmod(0o600)
        else:
            os.chown(fresh, -1, grp.getgrnam(group).gr_gid)
            fresh.chmod(0o660)
        made.listen(MOST_AT_ONCE)
        fresh.replace(path)
    except KeyError as wrong:
        _undo(made, fresh)
        raise NoSocket(
            f"there is no group '{harmless(str(group))}'",
            where=str(path),
            todo="mend socket-group in the settings",
        ) from wrong
    except OSError as wrong:
        _undo(made, fresh)
        raise NoSocket(
            f"the local socket cannot be made: {os.strerror(wrong.errno) if wrong.errno else wrong}",
            where=str(path),
            todo="see who owns the folder, or name another socket in the settings",
        ) from wrong
    made.setblocking(False)  # noqa: FBT003 the standard library's own signature
    return made


def _undo(made: socket.socket, fresh: Path) -> None:
    made.close()
    _remove(fresh)


def _remove(path: Path) -> None:
    with suppress(OSError):
        path.unlink()


class _Desk:
    """Serves connections, each with one request."""

    def __init__(
        self,
        handlers: Mapping[str, Handler],
        accounts: Callable[[], Mapping[str, str]],
        trusted: frozenset[int],
        log: Log,
    ) -> None:
        self._handlers = handlers
        self._accounts = accounts
        self._trusted = trusted
        self._log = log
        self._here: set[asyncio.Task[Any]] = set()
        self._work: set[asyncio.Task[Any]] = set()
        self._stopping = False

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Serve one connection."""
        task = asyncio.current_task()
        if task is not None:
            self._here.add(task)
            task.add_done_callback(self._here.discard)
        try:
            answer = await self._answer(reader, self._caller(writer.get_extra_info("socket")))
            if answer:
                async with asyncio.timeout(LONGEST_REQUEST):
                    writer.write(answer)
                    await writer.drain()
        except (OSError, TimeoutError):
            self._log.info("who asked is gone before the answer was given")
        finally:
            # An end that does not take what is left must not hold the connection.
            writer.transport.abort() if writer.transport.get_write_buffer_size() else writer.close()

    async def stop(self) -> None:
        """Tell what is under way to stop, and give it a moment to say how it ended."""
        self._stopping = True
        for task in self._work:
            task.cancel()
        if self._here:
            _, late = await asyncio.wait(self._here, timeout=STOP_SECONDS)
            for task in late:
                task.cancel()

    def _caller(self, sock: socket.socket) -> Caller:
        _, uid, _ = _PEER.unpack(sock.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _PEER.size))
        try:
            account = pwd.getpwuid(uid).pw_name
        except KeyError:
            account = str(uid)
        # In a user namespace every account that is unknown there shows as one and the same (user_namespaces(7)).
        known = uid != _overflow()
        return Caller(
            account=account,
            person=self._accounts().get(account) if known else None,
            trusted=uid in self._trusted and known,
        )

    async def _answer(self, reader: asyncio.StreamReader, caller: Caller) -> bytes:
        try:
            if len(self._here) > MOST_WAITING:
                return b""
            # Even who is turned away is heard first: to end a connection with something unread takes the answer along.
            async with asyncio.timeout(LONGEST_REQUEST):
                line = await reader.readuntil(b"\n")
            request = read_request(line)
            handler = self._allowed(request, caller)
        except asyncio.IncompleteReadError as cut:
            # Who only looks whether somebody listens says nothing.
            return pack_error(BadRequest("the request ends before its line does")) if cut.partial else b""
        except asyncio.LimitOverrunError:
            return pack_error(BadRequest(f"a request has at most {MOST_REQUEST // 1024} KiB"))
        except TimeoutError:
            return pack_error(BadRequest(f"a request arrives within {LONGEST_REQUEST:.0f} s"))
        except AsleftError as wrong:
            self._log.warning("a request was refused", why=wrong.what, account=caller.account)
            return pack_error(wrong)
        return await self._done(handler, request, caller)

    def _allowed(self, request: Request, caller: Caller) -> Handler:
        if not caller.trusted:
            if caller.person is None:
                raise MayNot(
                    f"the account {harmless(caller.account)} is nobody in people.yaml",
                    todo="have it written under accounts in the agent's settings",
                )
            claimed = request.arguments.get("by", caller.person)
            if claimed != caller.person:
                raise MayNot(
                    f"the account {harmless(caller.account)} is {caller.person}, not {harmless(str(claimed))}",
                    todo=f"act as --by {caller.person}",
                )
        if self._stopping or len(self._work) >= MOST_AT_ONCE:
            why = "the agent is stopping" if self._stopping else "too many ask at once"
            raise AgentFailed(why, todo="try again in a moment")
        handler = self._handlers.get(request.command)
        if handler is None:
            raise BadRequest(
                f"the agent knows no command '{harmless(request.command)}'",
                todo=nearest(request.command, list(self._handlers)),
            )
        return handler

    async def _done(self, handler: Handler, request: Request, caller: Caller) -> bytes:
        self._log.info("asked", command=request.command, account=caller.account, person=caller.person)
        # A task of its own: what was begun is done to its end whether or not somebody still listens.
        work = asyncio.ensure_future(handler(request.arguments, caller))
        self._work.add(work)
        work.add_done_callback(self._work.discard)
        await asyncio.wait({work})
        if work.cancelled():
            return pack_error(
                Interrupted("the agent was stopped", todo="ask again when it runs; see asleft history")
            )
        wrong = work.exception()
        if wrong is None:
            return await self._packed(work.result())
        told = told_of(wrong)
        if told is None:
            number = secrets.token_hex(4)
            self._log.error("a command failed", exc_info=wrong, command=request.command, reference=number)
            told = AgentFailed(
                "unexpected failure, a bug of asleft", todo=f"its log says how, under {number}"
            )
        return pack_error(told)

    async def _packed(self, result: Any) -> bytes:
        try:
            # Thousands of stations make megabytes; the loop must not stand still meanwhile.
            answer = await asyncio.to_thread(pack_result, result)
        except (TypeError, ValueError) as wrong:
            self._log.error("a result cannot be sent", exc_info=wrong)
            return pack_error(AgentFailed("it is done, but the result cannot be sent: a bug of asleft"))
        if len(answer) > MOST_ANSWER:
            return pack_error(
                AgentFailed("it is done, but the result is too long to be sent", todo="ask for one site")
            )
        return answer


def _overflow() -> int:
    try:
        return int(Path("/proc/sys/kernel/overflowuid").read_text("ascii"))
    except (OSError, ValueError):
        return 65534
