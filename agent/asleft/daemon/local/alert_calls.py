"""Trying the alerts over the local socket: how it is asked for and answered, who asks, and who does it in the agent."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pydantic import ConfigDict
from pydantic.dataclasses import dataclass as checked

from asleft.daemon.local.asking import ask_for
from asleft.daemon.local.handling import Turn, handler_of
from asleft.daemon.local.seeing import Sight
from asleft.daemon.local.server import Caller, Handler
from asleft.work.trying import Tried, Trying

__all__ = ["TriedSent", "TryAsked", "alert_handlers", "try_at"]

_STRICT = ConfigDict(extra="forbid")


@checked(frozen=True, kw_only=True, config=_STRICT)
class TryAsked:
    """A trial alert to a receiver; to all where none is named."""

    by: str
    to: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class TriedSent:
    """What became of it at each receiver."""

    tried: tuple[Tried, ...]


async def try_at(path: Path, *, by: str, to: str) -> tuple[Tried, ...]:
    """Have the agent at a socket send a trial; errors are those of `ask_at`."""
    return (await ask_for(path, "try-alerts", {"by": by, "to": to}, TriedSent)).tried


def alert_handlers(trying: Trying, turn: Turn, sight: Sight) -> Mapping[str, Handler]:
    """Give what the agent does to try its alerts; who may look at some sites alone tries the ways by which those are told of.

    Args:
        trying: Does it.
        turn: Held meanwhile; one of its own, for rounds need not wait for a mail server.
        sight: Knows where who asks may look.
    """

    async def handle(arguments: Mapping[str, Any], caller: Caller) -> Any:
        async def do(asked: TryAsked) -> TriedSent:
            withheld = sight.of(caller)
            tried = await trying.try_out(by=asked.by, to=asked.to, withheld=withheld)
            return TriedSent(tried=tuple(replace(one, why=withheld.say(one.why)) for one in tried))

        # What it refuses names nobody but who may be told of.
        return await handler_of(turn, do, TryAsked, TriedSent)(arguments, caller)

    return {"try-alerts": handle}
