"""Figures and the baseline."""

from asleft.domain.problems import Problem
from asleft.domain.withheld import may_see_problem
from asleft.web.api.operations import Ask
from asleft.web.api.report_shapes import (
    Baseline,
    FiguresAnswer,
    FiguresQuery,
    baseline_of,
    figures_answer,
)
from asleft.web.discretion import told_of
from asleft.web.pages.figure_plots import part_of

__all__ = ["baseline", "figures"]


async def figures(ask: Ask) -> FiguresAnswer:
    """Make the figures of the sites that may be looked at."""
    desk = ask.parts.desk
    happened = desk.happened(ask.asked(FiguresQuery).days).of(ask.caller.sees)
    estate, board, looks = desk.estate_now(), desk.alarms(), desk.looks()
    drifted = {item.drift.key.station for item in desk.drifts()}
    parts = [part_of(name, estate, looks, drifted) for name in estate.sites if ask.caller.sees(name)]
    return figures_answer(
        happened.figures(
            [alarm for alarm in board.every if ask.caller.sees(alarm.drift.key.station.site)],
            estate,
            ask.parts.watch(),
            as_left=sum(part.as_left for part in parts),
            read=sum(part.read for part in parts),
        )
    )


async def baseline(ask: Ask) -> Baseline:
    """Say how the revision in force stands to the newest."""
    caller, web = ask.caller, ask.house.web
    found = await web.judged.standing()
    told = await told_of(web.past, found.stand, ask.parts.desk.in_force().estate, caller.person)

    def may_see(problem: Problem) -> bool:
        return may_see_problem(problem, caller.sees, told.withheld, everywhere=caller.everywhere)

    return baseline_of(found.stand, found.problems, may_see, told)
