"""The records, figures and the baseline."""

from contextlib import closing
from datetime import datetime
from typing import Final

from starlette.concurrency import run_in_threadpool

from asleft.domain.alarms.figures import figures_of
from asleft.web.api.operations import Ask
from asleft.web.api.problems import ApiRefused
from asleft.web.api.report_shapes import (
    Baseline,
    FiguresAnswer,
    FiguresQuery,
    History,
    HistoryQuery,
    baseline_of,
    entry_of,
    figures_answer,
)
from asleft.web.pages.effects import may_see_file
from asleft.web.pages.figure_plots import part_of
from asleft.web.pages.searching import Found, Wish, search, see_as

__all__ = ["baseline", "figures", "history"]

_REACH: Final = 25_000
"""So many commits one answer looks through; the next one goes on from there."""
_YEARS: Final = range(2000, 2200)
"""Years that records can have."""
_COMMIT: Final = 40


async def history(ask: Ask) -> History:
    """Search the records, in a thread: git takes its time."""
    query = ask.asked(HistoryQuery)
    wish = Wish(
        site=query.site or "",
        station=query.station,
        setting=query.setting or "",
        person=query.person,
        kind=query.kind,
        first=_year_seen("from", query.from_),
        last=_year_seen("to", query.to),
    )
    if wish.first is not None and wish.last is not None and wish.first >= wish.last:
        raise ApiRefused("not-valid", "this time is not after the first one", where="to")
    see = see_as(ask.caller.sees, everywhere=ask.caller.everywhere)
    desk = ask.parts.desk

    def go() -> Found:
        with closing(desk.entries(newest=query.cursor or None)) as entries:
            return search(entries, wish, see, most=query.limit, reach=_REACH)

    async with ask.house.turns:
        if query.cursor and (
            len(query.cursor) != _COMMIT
            or not set(query.cursor) <= set("0123456789abcdef")
            or await run_in_threadpool(desk.entry, query.cursor) is None
        ):
            raise ApiRefused(
                "not-valid",
                "this is no cursor of the records",
                where="cursor",
                todo="give `next` of an answer",
            )
        found = await run_in_threadpool(go)
    return History(
        entries=tuple(map(entry_of, found.entries)), reached=found.reached, next=found.older or None
    )


def _year_seen(name: str, at: datetime | None) -> datetime | None:
    if at is not None and at.year not in _YEARS:
        raise ApiRefused("not-valid", "records have no such year", where=name, todo="give a year from 2000")
    return at


async def figures(ask: Ask) -> FiguresAnswer:
    """Make the figures of the sites that may be looked at."""
    desk = ask.parts.desk
    happened = desk.happened(ask.asked(FiguresQuery).days)
    estate, board, looks = desk.estate_now(), desk.alarms(), desk.looks()
    drifted = {item.drift.key.station for item in desk.drifts()}
    parts = [part_of(name, estate, looks, drifted) for name in estate.sites if ask.caller.sees(name)]
    lists = (board.alarms, board.stale, board.shelved, board.suppressed, board.out_of_service)
    return figures_answer(
        figures_of(
            [event for event in happened.events if ask.caller.sees(event.drift.key.station.site)],
            [alarm for some in lists for alarm in some if ask.caller.sees(alarm.drift.key.station.site)],
            since=happened.until if happened.since is None else happened.since,
            until=happened.until,
            as_left=sum(part.as_left for part in parts),
            read=sum(part.read for part in parts),
        )
    )


async def baseline(ask: Ask) -> Baseline:
    """Say how the revision in force stands to the newest."""
    caller = ask.caller
    return baseline_of(
        ask.parts.desk.stand(), lambda file: caller.everywhere or may_see_file(file, caller.sees)
    )
