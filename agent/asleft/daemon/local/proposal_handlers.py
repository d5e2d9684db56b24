"""What the agent does for the command line about proposals."""

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
from asleft.daemon.local.server import Handler
from asleft.work.commissioning.choosing import Wish
from asleft.work.desk import OwnerDesk
from asleft.work.proposing.desk import ProposalDesk
from asleft.work.proposing.words import Proposed

__all__ = ["proposal_handlers"]


def proposal_handlers(desk: OwnerDesk, proposing: ProposalDesk, turn: Turn) -> dict[str, Handler]:
    """Give what the agent proposes for the command line.

    Args:
        desk: The agent's desk, which knows the notices.
        proposing: Makes the proposals.
        turn: Held while one is made.
    """

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

    return {
        "capture": handler_of(turn, capture, CaptureAsked, CapturedSent),
        "adopt": handler_of(turn, adopt, AdoptAsked, ProposedSent),
        "concede": handler_of(turn, concede, ConcedeAsked, ProposedSent),
        "exchange": handler_of(turn, exchange, ExchangeAsked, ProposedSent),
        "enrol": handler_of(turn, enrol, EnrolAsked, ProposedSent),
    }
