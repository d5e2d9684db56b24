"""Baseline: the revision in force, who approved it, what is newer and why it is not in force, and what it would do."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from asleft.domain.effects.effect import Effect
from asleft.domain.estate import Estate
from asleft.domain.people import Approval, Right
from asleft.domain.problems import Level, Problem
from asleft.ports.baseline import OpenProposal, Revision
from asleft.web.pages.effects import EffectView, Sees, effect_view, may_see_file, may_see_proposal
from asleft.web.past import zone_of
from asleft.web.web import Viewer, Web
from asleft.work.approved import Stand
from asleft.work.proposing.words import approve_words

__all__ = ["BaselineView", "ProposalView", "routes", "view_of"]

_HOLDS: Final = timedelta(seconds=5)
"""So long an answer is given again: to judge a baseline takes git and ssh-keygen some time."""
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


@dataclass(frozen=True, kw_only=True, slots=True)
class _Known:
    """What was asked of the desk a moment ago."""

    at: datetime
    stand: Stand
    effect: Effect | None
    problems: tuple[Problem, ...]
    waiting: tuple[OpenProposal, ...]


def routes(web: Web) -> list[Route]:
    """Give the routes of the baseline."""
    desk, clock = web.parts.desk, web.parts.clock
    known: list[_Known] = []

    def ask() -> _Known:
        now, in_force = clock(), desk.in_force().estate.commit
        if known and abs(now - known[0].at) < _HOLDS and known[0].stand.in_force.commit == in_force:
            return known[0]
        stand = desk.stand()
        newest = stand.newest.commit
        known[:] = [
            _Known(
                at=now,
                stand=stand,
                effect=None if stand.current else desk.effect_of(newest),
                problems=tuple(desk.problems_of(newest)),
                waiting=tuple(desk.proposals(_MOST + 1)),
            )
        ]
        return known[0]

    async def page(request: Request) -> Response:
        viewer = web.viewer(request)
        if Right.LOOK not in viewer.person.rights:
            raise HTTPException(403)
        told = ask()
        view = view_of(
            told.stand,
            told.effect,
            told.problems,
            sees=viewer.sees,
            everywhere=not viewer.person.sites,
            zone=_zone(desk.in_force().estate, viewer),
            proposals=_PROPOSED if "/history" in web.paths else "",
            waiting=told.waiting,
        )
        return web.show(request, "baseline.html", title="Baseline", view=view)

    async def proposal(request: Request) -> Response:
        viewer, estate = web.viewer(request), desk.in_force().estate
        everywhere = not viewer.person.sites
        found = next(
            (
                one
                for one in desk.proposals(_MOST)
                if one.revision.commit == request.path_params["commit"]
                and may_see_proposal(one, viewer.sees, everywhere=everywhere)
            ),
            None,
        )
        if Right.LOOK not in viewer.person.rights:
            raise HTTPException(403)
        if found is None:
            raise HTTPException(404)
        effect = desk.effect_of_proposal(found)
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
        approvers=stand.approvers,
        in_force=stand.in_force,
        approval=_approval(stand),
        on_trust=stand.on_trust,
        newest=stand.newest,
        fetched=stand.fetched,
        zone=zone,
        current=stand.current,
        waits=stand.waits,
        unusable=unusable[:10],
        errors=_some((one for one in errors if one.level is Level.ERROR), sees, everywhere=everywhere),
        objections=Some(
            shown=tuple(
                Wrong(
                    about=f"{f'tag {one.tag} of ' if one.tag else ''}{_line(one.revision)}",
                    what=one.what,
                    fix=one.fix,
                )
                for one in stand.objections[:_MOST]
            ),
            more=max(0, len(stand.objections) - _MOST),
            hidden=0,
        ),
        effect=None if effect is None else effect_view(effect, sees, everywhere=everywhere),
        problems=_some(
            (one for one in problems if one.level is not Level.ERROR), sees, everywhere=everywhere
        ),
        proposals=proposals,
        waiting=tuple(map(_waiting, ours)),
        waiting_more=len(waiting) > _MOST,
        waiting_hidden=len(listed) - len(ours),
    )


def _approval(stand: Stand) -> str:
    if stand.by is None:
        return "no signature was asked for when it came into force"
    tag = f" with tag {stand.by.tag}" if stand.by.tag else ""
    return f"signed by {stand.by.name}{tag}, as {stand.by.principal}, key {stand.by.key}"


def _line(revision: Revision) -> str:
    return (
        f"{revision.commit[:10]} by {revision.author}, {revision.committed_at:%Y-%m-%d}: {revision.subject}"
    )


def _some(problems: Iterable[Problem], sees: Sees, *, everywhere: bool) -> Some:
    listed = list(dict.fromkeys(problems))
    seen = [one for one in listed if everywhere or may_see_file(one.file, sees)]
    return Some(
        shown=tuple(
            Wrong(about=one.where, what=one.what, fix=one.fix, level=str(one.level)) for one in seen[:_MOST]
        ),
        more=max(0, len(seen) - _MOST),
        hidden=len(listed) - len(seen),
    )
