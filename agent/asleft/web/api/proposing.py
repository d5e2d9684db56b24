"""Changes of the baseline: what the newest revision would do, what waits, and proposing."""

from collections.abc import Awaitable, Callable
from datetime import date
from typing import Final

from asleft.domain.estate import Estate
from asleft.domain.people import Right
from asleft.ports.baseline import OpenProposal
from asleft.web.api.effect_shapes import EffectAnswer, effect_answer
from asleft.web.api.operations import Ask
from asleft.web.api.paging import follow
from asleft.web.api.problems import ApiRefused
from asleft.web.api.proposal_shapes import (
    Adopt,
    Concede,
    Enrol,
    Exchange,
    Proposal,
    ProposalRow,
    Proposals,
    WaitingProposal,
    proposal_of,
    row_of,
    waiting_of,
)
from asleft.web.api.shapes import MOST, PageQuery
from asleft.web.carrying import fresh
from asleft.web.discretion import may_see_proposal, told_of
from asleft.work.approved import approvers_of
from asleft.work.in_part import see_holder
from asleft.work.proposing.desk import ProposalDesk
from asleft.work.proposing.enrol import Wish
from asleft.work.proposing.words import Proposed, approve_words

__all__ = ["PROPOSING", "adopt", "concede", "effect", "enrol", "exchange", "proposal", "proposals"]

PROPOSING: Final = (Right.CONFIRM, Right.APPROVE)
"""Each of them lets somebody propose changes."""
Make = Callable[[ProposalDesk, str], Awaitable[Proposed]]
"""Makes a proposal at a desk as the person with a key."""


async def effect(ask: Ask) -> EffectAnswer:
    """Say what the newest revision would do; nothing at all where it is in force."""
    caller, web = ask.caller, ask.house.web
    stand = (await web.judged.standing()).stand
    found = await web.judged.effect_of_newest(stand)
    if found is None:
        raise ApiRefused(
            "not-now",
            "the newest revision cannot be used, so it would do nothing",
            where=stand.newest.commit,
            todo="GET /api/baseline says what is wrong with it",
        )
    told = await told_of(web.past, stand, ask.parts.desk.in_force().estate, caller.person)
    before, after = told.revision(stand.in_force), told.revision(stand.newest)
    return effect_answer(before, after, found, caller.sees, everywhere=caller.everywhere)


async def proposals(ask: Ask) -> Proposals:
    """List the changes that wait."""
    estate = ask.parts.desk.in_force().estate
    some, after = follow(await _waiting(ask), lambda one: one.revision.commit, ask.asked(PageQuery))
    return Proposals(
        proposals=tuple(_row(estate, one) for one in some),
        approvers=_approvers(ask, estate),
        next=after,
    )


async def proposal(ask: Ask) -> WaitingProposal:
    """Give one change that waits."""
    desk, caller, commit = ask.parts.desk, ask.caller, ask.path["commit"]
    found = next((one for one in await _waiting(ask) if one.revision.commit == commit), None)
    if found is None:
        raise ApiRefused(
            "not-there",
            f"no proposal with the commit {commit} waits, or this token may not look at all of it",
            todo="GET /api/proposals lists those that wait",
        )
    estate = desk.in_force().estate
    return waiting_of(
        _row(estate, found),
        await ask.house.web.judged.effect_of(found),
        caller.sees,
        everywhere=caller.everywhere,
        apart=found.base != estate.commit,
        approvers=_approvers(ask, estate),
    )


async def _waiting(ask: Ask) -> list[OpenProposal]:
    """Give the changes that wait of which all may be looked at, the newest first."""
    caller = ask.caller
    return [
        one
        for one in await ask.house.web.judged.proposals(MOST)
        if may_see_proposal(one, caller.sees, everywhere=caller.everywhere)
    ]


def _approvers(ask: Ask, estate: Estate) -> tuple[str, ...]:
    """Name those who may approve, as far as they have to do with a site that may be looked at."""
    return ask.in_part.withheld.names(approvers_of(estate))


def _row(estate: Estate, one: OpenProposal) -> ProposalRow:
    return row_of(one, approve_words(estate.approval, one.branch, one.revision.commit))


async def adopt(ask: Ask) -> Proposal:
    """Propose that a station is left as it was found."""
    sent = ask.sent(Adopt)
    return await _proposed(
        ask,
        sent.name,
        lambda desk, by: desk.adopt(sent.name, sent.settings, layer=sent.layer, by=by, reason=sent.reason),
    )


async def concede(ask: Ask) -> Proposal:
    """Propose a concession."""
    sent = ask.sent(Concede)
    try:
        until = date.fromisoformat(sent.until)
    except ValueError as wrong:
        raise ApiRefused(
            "not-valid", "there is no such day", where="until", todo="give a day, as 2026-12-31"
        ) from wrong

    async def made(desk: ProposalDesk, by: str) -> Proposed:
        see_holder(ask.parts.desk.in_force().estate, sent.holder, ask.in_part.withheld)
        return await desk.concede(
            sent.name, sent.setting, sent.value, holder=sent.holder, until=until, by=by, reason=sent.reason
        )

    return await _proposed(ask, sent.name, made)


async def exchange(ask: Ask) -> Proposal:
    """Propose another unit for a station."""
    sent = ask.sent(Exchange)
    return await _proposed(
        ask, sent.name, lambda desk, by: desk.exchange(sent.name, sent.serial, by=by, reason=sent.reason)
    )


async def enrol(ask: Ask) -> Proposal:
    """Propose a new station for a unit that answers."""
    sent = ask.sent(Enrol)
    wish = Wish(
        site=sent.site,
        address=sent.address,
        name=sent.name,
        role=sent.role or "",
        serial=sent.serial,
        as_role=sent.as_role,
    )
    return await _proposed(ask, sent.site, lambda desk, by: desk.enrol(wish, by=by, reason=sent.reason))


async def _proposed(ask: Ask, name: str, make: Make) -> Proposal:
    """Have a change proposed at a station, or a site, where the token may."""
    desk = ask.parts.desk
    await fresh(ask.parts)
    caller = ask.again()
    site = ask.place(desk.estate_now(), name).site
    caller.check(site, *PROPOSING, verb="propose changes")
    async with ask.parts.turn():
        made = await make(desk.proposing, caller.person.key)
    return proposal_of(made, ask.in_part.withheld)
