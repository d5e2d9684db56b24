"""How a command that comes over the local socket is done: its arguments are checked, it has its turn, its result is packed."""

from collections.abc import Awaitable, Callable, Mapping
from contextlib import AbstractAsyncContextManager
from typing import Any, TypeVar

from pydantic import ValidationError

from asleft.daemon.local.asking import adapter_of
from asleft.daemon.local.protocol import BadRequest
from asleft.daemon.local.seeing import Sight
from asleft.daemon.local.server import Caller, Handler
from asleft.daemon.logs import log_of
from asleft.domain.errors import AsleftError, told_of
from asleft.domain.names import harmless
from asleft.domain.withheld import Withheld

__all__ = ["Turn", "handler_of"]

Turn = AbstractAsyncContextManager[None]
"""Held while something is done; it may be entered again and again."""

_Asked = TypeVar("_Asked")
_Sent = TypeVar("_Sent")
_log = log_of("socket")


def handler_of(
    turn: Turn,
    do: Callable[[_Asked], Awaitable[_Sent]],
    asked: type[_Asked],
    sent: type[_Sent],
    *,
    before: Callable[[], Awaitable[None]] | None = None,
    sight: Sight | None = None,
    may: Callable[[_Asked, Withheld], _Asked] | None = None,
    seen: Callable[[_Sent, Withheld], _Sent] | None = None,
) -> Handler:
    """Make a handler of what does a command.

    Args:
        turn: Held meanwhile.
        do: Does it.
        asked: Shape of its arguments; others are refused.
        sent: Shape of what it gives.
        before: Done beforehand, without the turn.
        sight: Knows where who asks may look: no refusal of the work names anything elsewhere. Without it nothing is withheld,
            which is for what is about nobody's site.
        may: Gives what is asked for, cut to where who asks may look; it refuses what is not there for them.
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
        if before is not None:
            await before()
        async with turn:
            if sight is not None and may is not None:
                given = _cut(may, given, sight.of(caller), caller)
            try:
                done = await do(given)
            except (AsleftError, BaseExceptionGroup) as wrong:
                told = told_of(wrong)
                if sight is None or told is None:
                    raise
                # Asked anew: the work may have brought another revision into force, with other sites and people.
                withheld = sight.of(caller)
                with withheld.in_refusals():
                    raise sight.mended(told, withheld) from None
        if sight is not None and seen is not None:
            done = seen(done, sight.of(caller))
        return adapter_of(sent).dump_python(done, mode="json")

    return handle


def _cut(
    may: Callable[[_Asked, Withheld], _Asked], given: _Asked, withheld: Withheld, caller: Caller
) -> _Asked:
    try:
        return may(given, withheld)
    except AsleftError as no:
        # The work records what it refuses; of this it never hears.
        _log.info("not there for who asks", account=caller.account, person=caller.person, why=no.what)
        raise
