"""Lending over the local socket: how it is asked for and answered, and who asks in the place of the agent's desk."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from pydantic import ConfigDict
from pydantic.dataclasses import dataclass as checked

from asleft.daemon.local.asking import Ask
from asleft.ports.orders import KeptOrder

__all__ = ["GiveBackAsked", "LendAsked", "LendSent", "RemoteLending"]

_STRICT = ConfigDict(extra="forbid")


@checked(frozen=True, kw_only=True, config=_STRICT)
class LendAsked:
    """A setting lent for some seconds."""

    name: str
    setting: str
    value: str
    seconds: float
    by: str
    reason: str


@checked(frozen=True, kw_only=True, config=_STRICT)
class GiveBackAsked:
    """What is lent, given back by a person; the only setting where none is named."""

    name: str
    setting: str = ""
    by: str
    reason: str
    accepted: tuple[str, ...] = ()
    gone: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class LendSent:
    """The order, and what a person should know of the baseline."""

    order: KeptOrder
    notices: tuple[str, ...]


class RemoteLending:
    """Has the agent that runs lend and give back: what `Lending` does, over its local socket.

    Args:
        ask: Asks the agent.
        noticed: Takes what a person should know of the baseline.
    """

    def __init__(self, ask: Ask, noticed: Callable[[tuple[str, ...]], None]) -> None:
        self._ask = ask
        self._noticed = noticed

    async def lend(
        self, name: str, setting: str, text: str, *, lasting: timedelta, by: str, reason: str
    ) -> KeptOrder:
        """Have the order drawn up that lends a setting of a station."""
        arguments = {
            "name": name,
            "setting": setting,
            "value": text,
            "seconds": lasting.total_seconds(),
            "by": by,
            "reason": reason,
        }
        return await self._order("lend", arguments)

    async def give_back(
        self,
        name: str,
        setting: str = "",
        *,
        by: str,
        reason: str,
        accepted: Sequence[str] = (),
        gone: bool = False,
    ) -> KeptOrder:
        """Have given back what is lent."""
        arguments = {
            "name": name,
            "setting": setting,
            "by": by,
            "reason": reason,
            "accepted": [*accepted],
            "gone": gone,
        }
        return await self._order("give-back", arguments)

    async def _order(self, command: str, arguments: Mapping[str, Any]) -> KeptOrder:
        sent = await self._ask(command, arguments, LendSent)
        self._noticed(sent.notices)
        return sent.order
