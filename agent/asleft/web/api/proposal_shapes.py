"""Changes proposed for the baseline, in the shapes of `asleft proposals`, `asleft adopt` and their like."""

from collections.abc import Iterable
from datetime import datetime
from typing import Annotated, Literal

from pydantic import Field

from asleft.domain.effects.effect import Effect
from asleft.domain.problems import Level
from asleft.domain.withheld import Sees, Withheld
from asleft.ports.baseline import OpenProposal
from asleft.web.api.effect_shapes import EffectShape, effect_of
from asleft.web.api.problems import for_programs
from asleft.web.api.report_shapes import CheckShape, check_of
from asleft.web.api.shapes import MOST, Answer, PlaceName, Reason, Request, SettingName, Shape, StationName
from asleft.work.proposing.seeing import proposed_seen
from asleft.work.proposing.words import Proposed

__all__ = [
    "Adopt",
    "Concede",
    "Enrol",
    "Exchange",
    "Proposal",
    "ProposalRow",
    "Proposals",
    "WaitingProposal",
    "proposal_of",
    "row_of",
    "waiting_of",
]

PersonKey = Annotated[str, Field(min_length=1, max_length=100)]
Serial = Annotated[str, Field(max_length=64)]
Value = Annotated[str, Field(min_length=1, max_length=200)]
Day = Annotated[str, Field(pattern="^[0-9]{4}-[0-9]{2}-[0-9]{2}$", examples=["2026-12-31"])]


class ProposalRow(Shape):
    """A change that was proposed and waits for people."""

    branch: str
    commit: str
    base: str = Field(description="The revision that it was made on.")
    subject: str
    by: str
    at: datetime
    files: tuple[str, ...] = Field(description="The first 200.")
    approve: str = Field(description="How it comes into force.")


class Proposals(Answer):
    """Changes that wait, the newest first, as far as the sites may be looked at: of the newest 200."""

    schema_: Literal["asleft-proposals"] = "asleft-proposals"
    proposals: tuple[ProposalRow, ...]
    approvers: tuple[str, ...] = Field(
        description="Who may approve; empty where the rule takes whatever is on the branch."
    )
    next: str | None = Field(description="Cursor of what comes after; null at the end.")


class WaitingProposal(ProposalRow):
    """One change that waits, with what it would do."""

    schema_: Literal["asleft-waiting-proposal"] = "asleft-waiting-proposal"
    version: Literal[1] = 1
    apart: bool = Field(description="Whether another revision than its base is in force by now.")
    approvers: tuple[str, ...]
    effect: EffectShape | None = Field(description="Null where it cannot be told.")


class FileShape(Shape):
    """A file that a proposal touches; the difference is null where the file is not of a site that may be looked at."""

    file: str
    diff: str | None


class Proposal(Answer):
    """A change that was just proposed, on a branch of its own; nothing is approved and nothing written."""

    schema_: Literal["asleft-proposal"] = "asleft-proposal"
    station: str
    subject: str
    branch: str
    commit: str
    base: str
    made: datetime
    files: tuple[FileShape, ...]
    pushed: bool
    why_not: str | None
    warnings: tuple[str, ...] = Field(description="What a person should know before it is approved.")
    problems: tuple[CheckShape, ...]
    effect: EffectShape
    approve: str
    then: str | None


class Adopt(Request):
    """What is to be approved as it was found."""

    name: StationName
    settings: Annotated[tuple[SettingName, ...], Field(max_length=50)] = Field(
        default=(), description="Only these settings; all that drifted where none is named."
    )
    layer: Literal["station", "role", "site", "estate", "occasion"] = Field(
        default="station", description="Which layer shall say so."
    )
    reason: Reason = Field(min_length=1)


class Concede(Request):
    """Which exception is allowed, who answers for it, and until when."""

    name: StationName
    setting: SettingName
    value: Value | None = Field(default=None, description="As found where it is left out.")
    holder: PersonKey = Field(description="Who answers for it: a key in people.yaml.")
    until: Day = Field(description="The last day on which it holds, by the clocks there.")
    reason: Reason = Field(min_length=1)


class Exchange(Request):
    """Which unit is to stand for a station."""

    name: StationName
    serial: Serial = Field(min_length=1, description="Read at the new unit.")
    reason: Reason = Field(min_length=1)


class Enrol(Request):
    """Which unit that answers becomes a station."""

    site: PlaceName
    address: Annotated[str, Field(pattern="^[0-9A-Fa-f.:]{2,45}$")] = Field(
        description="Where the unit answers; in the site's station range."
    )
    name: PlaceName = Field(description="What the station shall be called.")
    role: PlaceName | None = None
    serial: Serial = Field(default="", description="The serial that has to answer; any where it is left out.")
    as_role: bool = Field(
        default=False, description="Leave it as role and site say, and not as it was found."
    )
    reason: Reason = Field(min_length=1)


def row_of(one: OpenProposal, approve: str) -> ProposalRow:
    """Give a change that waits."""
    return ProposalRow(
        branch=one.branch,
        commit=one.revision.commit,
        base=one.base,
        subject=one.revision.subject,
        by=one.revision.author,
        at=one.revision.committed_at,
        files=one.files[:MOST],
        approve=approve,
    )


def waiting_of(
    row: ProposalRow,
    effect: Effect | None,
    sees: Sees,
    *,
    everywhere: bool,
    apart: bool,
    approvers: Iterable[str],
) -> WaitingProposal:
    """Give a change that waits in full."""
    told = None if effect is None else effect_of(effect, sees, everywhere=everywhere)
    more = {"effect": told, "apart": apart, "approvers": tuple(approvers)}
    return WaitingProposal.model_validate({**dict(row), **more})


def proposal_of(proposed: Proposed, withheld: Withheld) -> Proposal:
    """Give a change that was just proposed, as far as a caller may look."""
    proposed = proposed_seen(proposed, withheld)
    return Proposal(
        station=str(proposed.station),
        subject=proposed.subject,
        branch=proposed.branch,
        commit=proposed.commit,
        base=proposed.base,
        made=proposed.made,
        files=tuple(FileShape(file=file, diff=diff or None) for file, diff in proposed.files),
        pushed=proposed.pushed,
        why_not=proposed.why_not or None,
        warnings=tuple(map(for_programs, proposed.warnings)),
        problems=tuple(check_of(one) for one in proposed.problems if one.level is not Level.ERROR)[:MOST],
        effect=effect_of(proposed.effect, withheld.sees, everywhere=withheld.everywhere),
        approve=proposed.approve,
        then=for_programs(proposed.then) or None,
    )
