"""The desk's changing work over the local socket: how it is asked for and answered, and the desk that asks.

Values go over exactly, as they go into the ledger: `RemoteDesk` gives what the desk in the agent gave. Only what was read
from stations in a round stays there (values and readings), for it would be most of the answer and the ledger has it.
"""

import asyncio
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, TypeVar

from pydantic import AwareDatetime, ConfigDict
from pydantic.dataclasses import dataclass as checked

from asleft.daemon.local.asking import ask_for
from asleft.daemon.local.lending_calls import RemoteLending
from asleft.daemon.local.order_calls import ConfirmSent, RemoteActs, RemoteOrders, RestoreSent
from asleft.daemon.local.proposal_calls import RemoteProposals
from asleft.domain.alarms.alarm import AlarmChange
from asleft.domain.drawing import Wish
from asleft.domain.estate import StationId
from asleft.domain.snapshot import AsFound, NotRead
from asleft.ports.ledger import Standing
from asleft.ports.orders import KeptOrder
from asleft.work.handing import Hand
from asleft.work.restores import DrawnUp
from asleft.work.rounds import Progress, RoundReport

__all__ = [
    "AlarmAsked",
    "AlarmsSent",
    "ConfirmSent",
    "RemoteDesk",
    "RestoreSent",
    "RoundAsked",
    "RoundSent",
    "ZoneAsked",
    "ZoneSent",
]

_STRICT = ConfigDict(extra="forbid")
_Value = TypeVar("_Value")


@checked(frozen=True, kw_only=True, config=_STRICT)
class RoundAsked:
    """A round over some sites; all where none is named."""

    sites: tuple[str, ...] = ()


@checked(frozen=True, kw_only=True, config=_STRICT)
class AlarmAsked:
    """Something done to the alarms of a station, or to one of them, as a named person."""

    name: str
    by: str
    reason: str = ""
    setting: str | None = None
    until: AwareDatetime | None = None


@checked(frozen=True, kw_only=True, config=_STRICT)
class ZoneAsked:
    """The time zone of a site."""

    site: str


@dataclass(frozen=True, kw_only=True, slots=True)
class AlarmsSent:
    """What became of alarms."""

    changes: tuple[AlarmChange, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class ZoneSent:
    """A time zone by its IANA name; None for a site that is none."""

    zone: str | None


@dataclass(frozen=True, kw_only=True, slots=True)
class RoundSent:
    """A `RoundReport`."""

    baseline: str
    began: datetime
    ended: datetime
    looks: tuple[tuple[StationId, AsFound | NotRead], ...]
    standing: tuple[Standing, ...]
    gone: tuple[Standing, ...]
    commit: str | None
    notices: tuple[str, ...]


class RemoteDesk:
    """Has the agent that runs do the work, over its local socket; errors are those of `ask_at`.

    Args:
        path: The socket.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._orders = RemoteOrders(self._ask, self._noticed)
        self.doing = RemoteActs(self._ask, self._orders)
        """What stations are told to do beside their settings."""
        self.proposing = RemoteProposals(self._ask, self._noticed)
        """What is proposed for the baseline."""
        self.lending = RemoteLending(self._ask, self._noticed)
        """Lends settings of stations, and gives them back."""
        self.notices: tuple[str, ...] = ()
        """What a person should know of the baseline that was last worked with."""

    async def take_up(self) -> list[KeptOrder]:
        """Do nothing: the agent settled that when it started."""
        return []

    async def round(self, *, sites: Collection[str] = (), progress: Progress | None = None) -> RoundReport:
        """Have a round done. Its looks come without values and readings; the ledger has them.

        Progress is told afterwards.
        """
        sent = await self._ask("round", {"sites": [*sites]}, RoundSent)
        looks = dict(sent.looks)
        if progress is not None:
            for station, look in looks.items():
                progress(station, look)
        return RoundReport(
            baseline=sent.baseline,
            began=sent.began,
            ended=sent.ended,
            looks=looks,
            standing=sent.standing,
            gone=sent.gone,
            commit=sent.commit,
            notices=sent.notices,
        )

    async def restore(
        self, names: Sequence[str], wish: Wish | None = None, *, role: str = "", stop_share: float = 0.0
    ) -> list[DrawnUp]:
        """Have orders drawn up for stations, to restore them or to set them up."""
        return await self._orders.restore(names, wish, role=role, stop_share=stop_share)

    async def undo(self, order_id: str, *, by: str = "", cannot_wait: str = "") -> KeptOrder:
        """Have the order drawn up that undoes another."""
        return await self._orders.undo(order_id, by=by, cannot_wait=cannot_wait)

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
        """Have an order confirmed as a named person, and carried out once enough people have.

        Where this is cancelled the agent goes on: an order that was begun is never left half done.
        """
        return await self._orders.confirm(
            order_id, by=by, reason=reason, accepted=accepted, signature=signature, hand=hand
        )

    @property
    def orders(self) -> RemoteOrders:
        """What can be asked for about orders besides."""
        return self._orders

    def acknowledge(self, name: str, setting: str | None, by: str, reason: str = "") -> list[AlarmChange]:
        """Say that a person has seen the alarms of a station, or one of them."""
        return self._alarms("acknowledge", name=name, setting=setting, by=by, reason=reason)

    def shelve(
        self, name: str, setting: str | None, by: str, reason: str, until: datetime
    ) -> list[AlarmChange]:
        """Put the alarms of a station off until a time."""
        return self._alarms(
            "shelve", name=name, setting=setting, by=by, reason=reason, until=until.isoformat()
        )

    def unshelve(self, name: str, setting: str | None, by: str, reason: str = "") -> list[AlarmChange]:
        """Take the alarms of a station from the shelf."""
        return self._alarms("unshelve", name=name, setting=setting, by=by, reason=reason)

    def out_of_service(self, name: str, by: str, reason: str) -> list[AlarmChange]:
        """Take a station out of service."""
        return self._alarms("out-of-service", name=name, by=by, reason=reason)

    def in_service(self, name: str, by: str, reason: str = "") -> list[AlarmChange]:
        """Put a station back in service."""
        return self._alarms("in-service", name=name, by=by, reason=reason)

    def zone_of(self, site: str) -> str | None:
        """Give the time zone of a site; None where there is no such site."""
        return asyncio.run(self._ask("zone", {"site": site}, ZoneSent)).zone

    def _alarms(self, command: str, **arguments: str | None) -> list[AlarmChange]:
        # Acts on alarms are no coroutines on the desk either: they reach no station.
        return list(asyncio.run(self._ask(command, arguments, AlarmsSent)).changes)

    def _noticed(self, notices: tuple[str, ...]) -> None:
        self.notices = notices

    async def _ask(self, command: str, arguments: Mapping[str, Any], sent: type[_Value]) -> _Value:
        return await ask_for(self._path, command, arguments, sent)
