"""Proposals over the local socket: how they are asked for and answered, and who asks in the place of the agent's desk."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from pydantic import ConfigDict
from pydantic.dataclasses import dataclass as checked

from asleft.daemon.local.asking import Ask
from asleft.work.commissioning import choosing
from asleft.work.commissioning.capturing import Captured
from asleft.work.proposing.enrol import Wish
from asleft.work.proposing.words import Proposed

__all__ = [
    "AdoptAsked",
    "CaptureAsked",
    "CapturedSent",
    "ConcedeAsked",
    "EnrolAsked",
    "ExchangeAsked",
    "ProposedSent",
    "RemoteProposals",
]

_STRICT = ConfigDict(extra="forbid")


@checked(frozen=True, kw_only=True, config=_STRICT)
class AdoptAsked:
    """A station left as it was found."""

    name: str
    settings: tuple[str, ...] = ()
    layer: str = "station"
    by: str
    reason: str


@checked(frozen=True, kw_only=True, config=_STRICT)
class ConcedeAsked:
    """A concession for a setting of a station; as found where no value is given."""

    name: str
    setting: str
    value: str | None = None
    holder: str
    until: date
    by: str
    reason: str


@checked(frozen=True, kw_only=True, config=_STRICT)
class ExchangeAsked:
    """Another unit for a station."""

    name: str
    serial: str
    by: str
    reason: str


@checked(frozen=True, kw_only=True, config=_STRICT)
class EnrolAsked:
    """A station for a unit that answers; meanings as in `work.proposing.enrol.Wish`."""

    site: str
    address: str
    name: str
    role: str = ""
    serial: str = ""
    as_role: bool = False
    by: str
    reason: str

    def wish(self) -> Wish:
        """Give what is to be enrolled."""
        return Wish(
            site=self.site,
            address=self.address,
            name=self.name,
            role=self.role,
            serial=self.serial,
            as_role=self.as_role,
        )


@checked(frozen=True, kw_only=True, config=_STRICT)
class CaptureAsked:
    """A whole site as it is found; meanings as in `work.commissioning.choosing.Wish`."""

    site: str
    roles: dict[str, tuple[str, ...]]
    names: dict[str, str]
    by: str
    reason: str


@dataclass(frozen=True, kw_only=True, slots=True)
class CapturedSent:
    """A captured site, and what a person should know of the baseline."""

    captured: Captured
    notices: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class ProposedSent:
    """A proposal, and what a person should know of the baseline."""

    proposed: Proposed
    notices: tuple[str, ...]


class RemoteProposals:
    """Has the agent that runs make proposals: what `ProposalDesk` does, over its local socket.

    Args:
        ask: Asks the agent.
        noticed: Takes what a person should know of the baseline.
    """

    def __init__(self, ask: Ask, noticed: Callable[[tuple[str, ...]], None]) -> None:
        self._ask = ask
        self._noticed = noticed

    async def adopt(
        self, name: str, settings: Sequence[str], *, layer: str = "station", by: str, reason: str
    ) -> Proposed:
        """Propose that a station is left as it was found."""
        arguments = {"name": name, "settings": [*settings], "layer": layer, "by": by, "reason": reason}
        return await self._proposed("adopt", arguments)

    async def concede(
        self, name: str, setting: str, value: str | None, *, holder: str, until: date, by: str, reason: str
    ) -> Proposed:
        """Propose a concession."""
        what = {"name": name, "setting": setting, "value": value}
        who = {"holder": holder, "until": until.isoformat(), "by": by, "reason": reason}
        return await self._proposed("concede", {**what, **who})

    async def exchange(self, name: str, serial: str, *, by: str, reason: str) -> Proposed:
        """Propose another unit for a station."""
        arguments = {"name": name, "serial": serial, "by": by, "reason": reason}
        return await self._proposed("exchange", arguments)

    async def enrol(self, wish: Wish, *, by: str, reason: str) -> Proposed:
        """Propose a new station for a unit that answers."""
        arguments = {
            "site": wish.site,
            "address": wish.address,
            "name": wish.name,
            "role": wish.role,
            "serial": wish.serial,
            "as_role": wish.as_role,
            "by": by,
            "reason": reason,
        }
        return await self._proposed("enrol", arguments)

    async def capture(self, site: str, wish: choosing.Wish, *, by: str, reason: str) -> Captured:
        """Propose files that say how a whole site was found."""
        roles = {role: [*names] for role, names in wish.roles.items()}
        arguments = {"site": site, "roles": roles, "names": dict(wish.names), "by": by, "reason": reason}
        sent = await self._ask("capture", arguments, CapturedSent)
        self._noticed(sent.notices)
        return sent.captured

    async def _proposed(self, command: str, arguments: Mapping[str, Any]) -> Proposed:
        sent = await self._ask(command, arguments, ProposedSent)
        self._noticed(sent.notices)
        return sent.proposed
