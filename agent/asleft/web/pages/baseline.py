"""Baseline: the revision in force, who approved it, what is newer and why it is not in force, and what it would do."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from asleft.domain.effects.effect import Effect
from asleft.domain.estate import Estate
from asleft.domain.people import Approval, Right
from asleft.domain.problems import Level, Problem
from asleft.domain.withheld import Sees, may_see_problem
from asleft.ports.baseline import OpenProposal, Revision
from asleft.web.discretion import EVERYTHING, Told, may_see_proposal, told_of
from asleft.web.frame import Viewer
from asleft.web.pages.effects import EffectView, effect_view
from asleft.web.past import zone_of
from asleft.web.web import Web
from asleft.work.approved import Stand
from asleft.work.proposing.words import approve_words

__all__ = ["BaselineView", "ProposalView", "routes", "view_of"]

_MOST: Final = 50
"""So many objections and problems are shown; the rest is counted."""
_PROPOSED: Final = "/history?kind=adopted&kind=conceded&kind=exchanged&kind=enrolled&kind=captured"
_RULES: Final = {
    Approval.COMMIT: "whatever is on the branch",
    Approval.SIGNED: "every commit since the last approved one is signed by an approver",
    Approval.TAG: "an approver signs a tag",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Wrong:
    """Something that is wrong, and what to do; `about` is the commit or tag, or file and line."""

    about: str
    what: str
    fix: str
    level: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Some:
    """A few of several; `more` counts the rest, `hidden` those about sites that may not be looked at."""

    shown: tuple[Wrong, ...]
    more: int
    hidden: int


@dataclass(frozen=True, kw_only=True, slots=True)
class WaitingView:
    """A proposal that waits.

    Args:
        branch: Its branch.
        commit: Its commit.
        subject: What it is, in words.
        author: Who proposed it.
        at: When.
        files: Files that it touches.
    """

    branch: str
    commit: str
    subject: str
    author: str
    at: datetime
    files: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class ProposalView:
    """A proposal in full.

    Args:
        waiting: What the list tells of it.
        base: The revision that it was made on.
        apart: Whether another one is in force by now.
        approve: How it comes into force.
        zone: Time zone of the sites.
        effect: What it would do; None where it cannot be told.
    """

    waiting: WaitingView
    base: str
    apart: bool
    approve: str
    zone: str
    effect: EffectView | None


@dataclass(frozen=True, kw_only=True, slots=True)
class BaselineView:
    """How the baseline stands.

    Args:
        rule: The approval rule.
        rule_words: What it asks.
        approvers: Who may approve.
        in_force: The revision in force.
        in_force_at: Path of its own page; empty where that may not be looked at.
        approval: Who approved it, in words.
        on_trust: Whether it was taken on trust as the first of all.
        newest: The newest revision that was fetched.
        fetched: When.
        zone: Time zone of the sites.
        current: Whether the newest is in force.
        waits: Whether the next round brings a newer one into force.
        unusable: The newest approved revision where it cannot be used; empty otherwise.
        errors: What is wrong with that one.
        objections: Why newer ones are not approved.
        effect: What the newest would do; None where it is in force, or cannot be used.
        problems: What the check says of the newest, or of the one in force, beside errors.
        proposals: Path to the changes that were ever proposed.
        waiting: Those that wait, the newest first.
        waiting_more: Whether there are older ones that are not listed.
        waiting_hidden: How many are about sites that may not be looked at.
    """

    rule: str
    rule_words: str
    approvers: tuple[str, ...]
    in_force: Revision
    in_force_at: str
    approval: str
    on_trust: bool
    newest: Revision
    fetched: datetime | None
    zone: str
    current: bool
    waits: bool
    unusable: str
    errors: Some
    objections: Some
    effect: EffectView | None
    problems: Some
    proposals: str
    waiting: tuple[WaitingView, ...] = ()
    waiting_more: bool = False
    waiting_hidden: int = 0


def routes(web: Web) -> list[Route]:
    """Give the routes of the baseline."""
    desk, judged = web.parts.desk, web.judged

    async def page(request: Request) -> Response:
        viewer = web.viewer(request)
        if Right.LOOK not in viewer.person.rights:
            raise HTTPException(403)
        told = await judged.standing()
        stand, estate = told.stand, desk.in_force().estate
        view = view_of(
            stand,
            None if stand.current else await judged.effect_of_newest(stand),
            told.problems,
            sees=viewer.sees,
            everywhere=not viewer.person.sites,
            zone=_zone(estate, viewer),
            proposals=_PROPOSED if "/history" in web.paths else "",
            waiting=await judged.proposals(_MOST + 1),
            told=await told_of(web.past, stand, estate, viewer.person),
        )
        return web.show(request, "baseline.html", title="Baseline", view=view)

    async def proposal(request: Request) -> Response:
        viewer, estate = web.viewer(request), desk.in_force().estate
        everywhere = not viewer.person.sites
        if Right.LOOK not in viewer.person.rights:
            raise HTTPException(403)
        found = next(
            (
                one
                for one in await judged.proposals(_MOST)
                if one.revision.commit == request.path_params["commit"]
                and may_see_proposal(one, viewer.sees, everywhere=everywhere)
            ),
            None,
        )
        if found is None:
            raise HTTPException(404)
        effect = await judged.effect_of(found)
        view = ProposalView(
            waiting=_waiting(found),
            base=found.base,
            apart=found.base != estate.commit,
            approve=approve_words(estate.approval, found.branch, found.revision.commit),
            zone=_zone(estate, viewer),
            effect=None if effect is None else effect_view(effect, viewer.sees, everywhere=everywhere),
        )
        return web.show(request, "proposal.html", title="Proposal", view=view)

    return [
        Route("/baseline", page, methods=["GET"]),
        Route("/baseline/proposals/{commit}", proposal, methods=["GET"]),
    ]


def _zone(estate: Estate, viewer: Viewer) -> str:
    return zone_of(estate, filter(viewer.sees, estate.sites))


def _waiting(one: OpenProposal) -> WaitingView:
    return WaitingView(
        branch=one.branch,
        commit=one.revision.commit,
        subject=one.revision.subject,
        author=one.revision.author,
        at=one.revision.committed_at,
        files=one.files,
    )


def view_of(
    stand: Stand,
    effect: Effect | None,
    problems: Sequence[Problem],
    *,
    sees: Sees,
    everywhere: bool,
    zone: str = "UTC",
    proposals: str = "",
    waiting: Sequence[OpenProposal] = (),
    told: Told = EVERYTHING,
) -> BaselineView:
    """Put the page together.

    Args:
        stand: How the revision in force stands to the newest.
        effect: What the newest would do; None where it is in force or cannot be used.
        problems: What the check says of the newest.
        sees: Tells whether a site may be looked at.
        everywhere: Whether any may.
        zone: Time zone of the sites.
        proposals: Path to the changes that were proposed; empty where there is no such page.
        waiting: Changes that were proposed and wait, the newest first.
        told: What of its words may be told.
    """
    listed = waiting[:_MOST]
    ours = [one for one in listed if may_see_proposal(one, sees, everywhere=everywhere)]
    unusable = stand.unusable.commit if stand.unusable else ""
    errors = list(stand.unusable.problems) if stand.unusable else []
    if stand.newest.commit != unusable:
        # Errors of a newest that is neither good nor approved: nobody judged it, and who approves it should know.
        errors += problems
    return BaselineView(
        rule=stand.rule,
        rule_words=_RULES[stand.rule],
        approvers=told.approvers(stand),
        in_force=told.revision(stand.in_force),
        in_force_at=f"/history/{stand.in_force.commit}" if proposals and told.leads(stand.in_force) else "",
        approval=_approval(stand, told),
        on_trust=stand.on_trust,
        newest=told.revision(stand.newest),
        fetched=stand.fetched,
        zone=zone,
        current=stand.current,
        waits=stand.waits,
        unusable=unusable[:10],
        errors=_some((one for one in errors if one.level is Level.ERROR), sees, told, everywhere=everywhere),
        objections=_objections(stand, told),
        effect=None if effect is None else effect_view(effect, sees, everywhere=everywhere),
        problems=_some(
            (one for one in problems if one.level is not Level.ERROR), sees, told, everywhere=everywhere
        ),
        proposals=proposals,
        waiting=tuple(map(_waiting, ours)),
        waiting_more=len(waiting) > _MOST,
        waiting_hidden=len(listed) - len(ours),
    )


def _approval(stand: Stand, told: Told) -> str:
    by = stand.by
    if by is None:
        return "no signature was asked for when it came into force"
    tag = f" with tag {by.tag}" if by.tag else ""
    if told.approver(by) is None:
        return f"signed by somebody of another site{tag}"
    return f"signed by {by.name}{tag}, as {by.principal}, key {by.key}"


def _objections(stand: Stand, told: Told) -> Some:
    seen = [one for one in stand.objections if told.may_see(one)]
    return Some(
        shown=tuple(
            Wrong(
                about=f"{f'tag {one.tag} of ' if one.tag else ''}{_line(told.revision(one.revision))}",
                what=one.what,
                fix=one.fix,
            )
            for one in seen[:_MOST]
        ),
        more=max(0, len(seen) - _MOST),
        hidden=len(stand.objections) - len(seen),
    )


def _line(revision: Revision) -> str:
    by = f" by {revision.author}" if revision.author else ""
    said = f": {revision.subject}" if revision.subject else ""
    return f"{revision.commit[:10]}{by}, {revision.committed_at:%Y-%m-%d}{said}"


def _some(problems: Iterable[Problem], sees: Sees, told: Told, *, everywhere: bool) -> Some:
    listed = list(dict.fromkeys(problems))
    seen = [one for one in listed if may_see_problem(one, sees, told.withheld, everywhere=everywhere)]
    return Some(
        shown=tuple(
            Wrong(about=one.where, what=one.what, fix=one.fix, level=str(one.level)) for one in seen[:_MOST]
        ),
        more=max(0, len(seen) - _MOST),
        hidden=len(listed) - len(seen),
    )
