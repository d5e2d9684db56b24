"""The command line's end of the local socket: asks the agent that runs, or says that none does."""

import asyncio
import os
import socket
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from asleft.daemon.home import Home
from asleft.daemon.local.protocol import MOST_ANSWER, NoAnswer, address_of, pack_request, read_answer
from asleft.daemon.settings.settings import BadSettings, read_settings

__all__ = ["ask", "ask_at", "listens", "socket_of"]

_CONNECT_SECONDS: Final = 2.0
_PIECE: Final = 256 * 1024


def socket_of(folder: Path) -> Path:
    """Give the path of a home's local socket.

    `ASLEFT_SOCKET` names it for who may not read the home.
    """
    home = Home(folder)
    named = os.environ.get("ASLEFT_SOCKET")
    if named:
        return Path(named)
    try:
        return read_settings(home.settings).socket or home.folder / "agent.sock"
    except BadSettings:
        # What is wrong with the settings is told by whoever needs them.
        return home.folder / "agent.sock"


def listens(path: Path) -> bool:
    """Tell whether an agent listens at a socket; one that was left behind by an agent that is gone is none.

    Raises:
        NoAnswer: Somebody listens, but this account may not ask, or nobody takes the call.
    """
    with socket.socket(socket.AF_UNIX) as probe:
        probe.settimeout(_CONNECT_SECONDS)
        try:
            with address_of(path) as address:
                probe.connect(address)
        except (FileNotFoundError, NotADirectoryError, ConnectionRefusedError):
            return False
        except OSError as wrong:
            raise _unreached(path, wrong) from wrong
        return True


async def ask(folder: Path, command: str, arguments: Mapping[str, Any]) -> Any | None:
    """Ask the agent that runs in a home for something, and give its result; None where none runs.

    Raises:
        ToldByAgent: It could not be done; the error's class has the name of what it was in the agent.
        NoAnswer: The agent ended, or this account may not ask.
    """
    path = socket_of(folder)
    return await ask_at(path, command, arguments) if listens(path) else None


async def ask_at(path: Path, command: str, arguments: Mapping[str, Any]) -> Any:
    """Ask the agent that listens at a socket; raises as `ask`. Cancelling it does not stop what was begun."""
    request = pack_request(command, arguments)
    try:
        with address_of(path) as address:
            async with asyncio.timeout(_CONNECT_SECONDS):
                reader, writer = await asyncio.open_unix_connection(address)
    except OSError as wrong:  # a TimeoutError is one
        raise _unreached(path, wrong) from wrong
    try:
        writer.write(request)
        await writer.drain()
        answer = await _all(reader, path)
    except OSError as wrong:
        raise _unreached(path, wrong) from wrong
    finally:
        writer.close()
    return read_answer(answer, where=str(path))


async def _all(reader: asyncio.StreamReader, path: Path) -> bytes:
    parts: list[bytes] = []
    size = 0
    while part := await reader.read(_PIECE):
        size += len(part)
        if size > MOST_ANSWER:
            raise NoAnswer("the answer is longer than any agent's", where=str(path))
        parts.append(part)
    if not parts:
        raise NoAnswer(
            "the agent ended before it answered", where=str(path), todo="see its log; start it and ask again"
        )
    return b"".join(parts)


def _unreached(path: Path, wrong: OSError) -> NoAnswer:
    if isinstance(wrong, PermissionError):
        return NoAnswer(
            "this account may not ask the agent",
            where=str(path),
            todo="have it put into the agent's socket-group",
        )
    said = wrong.strerror or "it does not take the call"
    return NoAnswer(f"the agent cannot be asked: {said.lower()}", where=str(path), todo="see whether it runs")
