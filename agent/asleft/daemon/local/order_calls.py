"""Orders and acts at stations over the local socket: how they are asked for and answered, and who asks for the desk.

Who asks stands in `by` at the top of a request and nowhere else, for there the socket holds it against the account.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

from pydantic import ConfigDict
from pydantic.dataclasses import dataclass as checked

from asleft.daemon.local.asking import Ask
from asleft.domain.drawing import Wish
from asleft.domain.estate import StationId
from asleft.domain.orders import Purpose
from asleft.ports.orders import KeptOrder
from asleft.work.acts import Cleared, Lit
from asleft.work.handing import Hand, Handed
from asleft.work.ordering import NothingToRestore
from asleft.work.outlook import Outlook
from asleft.work.restores import DrawnUp

__all__ = [
    "ClearAsked",
    "ClearSent",
    "ConfirmAsked",
    "ConfirmSent",
    "DrawnSent",
    "FactoryAsked",
    "GroupSent",
    "IdentifyAsked",
    "IdentifySent",
    "LookedAtAsked",
    "OutlookAsked",
    "OutlookSent",
    "RemoteActs",
    "RemoteOrders",
    "RestoreAsked",
    "RestoreSent",
    "StopAsked",
    "StopSent",
    "UndoAsked",
    "WithdrawAsked",
    "drawn_sent",
]

_STRICT = ConfigDict(extra="forbid")
_EVERYTHING: Final = frozenset({Purpose.SET_UP})
"""Purposes that write what is as left, too."""


@checked(frozen=True, kw_only=True, config=_STRICT)
class RestoreAsked:
    """Orders for stations named `site/station` or by their site, or with a role; meanings as in `Wish`."""

    names: tuple[str, ...]
    purpose: Literal["restore", "set up"] = "restore"
    role: str = ""
    stop_share: float = 0.0
    by: str = ""
    cannot_wait: str = ""

    def wish(self) -> Wish:
        """Give what is wanted."""
        purpose = Purpose(self.purpose)
        return Wish(
            purpose=purpose, by=self.by, cannot_wait=self.cannot_wait, everything=purpose in _EVERYTHING
        )


@checked(frozen=True, kw_only=True, config=_STRICT)
class UndoAsked:
    """An order undone."""

    order: str
    by: str = ""
    cannot_wait: str = ""


@checked(frozen=True, kw_only=True, config=_STRICT)
class FactoryAsked:
    """An order for a factory state, with the serial as a person typed it."""

    name: str
    serial: str
    by: str
    cannot_wait: str = ""


@checked(frozen=True, kw_only=True, config=_STRICT)
class ConfirmAsked:
    """An order, or a group of them, confirmed as a named person."""

    order: str
    by: str
    reason: str
    accepted: tuple[str, ...] = ()
    signature: str = ""
    hand: bool = False
    """Whether there is somebody to show what a station hands over."""


@checked(frozen=True, kw_only=True, config=_STRICT)
class StopAsked:
    """No further station of a group begun, as a named person."""

    group: str
    by: str
    reason: str = ""


@checked(frozen=True, kw_only=True, config=_STRICT)
class WithdrawAsked:
    """An order or a group that waits taken back, as a named person."""

    order: str
    by: str
    reason: str = ""


@checked(frozen=True, kw_only=True, config=_STRICT)
class LookedAtAsked:
    """The word of a named person that they have looked at the station of a halted order."""

    order: str
    by: str
    reason: str


@checked(frozen=True, kw_only=True, config=_STRICT)
class OutlookAsked:
    """How an order or a group goes on."""

    name: str


@checked(frozen=True, kw_only=True, config=_STRICT)
class IdentifyAsked:
    """The lamp of a station, for some seconds."""

    name: str
    by: str
    seconds: int = 10


@checked(frozen=True, kw_only=True, config=_STRICT)
class ClearAsked:
    """The error count of a station cleared."""

    name: str
    by: str
    reason: str


@dataclass(frozen=True, kw_only=True, slots=True)
class DrawnSent:
    """A `DrawnUp`; why there is no order as what, where and what to do."""

    station: StationId
    order: KeptOrder | None
    why_not: tuple[str, str, str] | None
    waited: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class RestoreSent:
    """What drawing up gave."""

    drawn: tuple[DrawnSent, ...]
    notices: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class ConfirmSent:
    """An order as it ended, or goes on waiting; or one that was just drawn up. `handed` is a secret, for who asked alone."""

    order: KeptOrder
    notices: tuple[str, ...]
    handed: Handed | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class GroupSent:
    """The orders of a group as they ended, or go on waiting."""

    orders: tuple[KeptOrder, ...]
    notices: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class StopSent:
    """The orders of a stopped group that were being carried out, or waited for their turn.

    `hidden` says how many more there are, at sites of which whoever asks is told nothing.
    """

    going: tuple[KeptOrder, ...]
    hidden: int = 0


@dataclass(frozen=True, kw_only=True, slots=True)
class OutlookSent:
    """How an order or a group goes on.

    `hidden` says how many more orders the group has, at sites of which whoever asks is told nothing; then there is no group in
    it, for that names all.
    """

    outlook: Outlook
    hidden: int = 0


@dataclass(frozen=True, kw_only=True, slots=True)
class IdentifySent:
    """How a lamp was lit."""

    lit: Lit


@dataclass(frozen=True, kw_only=True, slots=True)
class ClearSent:
    """How an error count was cleared."""

    cleared: Cleared


def drawn_sent(item: DrawnUp) -> DrawnSent:
    """Give what was drawn up as it is sent."""
    why = item.why_not
    told = None if why is None else (why.what, why.where, why.todo)
    return DrawnSent(station=item.station, order=item.order, why_not=told, waited=item.waited)


def _drawn(sent: DrawnSent) -> DrawnUp:
    why = None
    if sent.why_not is not None:
        what, where, todo = sent.why_not
        why = NothingToRestore(what, where=where, todo=todo)
    return DrawnUp(station=sent.station, order=sent.order, why_not=why, waited=sent.waited)


def _named(by: str, **arguments: Any) -> dict[str, Any]:
    """Give arguments with `by` only where somebody is named: the agent takes who the account is for it otherwise."""
    return {**arguments, **({"by": by} if by else {})}


class RemoteOrders:
    """Has the agent that runs draw up and carry out orders.

    Where a confirmation is cancelled the agent goes on: an order that was begun is never left half done.

    Args:
        ask: Asks the agent.
        noticed: Takes what a person should know of the baseline.
    """

    def __init__(self, ask: Ask, noticed: Callable[[tuple[str, ...]], None]) -> None:
        self._ask = ask
        self._noticed = noticed

    async def restore(
        self, names: Sequence[str], wish: Wish | None = None, *, role: str = "", stop_share: float = 0.0
    ) -> list[DrawnUp]:
        """Have orders drawn up for stations, to restore them or to set them up."""
        wish = wish or Wish()
        arguments = _named(
            wish.by,
            names=[*names],
            purpose=str(wish.purpose),
            role=role,
            stop_share=stop_share,
            cannot_wait=wish.cannot_wait,
        )
        return await self._drawn("restore", arguments)

    async def factory_state(self, name: str, serial: str, *, by: str, cannot_wait: str = "") -> DrawnUp:
        """Have an order drawn up that returns a station to factory state."""
        arguments = {"name": name, "serial": serial, "by": by, "cannot_wait": cannot_wait}
        (drawn,) = await self._drawn("factory-state", arguments)
        return drawn

    async def _drawn(self, command: str, arguments: Mapping[str, Any]) -> list[DrawnUp]:
        sent = await self._ask(command, arguments, RestoreSent)
        self._noticed(sent.notices)
        return [_drawn(item) for item in sent.drawn]

    async def undo(self, order_id: str, *, by: str = "", cannot_wait: str = "") -> KeptOrder:
        """Have the order drawn up that undoes another."""
        return (await self._order("undo", _named(by, order=order_id, cannot_wait=cannot_wait))).order

    async def confirm(
        self,
        order_id: str,
        *,
        by: str,
        reason: str,
        accepted: Sequence[str],
        signature: str = "",
        hand: Hand | None = None,
    ) -> KeptOrder:
        """Have an order confirmed as a named person, and carried out once enough people have."""
        arguments = _confirming(order_id, by, reason, accepted, signature)
        sent = await self._order("confirm", {**arguments, "hand": hand is not None})
        if hand is not None and sent.handed is not None:
            hand(sent.handed)
        return sent.order

    async def _order(self, command: str, arguments: Mapping[str, Any]) -> ConfirmSent:
        sent = await self._ask(command, arguments, ConfirmSent)
        self._noticed(sent.notices)
        return sent

    async def confirm_group(
        self, group_id: str, *, by: str, reason: str, accepted: Sequence[str], signature: str = ""
    ) -> list[KeptOrder]:
        """Have the orders of a group confirmed as a named person, and carried out once enough people have."""
        arguments = _confirming(group_id, by, reason, accepted, signature)
        sent = await self._ask("confirm-group", arguments, GroupSent)
        self._noticed(sent.notices)
        return list(sent.orders)

    async def stop(self, group_id: str, *, by: str, reason: str = "") -> StopSent:
        """Have no further station of a group begun."""
        return await self._ask("stop", {"group": group_id, "by": by, "reason": reason}, StopSent)

    async def withdraw(self, name: str, *, by: str, reason: str = "") -> list[KeptOrder]:
        """Have an order or a group taken back that waits for a confirmation."""
        sent = await self._ask("withdraw", {"order": name, "by": by, "reason": reason}, GroupSent)
        self._noticed(sent.notices)
        return list(sent.orders)

    async def looked_at(self, order_id: str, *, by: str, reason: str) -> KeptOrder:
        """Have a person's word noted that they have looked at the station of a halted order."""
        return (await self._order("looked-at", {"order": order_id, "by": by, "reason": reason})).order

    async def outlook(self, name: str) -> Outlook:
        """Give how an order, or a group, goes on."""
        return (await self._ask("outlook", {"name": name}, OutlookSent)).outlook


def _confirming(
    order_id: str, by: str, reason: str, accepted: Sequence[str], signature: str
) -> dict[str, Any]:
    return {
        "order": order_id,
        "by": by,
        "reason": reason,
        "accepted": [*accepted],
        "signature": signature,
    }


class RemoteActs:
    """Has the agent that runs tell stations to do things.

    Args:
        ask: Asks the agent.
        orders: Has orders drawn up.
    """

    def __init__(self, ask: Ask, orders: RemoteOrders) -> None:
        self._ask = ask
        self._orders = orders

    async def identify(self, name: str, *, by: str, seconds: int = 10) -> Lit:
        """Have the lamp of a station lit for some seconds; the agent puts it out whatever becomes of who asked."""
        return (await self._ask("identify", {"name": name, "by": by, "seconds": seconds}, IdentifySent)).lit

    async def clear_errors(self, name: str, *, by: str, reason: str) -> Cleared:
        """Have the error count of a station cleared."""
        return (
            await self._ask("clear-errors", {"name": name, "by": by, "reason": reason}, ClearSent)
        ).cleared

    async def factory_state(self, name: str, serial: str, *, by: str, cannot_wait: str = "") -> DrawnUp:
        """Have an order drawn up that returns a station to factory state."""
        return await self._orders.factory_state(name, serial, by=by, cannot_wait=cannot_wait)
