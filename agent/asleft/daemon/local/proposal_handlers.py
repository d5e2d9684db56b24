"""What the agent does for the command line about proposals, and tells of them as far as who asks may look."""

from collections.abc import Awaitable, Callable
from dataclasses import replace
from typing import TypeVar

from asleft.daemon.local.handlers import Turn, handler_of
from asleft.daemon.local.proposal_calls import (
    AdoptAsked,
    CaptureAsked,
    CapturedSent,
    ConcedeAsked,
    EnrolAsked,
    ExchangeAsked,
    ProposedSent,
)
from asleft.daemon.local.seeing import Sight
from asleft.daemon.local.server import Handler
from asleft.domain.withheld import Withheld
from asleft.work.commissioning.choosing import Wish
from asleft.work.desk import OwnerDesk
from asleft.work.proposing.desk import ProposalDesk
from asleft.work.proposing.seeing import captured_seen, proposed_seen
from asleft.work.proposing.words import Proposed

__all__ = ["proposal_handlers"]

_Asked = TypeVar("_Asked")


def proposal_handlers(desk: OwnerDesk, proposing: ProposalDesk, turn: Turn) -> dict[str, Handler]:
    """Give what the agent proposes for the command line.

    Args:
        desk: The agent's desk, which knows the notices.
        proposing: Makes the proposals.
        turn: Held while one is made.
    """
    sight = Sight(desk)

    def sent(proposed: Proposed) -> ProposedSent:
        return ProposedSent(proposed=proposed, notices=desk.notices)

    async def adopt(one: AdoptAsked) -> ProposedSent:
        return sent(
            await proposing.adopt(one.name, one.settings, layer=one.layer, by=one.by, reason=one.reason)
        )

    async def concede(one: ConcedeAsked) -> ProposedSent:
        return sent(
            await proposing.concede(
                one.name,
                one.setting,
                one.value,
                holder=one.holder,
                until=one.until,
                by=one.by,
                reason=one.reason,
            )
        )

    async def exchange(one: ExchangeAsked) -> ProposedSent:
        return sent(await proposing.exchange(one.name, one.serial, by=one.by, reason=one.reason))

    async def enrol(one: EnrolAsked) -> ProposedSent:
        return sent(await proposing.enrol(one.wish(), by=one.by, reason=one.reason))

    async def capture(one: CaptureAsked) -> CapturedSent:
        wish = Wish(roles=one.roles, names=one.names)
        captured = await proposing.capture(one.site, wish, by=one.by, reason=one.reason)
        return CapturedSent(captured=captured, notices=desk.notices)

    def held_by_theirs(asked: ConcedeAsked, withheld: Withheld) -> ConcedeAsked:
        sight.place(asked.name, withheld)
        sight.person(asked.holder, withheld)
        return asked

    def making(
        do: Callable[[_Asked], Awaitable[ProposedSent]],
        asked: type[_Asked],
        may: Callable[[_Asked, Withheld], _Asked],
    ) -> Handler:
        return handler_of(turn, do, asked, ProposedSent, sight=sight, may=may, seen=_seen)

    return {
        "capture": handler_of(
            turn, capture, CaptureAsked, CapturedSent, sight=sight, may=sight.at_site, seen=_captured_seen
        ),
        "adopt": making(adopt, AdoptAsked, sight.at),
        "concede": making(concede, ConcedeAsked, held_by_theirs),
        "exchange": making(exchange, ExchangeAsked, sight.at),
        "enrol": making(enrol, EnrolAsked, sight.at_site),
    }


def _seen(sent: ProposedSent, withheld: Withheld) -> ProposedSent:
    notices = withheld.lines(sent.notices)
    return replace(sent, proposed=proposed_seen(sent.proposed, withheld), notices=notices)


def _captured_seen(sent: CapturedSent, withheld: Withheld) -> CapturedSent:
    notices = withheld.lines(sent.notices)
    return replace(sent, captured=captured_seen(sent.captured, withheld), notices=notices)
