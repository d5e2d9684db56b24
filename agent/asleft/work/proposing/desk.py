"""The part of the desk that proposes changes of the baseline: who may, the plan, the branch, the record."""

import asyncio
from collections.abc import Callable, Coroutine, Sequence
from dataclasses import replace
from datetime import date
from typing import Any, TypeVar

from asleft.domain.effects.effect import effect_between
from asleft.domain.estate import Estate, StationId
from asleft.domain.journal import Message
from asleft.domain.kinds import nearest
from asleft.domain.names import harmless, listed
from asleft.domain.people import Person, Right
from asleft.ports.clock import Clock
from asleft.ports.ledger import Ledger, Looked
from asleft.ports.proposals import Trials
from asleft.ports.stations import Stations, door_of
from asleft.work.bookkeeping import Bookkeeping
from asleft.work.commissioning import choosing
from asleft.work.commissioning.capturing import Captured, capture
from asleft.work.guards import LONGEST_REASON, check_reason, person_of
from asleft.work.ordering import MayNot, NoStation, stations_of
from asleft.work.proposing.adopt import adopt
from asleft.work.proposing.concede import concede
from asleft.work.proposing.enrol import Wish, enrol
from asleft.work.proposing.exchange import exchange
from asleft.work.proposing.words import (
    Asking,
    Plan,
    Proposed,
    act_message,
    approve_words,
    commit_trailers,
    refusal_message,
)

__all__ = ["ProposalDesk"]

_Made = TypeVar("_Made")


class ProposalDesk:
    """Makes proposals as named persons.

    Args:
        trials: Makes the branches; it is used in threads of its own, one at a time.
        stations: The door to stations, which are only read.
        ledger: How the stations were found.
        books: Records what was proposed, and what was refused.
        clock: Gives the time.
        estate: Gives the estate in force, in its normal state.
    """

    def __init__(
        self,
        trials: Trials,
        stations: Stations,
        ledger: Ledger,
        books: Bookkeeping,
        clock: Clock,
        estate: Callable[[], Estate],
    ) -> None:
        self._trials = trials
        self._stations = stations
        self._ledger = ledger
        self._books = books
        self._clock = clock
        self._estate = estate
        self._making: set[asyncio.Task[Any]] = set()

    async def adopt(
        self, name: str, settings: Sequence[str], *, layer: str = "station", by: str, reason: str
    ) -> Proposed:
        """Propose that a station, named `site/station`, is left as it was found.

        Args:
            name: The station.
            settings: Dotted names; all that drift where empty.
            layer: Which layer shall say so.
            by: Key of the person who proposes it.
            reason: Why.

        Raises:
            NoStation: There is no such station.
            MayNot: The person is not known or has no right to, or there is no reason.
            CannotPropose: It cannot be proposed.
            AsleftError: The baseline would not pass its check, or cannot be written.
        """
        asking, station = self._asking("adopt", name, by, reason)
        standing = self._ledger.standing_at([station])
        plan = adopt(asking, station, self._looked(station), standing, names=settings, layer=layer)
        return await self._put_forward(asking, plan)

    async def concede(
        self, name: str, setting: str, value: str | None, *, holder: str, until: date, by: str, reason: str
    ) -> Proposed:
        """Propose a concession for a setting of a station; its value is as found where None.

        Raises:
            AsleftError: As for `adopt`.
        """
        asking, station = self._asking("concede", name, by, reason)
        plan = concede(
            asking, station, self._looked(station), setting, value=value, holder=holder, until=until
        )
        return await self._put_forward(asking, plan)

    async def exchange(self, name: str, serial: str, *, by: str, reason: str) -> Proposed:
        """Propose another unit for a station.

        Raises:
            AsleftError: As for `adopt`.
        """
        asking, station = self._asking("exchange", name, by, reason)
        return await self._put_forward(
            asking, exchange(asking, station, self._looked(station), serial=serial)
        )

    async def enrol(self, wish: Wish, *, by: str, reason: str) -> Proposed:
        """Propose a new station for a unit that answers.

        Raises:
            StationError: Nothing answers there.
            AsleftError: As for `adopt`.
        """
        estate = self._estate()
        _see_that_it_is_there(estate, wish.site)
        asking = self._asked(estate, "enrol", wish.site, by, reason)
        return await self._put_forward(asking, await enrol(asking, wish, self._trials, self._stations))

    async def capture(self, site: str, wish: choosing.Wish, *, by: str, reason: str) -> Captured:
        """Propose files that say how a whole site was found.

        Raises:
            CannotCapture: A role or a name is not usable.
            CannotFind: The site is not on a network.
            AsleftError: As for `adopt`.
        """
        estate = self._estate()
        _see_that_it_is_there(estate, site)
        asking = self._asked(estate, "capture", site, by, reason)
        return await self._all_of(self._capture(asking, site, wish), f"capture {site}")

    async def _capture(self, asking: Asking, site: str, wish: choosing.Wish) -> Captured:
        estate = asking.estate
        if estate.ground is None:
            raise ValueError(estate.commit)  # an estate in force was read from files
        captured = await capture(
            estate,
            estate.ground,
            site,
            stations=door_of(self._stations, estate, site),
            proposals=self._trials,
            by=asking.person,
            reason=asking.reason,
            wish=wish,
            clock=self._clock,
        )
        if not captured.branch:
            return captured
        message = Message(
            subject=f"{site}: proposed as it was found, {len(captured.stations)} stations",
            body="\n".join((f"commit {captured.commit} changes", *(path for path, _ in captured.files))),
            trailers=(
                ("Site", site),
                ("Proposal", captured.branch),
                ("By", f"{asking.person.name} ({asking.person.key})"),
                ("Reason", asking.reason),
                ("Baseline", estate.commit),
            ),
        )
        self._books.record({}, message, when=asking.now, allow_empty=True)
        return replace(captured, approve=approve_words(estate.approval, captured.branch, captured.commit))

    def _asking(self, verb: str, name: str, by: str, reason: str) -> tuple[Asking, StationId]:
        estate = self._estate()
        (station,) = stations_of(estate, [name])
        return self._asked(estate, verb, station.site, by, reason), station

    def _asked(self, estate: Estate, verb: str, site: str, by: str, reason: str) -> Asking:
        """Ask whether a person may propose something at a site; a refusal is recorded."""
        now = self._clock()
        try:
            person = _proposer(estate, site, by, reason)
        except MayNot as problem:
            said = "" if len(reason) > LONGEST_REASON else reason.strip()
            message = refusal_message(site, verb, problem.what, by=by, reason=said, baseline=estate.commit)
            self._books.record({}, message, when=now, allow_empty=True)
            raise
        return Asking(estate=estate, here=estate.at(now), now=now, person=person, reason=reason.strip())

    def _looked(self, station: StationId) -> Looked | None:
        return self._ledger.looks_at([station]).get(station)

    async def _put_forward(self, asking: Asking, plan: Plan) -> Proposed:
        """Make the branch, tell what it does, and record it; whoever asked may go meanwhile, and it is recorded all the same."""
        return await self._all_of(self._make(asking, plan), f"propose {plan.branch}")

    async def _all_of(self, making_it: Coroutine[Any, Any, _Made], name: str) -> _Made:
        making = asyncio.create_task(making_it, name=name)
        self._making.add(making)
        making.add_done_callback(self._making.discard)
        return await asyncio.shield(making)

    async def _make(self, asking: Asking, plan: Plan) -> Proposed:
        subject = f"{plan.station}: {plan.what}"
        # The estate is read anew and the remote is waited for: the agent goes on looking after stations meanwhile.
        proposal = await asyncio.to_thread(
            self._trials.propose,
            plan.edits,
            base=asking.estate.commit,
            name=plan.branch,
            by=asking.person,
            subject=subject,
            body="\n".join(plan.lines),
            trailers=commit_trailers(asking, plan),
            when=asking.now,
        )
        looks = self._ledger.looks_at(proposal.estate.stations)
        effect = effect_between(
            asking.estate,
            proposal.estate,
            found={station: look.found for station, look in looks.items() if look.found is not None},
            touched=[path for path, _ in proposal.files],
        )
        proposed = Proposed(
            station=plan.station,
            subject=subject,
            branch=proposal.branch,
            commit=proposal.commit,
            base=proposal.base,
            made=asking.now,
            files=proposal.files,
            pushed=proposal.pushed,
            why_not=proposal.why_not,
            effect=effect,
            problems=proposal.problems,
            cautions=plan.warnings,
            approve=approve_words(asking.estate.approval, proposal.branch, proposal.commit),
            then=plan.then,
        )
        self._books.record({}, act_message(asking, plan, proposed), when=asking.now, allow_empty=True)
        return proposed


def _see_that_it_is_there(estate: Estate, site: str) -> None:
    if site not in estate.sites:
        raise NoStation(
            f"there is no site '{harmless(site)}'",
            where="the baseline",
            todo=nearest(site, list(estate.sites)),
        )


def _proposer(estate: Estate, site: str, by: str, reason: str) -> Person:
    """Give the person who may propose something at a site, and says why.

    Raises:
        MayNot: The person is not known or has no right to, or the reason is none.
    """
    person = person_of(estate, by)
    if not _may(person, site):
        able = [key for key, other in estate.people.items() if _may(other, site)]
        raise MayNot(
            f"{person.name} may not propose changes at {site}",
            where="people.yaml",
            todo=f"ask {listed(able, 'person', 'people')}"
            if able
            else "give somebody the right to confirm or approve there",
        )
    check_reason(reason, site, what="a proposal")
    return person


def _may(person: Person, site: str) -> bool:
    return person.may(Right.CONFIRM, site) or person.may(Right.APPROVE, site)
