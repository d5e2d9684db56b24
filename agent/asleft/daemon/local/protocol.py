"""What the command line and a running agent say to one another over the local socket: one request, one answer.

A request is one line of JSON, `{"asleft": 1, "command": NAME, "arguments": {…}}`. The answer is one line, too: `{"asleft":
1, "result": …}`, or `{"asleft": 1, "error": {"kind": …, "what": …, "where": …, "todo": …}}` where the kind is the
name of the error's class, by which exit codes go. Then the agent closes the connection.
"""

import json
import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from asleft.domain.errors import AsleftError
from asleft.domain.names import harmless

__all__ = [
    "MOST_ANSWER",
    "MOST_REQUEST",
    "VERSION",
    "BadRequest",
    "NoAnswer",
    "Request",
    "ToldByAgent",
    "address_of",
    "pack_error",
    "pack_request",
    "pack_result",
    "read_answer",
    "read_request",
]

VERSION: Final = 1
MOST_REQUEST: Final = 256 * 1024
"""Bytes of a request: thousands of station names have room in it."""
MOST_ANSWER: Final = 64 * 1024 * 1024
"""Bytes of an answer: the report of a round over ten thousand stations needs a tenth of it."""
_LONGEST_PATH: Final = 100
"""Bytes of a socket's path that every system takes; unix(7) has room for 107."""


class BadRequest(AsleftError):
    """A request that the agent does not understand."""


class NoAnswer(AsleftError):
    """The agent did not answer, or not so that it can be understood."""


class ToldByAgent(AsleftError):
    """An error that happened in the agent. Each is raised as a class of its own below this one, named for its kind."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Request:
    """What is asked for."""

    command: str
    arguments: Mapping[str, Any]


@contextmanager
def address_of(path: Path) -> Iterator[str]:
    """Give the path under which a socket can be bound or reached meanwhile, however deep its folder lies.

    A socket's address has room for about a hundred bytes; through a handle on its folder any path is short.
    """
    if len(os.fsencode(path)) <= _LONGEST_PATH:
        yield str(path)
        return
    handle = os.open(path.parent, os.O_PATH | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        yield f"/proc/self/fd/{handle}/{path.name}"
    finally:
        os.close(handle)


def pack_request(command: str, arguments: Mapping[str, Any]) -> bytes:
    """Give a request as it is sent.

    Raises:
        BadRequest: It is longer than an agent takes.
    """
    data = _line({"command": command, "arguments": dict(arguments)})
    if len(data) > MOST_REQUEST:
        raise BadRequest("this is more than an agent takes at once", todo="name fewer stations")
    return data


def read_request(line: bytes) -> Request:
    """Read a request.

    Raises:
        BadRequest: It is no JSON, of another version, or not shaped like one.
    """
    said = _read(line)
    if said is None:
        raise BadRequest("this is no request: a line of JSON was expected")
    if said.get("asleft") != VERSION:
        raise BadRequest(
            f"this agent speaks version {VERSION} of the local socket, the request another",
            todo="use the asleft command of the version that runs as the agent",
        )
    command, arguments = said.get("command"), said.get("arguments", {})
    if not isinstance(command, str) or not isinstance(arguments, dict):
        raise BadRequest("a request names a command and its arguments")
    return Request(command=command, arguments=arguments)


def pack_result(result: Any) -> bytes:
    """Give a result, made of what JSON holds, as it is sent."""
    return _line({"result": result})


def pack_error(error: AsleftError) -> bytes:
    """Give an error as it is sent."""
    kind = type(error).__name__
    return _line({"error": {"kind": kind, "what": error.what, "where": error.where, "todo": error.todo}})


def read_answer(line: bytes, *, where: str) -> Any:
    """Give the result in an answer, or raise the error that it tells.

    Args:
        line: As it came.
        where: The socket, for errors.

    Raises:
        ToldByAgent: It tells an error; the class has the name of the error's kind.
        NoAnswer: It cannot be understood.
    """
    said = _read(line)
    if said is None or said.get("asleft") != VERSION:
        raise NoAnswer(
            "the agent's answer cannot be understood", where=where, todo="are both of the same version?"
        )
    error = said.get("error")
    if isinstance(error, dict):
        raise _class_named(str(error.get("kind")))(
            str(error.get("what")), where=str(error.get("where", "")), todo=str(error.get("todo", ""))
        )
    if "result" not in said:
        raise NoAnswer("the agent's answer holds no result", where=where)
    return said["result"]


def _class_named(kind: str) -> type[ToldByAgent]:
    """Make the class by whose name the exit code is found; a name that is none becomes harmless, and means nothing."""
    name = kind if kind.isidentifier() else "ToldByAgent"
    return type(harmless(name, longest=60), (ToldByAgent,), {"__doc__": "An error of the agent."})


def _line(content: Mapping[str, Any]) -> bytes:
    return json.dumps({"asleft": VERSION, **content}).encode() + b"\n"


def _read(line: bytes) -> dict[str, Any] | None:
    try:
        said = json.loads(line)
    except (ValueError, RecursionError):
        return None
    return said if isinstance(said, dict) else None
