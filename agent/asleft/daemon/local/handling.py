"""How a command that comes over the local socket is done: its arguments are checked, it has its turn, its result is packed."""

from collections.abc import Awaitable, Callable, Mapping
from contextlib import AbstractAsyncContextManager
from typing import Any, TypeVar

from pydantic import ValidationError

from asleft.daemon.local.asking import adapter_of
from asleft.daemon.local.protocol import BadRequest
from asleft.daemon.local.server import Caller, Handler
from asleft.domain.names import harmless
from asleft.domain.withheld import Withheld

__all__ = ["Turn", "handler_of"]

Turn = AbstractAsyncContextManager[None]
"""Held while something is done; it may be entered again and again."""

_Asked = TypeVar("_Asked")
_Sent = TypeVar("_Sent")


def handler_of(
    turn: Turn,
    do: Callable[[_Asked], Awaitable[_Sent]],
    asked: type[_Asked],
    sent: type[_Sent],
    *,
    before: Callable[[], Awaitable[None]] | None = None,
    withheld: Callable[[Caller], Withheld] | None = None,
    seen: Callable[[_Sent, Withheld], _Sent] | None = None,
) -> Handler:
    """Make a handler of what does a command.

    Args:
        turn: Held meanwhile.
        do: Does it.
        asked: Shape of its arguments; others are refused.
        sent: Shape of what it gives.
        before: Done beforehand, without the turn.
        withheld: Finds out what may not be told to who asks, in what is given and in refusals; nothing is withheld without it.
        seen: Gives what of it may be told.
    """

    async def handle(arguments: Mapping[str, Any], caller: Caller) -> Any:
        try:
            given = adapter_of(asked).validate_python(arguments)
        except ValidationError as wrong:
            first = wrong.errors(include_url=False, include_input=False)[0]
            key = harmless(".".join(str(step) for step in first["loc"]))
            raise BadRequest(f"argument {key}: {first['msg'].lower()}") from wrong
        # Whether the caller may act as who is named in `by` was seen to already.
        kept = withheld(caller) if withheld else Withheld.nothing()
        with kept.in_refusals():
            if before is not None:
                await before()
            async with turn:
                done = await do(given)
        if seen is not None:
            done = seen(done, kept)
        return adapter_of(sent).dump_python(done, mode="json")

    return handle
