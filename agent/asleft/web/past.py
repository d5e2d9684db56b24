"""Questions about the past, asked by pages and programs alike: in threads, a few at a time, and bounded."""

from collections import OrderedDict
from collections.abc import Callable, Collection, Iterable
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final, TypeVar

from starlette.concurrency import run_in_threadpool

from asleft.domain.errors import AsleftError
from asleft.domain.estate import Estate
from asleft.domain.evidence.account import Account
from asleft.domain.evidence.pieces import Piece
from asleft.domain.evidence.seeing import Scope
from asleft.web.turns import Turns
from asleft.work.evidence.desk import EvidenceDesk

__all__ = ["OpenEvidence", "Past", "Saying", "zone_asked", "zone_of", "zones_differ"]

AT_ONCE: Final = 2
"""So many questions are answered at once; others wait."""
_KEPT: Final = 32
_KEPT_SAYINGS: Final = 2_000
OpenEvidence = Callable[[], AbstractContextManager[EvidenceDesk]]
"""Opens the two repositories; used in the thread that opened them."""
_Told = TypeVar("_Told")


@dataclass(frozen=True, slots=True)
class Saying:
    """What a commit of the baseline says, as far as it may be told.

    Args:
        subject: Its subject; empty where it may be about other sites.
        seen: Whether it is about a site that may be told of, so that who wrote it may be, too.
    """

    subject: str = ""
    seen: bool = False


class Past:
    """Asks questions about the past; git takes its time, so each is answered in a thread of its own.

    Args:
        evidence: Opens the two repositories for one question.
    """

    def __init__(self, evidence: OpenEvidence) -> None:
        self._evidence = evidence
        self._turns = Turns("the past", at_once=AT_ONCE)
        self._accounts: OrderedDict[tuple[object, ...], Account] = OrderedDict()
        self._sayings: OrderedDict[tuple[Scope, str], Saying] = OrderedDict()

    async def ask(self, question: Callable[[EvidenceDesk], _Told]) -> _Told:
        """Have a question answered.

        Raises:
            TooBusy: Too many wait already.
            AsleftError: What the question raises.
        """
        async with self._turns.one():
            return await run_in_threadpool(self._answered, question)

    async def account(
        self, scope: Scope, since: datetime, until: datetime, *, told_by: Collection[str]
    ) -> Account:
        """Give the account of the sites that may be told of; one that was made lately is kept.

        Args:
            scope: Those sites.
            since: Its beginning.
            until: Its end, which is now.
            told_by: What it follows from beside the hour: as long as that is the same, so is the account.

        Raises:
            TooBusy: Too many wait already.
            NoEvidence: There is none.
        """
        key = (scope, f"{since:%Y-%m-%d %H}", f"{until:%Y-%m-%d %H}", *told_by)
        if key not in self._accounts:
            self._accounts[key] = await self.ask(lambda desk: desk.account((), since, until, scope=scope))
            while len(self._accounts) > _KEPT:
                self._accounts.popitem(last=False)
        return self._accounts[key]

    async def sayings(self, commits: Iterable[str], scope: Scope) -> dict[str, Saying]:
        """Give what commits of the baseline say to somebody who may not look at all sites; what is committed stays as it is.

        Of one that the followed branch does not hold, or while too many ask, nothing is told.

        Args:
            commits: Their ids.
            scope: The sites that may be told of, of which there are some.
        """
        listed = [*dict.fromkeys(commits)]
        # Which names may not be told follows from the estate of now, and what a commit is about never changes.
        scope, say = Scope(scope.sites), scope.withheld.say
        told = {commit: self._sayings[scope, commit] for commit in listed if (scope, commit) in self._sayings}
        new = [commit for commit in listed if commit not in told]
        if new:
            try:
                found = await self.ask(lambda desk: desk.written(new))
            except AsleftError:
                return {commit: told.get(commit, Saying()) for commit in listed}
            for commit in new:
                told[commit] = self._sayings[scope, commit] = _saying(scope, found.get(commit))
            while len(self._sayings) > _KEPT_SAYINGS:
                self._sayings.popitem(last=False)
        return {commit: replace(one, subject=say(one.subject)) for commit, one in told.items()}

    def _answered(self, question: Callable[[EvidenceDesk], _Told]) -> _Told:
        with self._evidence() as desk:
            return question(desk)


def _saying(scope: Scope, piece: Piece | None) -> Saying:
    seen = None if piece is None else scope.see(piece)
    return Saying() if seen is None else Saying(subject=seen.subject, seen=True)


def zone_of(estate: Estate, sites: Iterable[str]) -> str:
    """Give the time zone that sites share; UTC where they share none."""
    zones = {estate.sites[site].time_zone for site in sites if site in estate.sites}
    return zones.pop() if len(zones) == 1 else "UTC"


def zones_differ(estate: Estate, sites: Iterable[str]) -> bool:
    """Tell whether sites have different time zones."""
    return len({estate.sites[site].time_zone for site in sites if site in estate.sites}) > 1


def zone_asked(estate: Estate, scope: Scope, site: str) -> str:
    """Give the time zone of a question about a site, about all that may be told of where none is named.

    A site that may not be told of has the zone of one that is not there: UTC.
    """
    return zone_of(estate, filter(scope.holds, [site] if site else estate.sites))
