"""Figures and the baseline, in the shapes of `asleft figures` and `asleft baseline`."""

from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Final, Literal

from pydantic import Field

from asleft.domain.alarms.figures import Figure, Figures, Source
from asleft.domain.alarms.times import Taken
from asleft.domain.people import Approval
from asleft.domain.problems import Level, Problem
from asleft.domain.statistics import by_class
from asleft.ports.baseline import Approver, Revision
from asleft.web.api.shapes import Answer, Days, Query, Shape
from asleft.web.discretion import Told
from asleft.work.approved import Stand

__all__ = [
    "Baseline",
    "CheckShape",
    "FiguresAnswer",
    "FiguresQuery",
    "RevisionShape",
    "baseline_of",
    "check_of",
    "figures_answer",
    "revision_of",
]

_MOST: Final = 200
_WITHHELD: Final = "Null where it may be about sites that may not be looked at"


class FiguresQuery(Query):
    """How far back."""

    days: Days = Field(default=30, description="So many days back.")


class IntervalShape(Shape):
    """The interval of a share, as numbers from 0 to 1."""

    low: float
    high: float
    of: int


class TakenClassShape(Shape):
    """How many of some times fall into a class."""

    taken: str = Field(description="The class in words, as `<10 min`: below that, and in none before it.")
    count: int


class TakenShape(Shape):
    """What a time that something took is the mean of, in seconds."""

    of: int
    median: float | None
    longest: float | None
    upper_bounds: int = Field(
        description="Of so many that is an upper bound, and so are mean and median then."
    )
    unknown: int = Field(description="So many more have no bound, and are in no number.")
    classes: tuple[TakenClassShape, ...] = Field(
        description="How many took how long, as the page plots them."
    )


class FigureShape(Shape):
    """One figure beside its target; a value is null where there is no data."""

    figure: str
    value: float | None
    unit: str | None
    target: str | None
    met: bool | None
    source: str | None
    note: str | None
    interval: IntervalShape | None
    times: TakenShape | None = Field(description="Where it is the mean of times that something took.")


class SourceShape(Shape):
    """A source of alarms."""

    station: str
    what: str
    alarms: int


class StaleShape(Shape):
    """An alarm that stands for more than a day."""

    station: str
    since: datetime
    what: str


class FiguresAnswer(Answer):
    """Figures of alarms and answers at the sites that may be looked at."""

    schema_: Literal["asleft-figures"] = "asleft-figures"
    since: datetime
    until: datetime
    alarms: int
    figures: tuple[FigureShape, ...]
    top: tuple[SourceShape, ...]
    chattering: tuple[SourceShape, ...] = Field(description="The first 200.")
    stale: tuple[StaleShape, ...] = Field(description="The first 200.")
    notices: tuple[str, ...]


class RevisionShape(Shape):
    """One commit."""

    commit: str
    author: str | None = Field(description=f"{_WITHHELD}.")
    at: datetime
    subject: str | None = Field(description=f"{_WITHHELD}; of one that is about more, only that.")


class ApproverShape(Shape):
    """Who approved a revision, as the signature proves it."""

    person: str
    name: str
    signs_as: str
    key: str
    tag: str | None


class UnusableShape(Shape):
    """An error in a revision that is approved and cannot be used."""

    commit: str
    where: str
    what: str
    fix: str


class ObjectionShape(RevisionShape):
    """Why a commit or a tag is not approved."""

    tag: str | None
    what: str
    fix: str


class CheckShape(Shape):
    """What the check says of a revision."""

    rule: str
    level: Level
    where: str
    what: str
    fix: str


class Baseline(Answer):
    """Which revision is in force, who approved it, and why anything newer is not."""

    schema_: Literal["asleft-baseline"] = "asleft-baseline"
    rule: Approval
    approvers: tuple[str, ...] = Field(description="Those who have to do with a site that may be looked at.")
    in_force: RevisionShape
    approved_by: ApproverShape | None = Field(
        description="Null where no signature was asked for, or whoever gave it has to do with no site that may be looked at."
    )
    taken_on_trust: bool
    newest: RevisionShape
    newest_in_force: bool
    comes_with_next_round: bool
    fetched: datetime | None
    unusable: tuple[UnusableShape, ...] = Field(
        description="The first 200 errors, at sites that may be looked at."
    )
    objections: tuple[ObjectionShape, ...] = Field(
        description="The first 200 that name nothing of a site that may not be looked at."
    )
    problems: tuple[CheckShape, ...] = Field(
        description="What the check says of the newest revision: the first 200, at sites that may be looked at."
    )


def figures_answer(made: Figures) -> FiguresAnswer:
    """Give figures."""
    return FiguresAnswer(
        since=made.since,
        until=made.until,
        alarms=made.alarms,
        figures=tuple(map(_figure, made.rows)),
        top=tuple(map(_source, made.top)),
        chattering=tuple(map(_source, made.chattering[:_MOST])),
        stale=tuple(
            StaleShape(station=str(alarm.drift.key.station), since=alarm.since, what=alarm.drift.what)
            for alarm in made.stale[:_MOST]
        ),
        notices=made.notices,
    )


def _figure(row: Figure) -> FigureShape:
    share = row.share
    return FigureShape(
        figure=row.name,
        value=row.value,
        unit=row.unit or None,
        target=row.target or None,
        met=row.good,
        source=row.source or None,
        note=row.note or None,
        interval=IntervalShape(low=share.low, high=share.high, of=share.of) if share else None,
        times=row.times and _times(row.times),
    )


def _times(taken: Taken) -> TakenShape:
    return TakenShape(
        of=len(taken.seconds),
        median=taken.median,
        longest=taken.longest,
        upper_bounds=taken.bounded,
        unknown=taken.unknown,
        classes=tuple(TakenClassShape(taken=name, count=count) for name, count in by_class(taken.seconds)),
    )


def _source(source: Source) -> SourceShape:
    return SourceShape(station=str(source.station), what=source.what, alarms=source.alarms)


def baseline_of(
    stand: Stand, problems: Sequence[Problem], may_see: Callable[[Problem], bool], told: Told
) -> Baseline:
    """Give how the revision in force stands to the newest one.

    Args:
        stand: That.
        problems: What the check says of the newest.
        may_see: Tells of a problem whether it may be told.
        told: What else may be.
    """
    unusable = stand.unusable
    errors = [
        UnusableShape(commit=unusable.commit, where=problem.where, what=problem.what, fix=problem.fix)
        for problem in (unusable.problems if unusable else ())
        if unusable and problem.level is Level.ERROR and may_see(problem)
    ]
    return Baseline(
        rule=stand.rule,
        approvers=told.approvers(stand),
        in_force=revision_of(told.revision(stand.in_force)),
        approved_by=_approver(told.approver(stand.by)),
        taken_on_trust=stand.on_trust,
        newest=revision_of(told.revision(stand.newest)),
        newest_in_force=stand.current,
        comes_with_next_round=stand.waits,
        fetched=stand.fetched,
        unusable=tuple(errors[:_MOST]),
        objections=tuple(
            ObjectionShape(
                **dict(revision_of(told.revision(one.revision))),
                tag=one.tag or None,
                what=one.what,
                fix=one.fix,
            )
            for one in list(filter(told.may_see, stand.objections))[:_MOST]
        ),
        problems=tuple(check_of(one) for one in problems if may_see(one))[:_MOST],
    )


def check_of(problem: Problem) -> CheckShape:
    """Give what the check says of one place."""
    return CheckShape(
        rule=problem.rule, level=problem.level, where=problem.where, what=problem.what, fix=problem.fix
    )


def revision_of(revision: Revision) -> RevisionShape:
    """Give one commit."""
    return RevisionShape(
        commit=revision.commit,
        author=revision.author or None,
        at=revision.committed_at,
        subject=revision.subject or None,
    )


def _approver(by: Approver | None) -> ApproverShape | None:
    if by is None:
        return None
    return ApproverShape(
        person=by.person, name=by.name, signs_as=by.principal, key=by.key, tag=by.tag or None
    )
