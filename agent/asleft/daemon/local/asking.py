"""Asking the running agent for something that has a shape: the answer is given as that, or it is none."""

from collections.abc import Awaitable, Mapping
from pathlib import Path
from typing import Any, Final, Protocol, TypeVar, cast

from pydantic import TypeAdapter, ValidationError

from asleft.daemon.local.client import ask_at
from asleft.daemon.local.protocol import NoAnswer

__all__ = ["Ask", "adapter_of", "ask_for"]

_Value = TypeVar("_Value")


class Ask(Protocol):
    """Asks the agent."""

    def __call__(
        self, command: str, arguments: Mapping[str, Any], sent: type[_Value], /
    ) -> Awaitable[_Value]:
        """Give the answer to a command, in its shape."""


def adapter_of(kind: type[_Value]) -> TypeAdapter[_Value]:
    """Give what turns a value of a kind into what JSON holds, and back; made once a kind."""
    made = _MADE.get(kind)
    if made is None:
        made = _MADE[kind] = TypeAdapter(kind)
    return cast("TypeAdapter[_Value]", made)


_MADE: Final[dict[type, TypeAdapter[Any]]] = {}


async def ask_for(path: Path, command: str, arguments: Mapping[str, Any], sent: type[_Value]) -> _Value:
    """Ask the agent at a socket; errors are those of `ask_at`.

    Raises:
        NoAnswer: The answer has another shape.
    """
    result = await ask_at(path, command, arguments)
    try:
        return adapter_of(sent).validate_python(result)
    except ValidationError as wrong:
        raise NoAnswer(
            "the agent's answer cannot be understood",
            where=str(path),
            todo="are both of the same version?",
        ) from wrong
