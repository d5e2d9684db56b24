"""Where approved values come from, told to pages and programs: the line, and what its commit says as far as it may be told."""

import asyncio
from collections import OrderedDict
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from asleft.domain.estate import Estate, StationId
from asleft.domain.evidence.seeing import Scope
from asleft.domain.layers import Origin
from asleft.domain.loans import is_loan
from asleft.ports.baseline import Touch
from asleft.web.past import Past
from asleft.work.desk import OwnerDesk
from asleft.work.questions import WhyView

__all__ = ["Source", "Sources", "told_why"]

_MOST_SOURCES: Final = 5000


@dataclass(frozen=True, kw_only=True, slots=True)
class Source:
    """Where an approved value comes from: the line that won, and the commit that last touched it.

    Args:
        layer: The layer in words.
        file: File in the baseline.
        line: Line in it.
        commit: The commit; empty where the records say it, as for what is lent.
        who: Its author.
        at: When.
        subject: Its subject; empty where it may be about sites that may not be looked at.
    """

    layer: str
    file: str
    line: int
    commit: str
    who: str
    at: datetime
    subject: str


class Sources:
    """Where values come from. A line of a commit is asked of git once, in a thread: what is committed stays as it is.

    Args:
        desk: Answers.
        past: Knows what of a commit may be told.
    """

    def __init__(self, desk: OwnerDesk, past: Past) -> None:
        self._desk = desk
        self._past = past
        self._kept: OrderedDict[tuple[str, str, int], Touch] = OrderedDict()

    async def of(
        self, estate: Estate, station: StationId, settings: Iterable[str], scope: Scope
    ) -> dict[str, Source | None]:
        """Give where a station's values of settings come from; None where no layer names one.

        Args:
            estate: The estate.
            station: The station.
            settings: Dotted names.
            scope: Of which sites may be told.
        """
        origins = estate.stations[station].origins
        found = {
            setting: await self._at(estate.commit, origins[setting]) if setting in origins else None
            for setting in settings
        }
        if scope.everywhere:
            return found
        sayings = await self._past.sayings(
            [one.commit for one in found.values() if one and one.commit], scope
        )
        return {
            setting: replace(one, subject=sayings[one.commit].subject) if one and one.commit else one
            for setting, one in found.items()
        }

    async def _at(self, commit: str, origin: Origin) -> Source:
        touch = await self._touched(commit, origin)
        return Source(
            layer=origin.layer,
            file=origin.file,
            line=origin.line,
            commit=touch.commit,
            who=touch.author,
            at=touch.at,
            subject=touch.subject,
        )

    async def _touched(self, commit: str, origin: Origin) -> Touch:
        if is_loan(origin):
            return self._desk.touched(commit, origin)  # git is not asked
        key = (commit, origin.file, origin.line)
        if key not in self._kept:
            self._kept[key] = await asyncio.to_thread(self._desk.touched, commit, origin)
            while len(self._kept) > _MOST_SOURCES:
                self._kept.popitem(last=False)
        return self._kept[key]


async def told_why(past: Past, view: WhyView, scope: Scope) -> WhyView:
    """Give why a setting has its value, with no more of what commits say than may be told to somebody."""
    commits = [one.touch.commit for one in view.names if one.touch.commit]
    if scope.everywhere or not commits:
        return view
    sayings = await past.sayings(commits, scope)
    names = (
        replace(one, touch=replace(one.touch, subject=sayings[one.touch.commit].subject))
        if one.touch.commit
        else one
        for one in view.names
    )
    return replace(view, names=tuple(names))
