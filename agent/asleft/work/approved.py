"""Which revision of the baseline is in force: the newest that passes every check, and never a bad one."""

from collections.abc import Sequence
from dataclasses import dataclass

from asleft.domain.errors import AsleftError
from asleft.domain.estate import Estate
from asleft.domain.problems import Level, Problem
from asleft.ports.baseline import Baseline
from asleft.ports.ledger import Ledger

__all__ = ["IN_FORCE", "BaselineUnusable", "InForce", "in_force"]

IN_FORCE = "baseline in force"
"""Under this key the ledger notes the newest revision that was good."""


class BaselineUnusable(AsleftError):
    """No revision of the baseline can be used."""

    def __init__(self, commit: str, problems: Sequence[Problem]) -> None:
        first = next(problem for problem in problems if problem.level is Level.ERROR)
        count = sum(problem.level is Level.ERROR for problem in problems)
        more = f" (the first of {count} errors)" if count > 1 else ""
        super().__init__(
            f"the baseline at {commit[:10]} cannot be used: {first.what}{more}",
            where=first.where,
            todo=f"{first.fix}; asleft check lists every problem",
        )
        self.problems = tuple(problems)


@dataclass(frozen=True, kw_only=True, slots=True)
class InForce:
    """The estate in force, and what a person should know about it.

    Args:
        estate: The estate.
        notices: Sentences: the remote could not be reached, a newer revision is bad.
    """

    estate: Estate
    notices: tuple[str, ...]


def in_force(baseline: Baseline, ledger: Ledger, *, refresh: bool) -> InForce:
    """Give the estate in force; where the newest revision is bad the last good one stays.

    Args:
        baseline: The baseline repository.
        ledger: Notes which revision was good.
        refresh: Fetch what is new, and note it. Otherwise the revision last noted is given.

    Raises:
        BaselineUnusable: Neither the newest nor an earlier revision is good.
        AsleftError: The baseline has no commit yet.
    """
    notices: list[str] = []
    if refresh:
        try:
            baseline.refresh()
        except AsleftError as problem:
            notices.append(
                f"the baseline could not be fetched, what was fetched before stays in force: {problem}"
            )
    good = ledger.note(IN_FORCE)
    newest = baseline.newest().commit if refresh or good is None else good
    estate, problems = baseline.load(newest)
    if estate is None:
        unusable = BaselineUnusable(newest, problems)
        if good is None or good == newest:
            raise unusable
        estate, _ = baseline.load(good)
        if estate is None:
            raise unusable
        notices.append(f"{good[:10]} stays in force: {unusable}")
    elif refresh and newest != good:
        ledger.set_note(IN_FORCE, newest)
    return InForce(estate=estate, notices=tuple(notices))
