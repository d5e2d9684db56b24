"""What of a change that was just proposed may be told to somebody who may look at some sites alone; every face tells that."""

from collections.abc import Sequence
from dataclasses import replace

from asleft.domain.effects.seeing import seen_effect
from asleft.domain.problems import Problem
from asleft.domain.withheld import Withheld, may_see_file, may_see_problem
from asleft.work.commissioning.capturing import Captured
from asleft.work.proposing.words import Proposed

__all__ = ["captured_seen", "proposed_seen"]

_Files = tuple[tuple[str, str], ...]


def proposed_seen(proposed: Proposed, withheld: Withheld) -> Proposed:
    """Give a proposal with what it does at the sites that may be looked at; stations of others are counted and not named.

    A file that is no such site's keeps its name and loses its difference, for the lines around a change may name any site.

    Args:
        proposed: The proposal.
        withheld: Knows what may not be told.
    """
    if withheld.everywhere:
        return proposed
    return replace(
        proposed,
        files=_files(proposed.files, withheld),
        effect=seen_effect(proposed.effect, withheld.sees, everywhere=False),
        problems=_problems(proposed.problems, withheld),
        elsewhere=proposed.said_elsewhere(withheld.sees),
        in_part=True,
    )


def captured_seen(captured: Captured, withheld: Withheld) -> Captured:
    """Give a captured site as it may be told: as `proposed_seen` does, for all else in it is of that site."""
    if withheld.everywhere:
        return captured
    files, problems = _files(captured.files, withheld), _problems(captured.problems, withheld)
    return replace(captured, files=files, problems=problems)


def _files(files: _Files, withheld: Withheld) -> _Files:
    return tuple((file, diff if may_see_file(file, withheld.sees) else "") for file, diff in files)


def _problems(problems: Sequence[Problem], withheld: Withheld) -> tuple[Problem, ...]:
    return tuple(
        one
        for one in problems
        if may_see_problem(one, withheld.sees, withheld, everywhere=withheld.everywhere)
    )
