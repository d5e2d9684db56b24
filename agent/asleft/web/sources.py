"""Where approved values come from, told to pages and programs: the line, and what its commit says as far as it may be told."""

import asyncio
from collections import OrderedDict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from asleft.domain.estate import Estate, StationId
from asleft.domain.evidence.seeing import Scope
from asleft.domain.layers import Origin
from asleft.domain.loans import is_loan
from asleft.domain.withheld import Withheld
from asleft.ports.baseline import Touch
from asleft.web.past import Past
from asleft.work.desk import OwnerDesk
from asleft.work.questions import WhyView

__all__ = ["Source", "Sources", "told_why", "ways_to"]

_MOST_SOURCES: Final = 5000


@dataclass(frozen=True, kw_only=True, slots=True)
class Source:
    """Where an approved value comes from: the line that won, and the commit that last touched it.

    Args:
        layer: The layer in words.
        file: File in the baseline.
        line: Line in it.
        commit: The commit; empty where the records say it, as for what is lent.
        who: Its author; empty where they may not be told.
        at: When.
        subject: Its subject; empty where it may be about sites that may not be looked at.
        to: Path of the commit's page; empty where there is none for whoever looks.
    """

    layer: str
    file: str
    line: int
    commit: str
    who: str
    at: datetime
    subject: str
    to: str = ""


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
        told = await self._told(estate, {setting: one for setting, one in found.items() if one}, scope)
        return {setting: told.get(setting) for setting in found}

    async def known(self, estate: Estate, station: StationId, scope: Scope) -> dict[str, Source]:
        """Give where a station's values come from, as far as git was asked before; by setting, and nothing for the others."""
        found = {
            setting: _source(origin, self._kept[estate.commit, origin.file, origin.line])
            for setting, origin in estate.stations[station].origins.items()
            if (estate.commit, origin.file, origin.line) in self._kept
        }
        return await self._told(estate, found, scope)

    def keep(self, commit: str, why: WhyView) -> None:
        """Keep what git was asked for somebody who wanted to know why one setting has its value."""
        for one in why.names:
            if one.touch.commit:
                self._keep((commit, one.origin.file, one.origin.line), one.touch)

    async def _told(self, estate: Estate, found: Mapping[str, Source], scope: Scope) -> dict[str, Source]:
        """Give sources with the ways to their commits, and with no more of what these say than may be told."""
        commits = [one.commit for one in found.values() if one.commit]
        ways = await ways_to(self._past, commits, scope)
        sayings = {} if scope.everywhere else await self._past.sayings(commits, scope)
        withheld = _beyond(estate, scope)

        def told(one: Source) -> Source:
            said = sayings.get(one.commit)
            if said is None:  # everything may be told, or the records say it
                return replace(one, to=ways.get(one.commit, ""))
            who = withheld.writer(one.who, seen=said.seen)
            return replace(one, to=ways.get(one.commit, ""), who=who, subject=said.subject)

        return {setting: told(one) for setting, one in found.items()}

    async def _at(self, commit: str, origin: Origin) -> Source:
        return _source(origin, await self._touched(commit, origin))

    async def _touched(self, commit: str, origin: Origin) -> Touch:
        if is_loan(origin):
            return self._desk.touched(commit, origin)  # git is not asked
        key = (commit, origin.file, origin.line)
        if key not in self._kept:
            self._keep(key, await asyncio.to_thread(self._desk.touched, commit, origin))
        return self._kept[key]

    def _keep(self, key: tuple[str, str, int], touch: Touch) -> None:
        self._kept[key] = touch
        while len(self._kept) > _MOST_SOURCES:
            self._kept.popitem(last=False)


def _source(origin: Origin, touch: Touch) -> Source:
    return Source(
        layer=origin.layer,
        file=origin.file,
        line=origin.line,
        commit=touch.commit,
        who=touch.author,
        at=touch.at,
        subject=touch.subject,
    )


async def ways_to(past: Past, commits: Iterable[str], scope: Scope) -> dict[str, str]:
    """Give the paths of the pages of commits of the baseline, by commit, of those alone that somebody is shown there.

    Args:
        past: Knows what commits are about.
        commits: Their ids.
        scope: The sites that may be told of.
    """
    listed = [*dict.fromkeys(commits)]
    if not scope.everywhere:
        sayings = await past.sayings(listed, scope) if listed else {}
        listed = [commit for commit in listed if sayings[commit].seen]
    return {commit: f"/history/{commit}" for commit in listed}


def _beyond(estate: Estate, scope: Scope) -> Withheld:
    return Withheld(estate, scope.holds, everywhere=scope.everywhere)


async def told_why(past: Past, estate: Estate, view: WhyView, scope: Scope) -> WhyView:
    """Give why a setting has its value, with no more of what commits say, and of who wrote them, than may be told to somebody.

    Args:
        past: Knows what commits are about.
        estate: In force.
        view: All of it.
        scope: The sites that may be told of.
    """
    commits = [one.touch.commit for one in view.names if one.touch.commit]
    if scope.everywhere or not commits:
        return view
    sayings, withheld = await past.sayings(commits, scope), _beyond(estate, scope)

    def told(touch: Touch) -> Touch:
        said = sayings.get(touch.commit)
        if said is None:  # the records say it
            return touch
        return replace(touch, author=withheld.writer(touch.author, seen=said.seen), subject=said.subject)

    return replace(view, names=tuple(replace(one, touch=told(one.touch)) for one in view.names))
