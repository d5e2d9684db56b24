"""What a station is told to do beside its settings: its lamp, its error count, its return to factory state.

The lamp must never stay on: that it is on stands in the ledger before it is lit, with its unit, and the next start puts it
out before anything else.
"""

import asyncio
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Final

from asleft.domain.alarms.journal import refusal_message
from asleft.domain.drawing import Wish
from asleft.domain.errors import AsleftError
from asleft.domain.estate import AsLeft, Estate, StationId
from asleft.domain.freezing import freeze_at
from asleft.domain.journal import Message, trailers
from asleft.domain.names import harmless
from asleft.domain.orders import Purpose
from asleft.domain.people import Person, Right
from asleft.domain.profile import Concern
from asleft.ports.clock import Clock
from asleft.ports.ledger import Ledger
from asleft.ports.stations import Stations, door_of
from asleft.work.begun import Begun, BegunActs
from asleft.work.bookkeeping import Bookkeeping
from asleft.work.guards import check_reason, frozen_words
from asleft.work.looking import Looking, Meeting, SiteSearch
from asleft.work.may_act import one_station, person_for, see_action
from asleft.work.ordering import MayNot
from asleft.work.restores import DrawnUp, Restores

__all__ = ["CLEAR_ERRORS", "FACTORY", "IDENTIFY", "LONGEST_LAMP", "Cleared", "LampOn", "Lit", "StationActs"]

IDENTIFY: Final = "identify"
CLEAR_ERRORS: Final = "clear-errors"
FACTORY: Final = "factory-state"
"""Names of the actions, as profiles have them."""
LONGEST_LAMP: Final = 120
"""Seconds that a lamp may be on at most."""
_ERRORS: Final = "service.errors"
_CLEARING: Final = timedelta(seconds=30)
"""So long clearing may take with all its waiting; it is not begun closer than this to a freeze."""
_TAKING_UP: Final = 5.0
"""Seconds for which a start looks for one station whose lamp was left on."""
_TRIES: Final = 3


class LampOn(AsleftError):
    """A lamp could not be put out, as far as is known."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Lit:
    """How a lamp was lit and put out.

    Args:
        station: Where.
        serial: The unit.
        seconds: How long it was on.
        shown: What the station said of the lamp while it was on, and what when it was off; None where it cannot be read.
    """

    station: StationId
    serial: str
    seconds: float
    shown: tuple[bool | None, bool | None]


@dataclass(frozen=True, kw_only=True, slots=True)
class Cleared:
    """How an error count was cleared; each count is a text, or None where it cannot be read."""

    station: StationId
    serial: str
    before: str | None
    after: str | None


class StationActs:
    """Has stations do things, as named persons.

    Args:
        stations: The door to stations.
        ledger: Knows what was begun.
        books: Records what was done, and what was refused.
        restores: Draws up orders, and knows where one is being carried out.
        clock: Gives the time.
        present: Gives the estate as it is now.
        fetched: The same, after fetching the baseline.
        sleep: Lets so many seconds go by.
    """

    def __init__(
        self,
        stations: Stations,
        ledger: Ledger,
        books: Bookkeeping,
        restores: Restores,
        clock: Clock,
        *,
        present: Callable[[], Estate],
        fetched: Callable[[], Estate],
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
    ) -> None:
        self._stations = stations
        self._begun = BegunActs(ledger)
        self._books = books
        self._restores = restores
        self._clock = clock
        self._present = present
        self._fetched = fetched
        self._sleep = sleep
        self._looking = Looking(None, clock)

    # The lamp.

    async def identify(self, name: str, *, by: str, seconds: int = 10) -> Lit:
        """Light the lamp of a station for some seconds; it is put out again whatever happens.

        Args:
            name: The station, as `site/station`.
            by: Key of the person.
            seconds: How long, 1 to 120.

        Raises:
            NoStation: There is no such station.
            MayNot: The person is not known or has no right to, the site is frozen, or the model has no lamp.
            StationError: It cannot be reached, or will not; where the lamp may be on, the sentence says so.
        """
        estate = self._present()
        station = one_station(estate, name)
        with self._refusing(estate, station, IDENTIFY, by, ""):
            person = person_for(estate, station, by, Right.ACKNOWLEDGE, "light the lamp")
            if not 1 <= seconds <= LONGEST_LAMP:
                raise MayNot(
                    f"the lamp is lit for 1 to {LONGEST_LAMP} seconds, not {seconds}",
                    where=str(station),
                    todo="give another --for",
                )
            see_action(estate, station, IDENTIFY)
            if not estate.orders.lights:
                self._see_not_frozen(estate, station, timedelta(seconds=seconds))
            if any(one.action == IDENTIFY and one.where == station for one in self._begun.all()):
                raise MayNot(
                    "its lamp is on already, or could not be put out yet",
                    where=str(station),
                    todo="wait until it is off",
                )
        as_left = estate.stations[station]
        meeting = await self._met(estate, as_left)
        begun = Begun.of(IDENTIFY, as_left, meeting, by=by, reason="", at=self._clock())
        lit, shown = self._clock(), None
        try:
            async with meeting:
                self._begun.add(begun)
                await meeting.conversation.do(IDENTIFY)
                shown = await meeting.conversation.is_on(IDENTIFY)
            await self._sleep(seconds)
        finally:
            try:
                off = await self._put_out(estate, begun)
            except AsleftError as problem:
                self._record(estate, begun, "the lamp may still be on", problem.what, person)
                raise
            lasted = round((self._clock() - lit).total_seconds(), 1)
            self._record(estate, begun, f"lamp on for {lasted:g} s", _lamp_words(shown, off), person)
        return Lit(station=station, serial=begun.serial, seconds=lasted, shown=(shown, off))

    async def _put_out(self, estate: Estate, begun: Begun) -> bool | None:
        """Put a lamp out, and give whether the station says that it is on; the note of it goes once it is out."""
        as_left = replace(estate.stations[begun.where], serial=begun.serial)
        for left in reversed(range(_TRIES)):
            try:
                async with await self._met(estate, as_left) as meeting:
                    await meeting.conversation.do(IDENTIFY, on=False)
                    on = await meeting.conversation.is_on(IDENTIFY)
            except AsleftError as problem:
                if left:
                    continue
                raise _still_on(begun, problem.what) from problem
            if on:
                raise _still_on(begun, "it was told to go out, and says that it is on")
            break
        self._begun.remove(begun)
        return on

    # The error count.

    async def clear_errors(self, name: str, *, by: str, reason: str) -> Cleared:
        """Clear the error count of a station, and read it.

        Raises:
            NoStation: There is no such station.
            MayNot: The person is not known or has no right to, there is no reason, the site is frozen, the model has no such
                action, or an order is being carried out there.
            StationError: It cannot be reached, or will not.
        """
        estate = self._fetched()
        station = one_station(estate, name)
        with self._refusing(estate, station, CLEAR_ERRORS, by, reason):
            person = person_for(estate, station, by, Right.CONFIRM, "clear the error count")
            check_reason(reason, str(station))
            see_action(estate, station, CLEAR_ERRORS)
            self._see_not_frozen(estate, station, _CLEARING)
            if station in self._restores.busy:
                raise MayNot(
                    "an order is being carried out there", where=str(station), todo="wait until it ends"
                )
        as_left = estate.stations[station]
        async with await self._met(estate, as_left) as meeting:
            before = await self._errors(as_left, meeting)
            begun = Begun.of(CLEAR_ERRORS, as_left, meeting, by=by, reason=reason, at=self._clock())
            self._begun.add(begun)
            try:
                await meeting.conversation.do(CLEAR_ERRORS)
                after = await self._errors(as_left, meeting)
            except AsleftError as problem:
                self._record(estate, begun, "error count asked to be cleared", problem.what, person)
                self._begun.remove(begun)
                raise
        was, now = before or "not known", after or "not known"
        self._record(estate, begun, "error count cleared", f"it was {was} and reads {now}", person)
        self._begun.remove(begun)
        return Cleared(station=station, serial=begun.serial, before=before, after=after)

    async def _errors(self, as_left: AsLeft, meeting: Meeting) -> str | None:
        setting = as_left.profile.settings.get(_ERRORS)
        if setting is None:
            return None
        value = (await meeting.conversation.read([_ERRORS])).values.get(_ERRORS)
        return None if value is None else harmless(setting.show(value))

    # Factory state.

    async def factory_state(self, name: str, serial: str, *, by: str, cannot_wait: str = "") -> DrawnUp:
        """Draw up the order that returns a station to factory state; two people confirm it.

        Args:
            name: The station, as `site/station`.
            serial: Its serial as a person typed it, read from the unit.
            by: Key of the person.
            cannot_wait: Why it cannot wait for the end of a freeze; empty where it can.

        Raises:
            NoStation: There is no such station.
            MayNot: The person is not known or has no right to, the model has no such action, or the serial is not the
                approved one.
        """
        estate = self._fetched()
        station = one_station(estate, name)
        with self._refusing(estate, station, FACTORY, by, cannot_wait):
            person_for(
                estate, station, by, Right.CONFIRM, "ask for a factory state", concerns=frozenset(Concern)
            )
            see_action(estate, station, FACTORY)
            approved = estate.stations[station].serial
            if not approved or serial.strip() != approved:
                # The right one is not told here: who types it has to have read it at the unit.
                raise MayNot(
                    f"serial '{harmless(serial)}' is not the one approved for it"
                    if approved
                    else "no unit is approved for it",
                    where=str(station),
                    todo="read the serial at the unit itself and type all of it",
                )
        wish = Wish(purpose=Purpose.FACTORY, by=by, cannot_wait=cannot_wait, action=FACTORY)
        (drawn,) = await self._restores.draw_up(estate, [station], wish)
        return drawn

    # After a crash.

    async def take_up(self, estate: Estate) -> None:
        """Put out the lamps that an agent that is gone left on, and record what else it had begun.

        A station that does not answer keeps its note: the next start tries again.
        """
        for begun in self._begun.all():
            if begun.action != IDENTIFY or begun.where not in estate.stations:
                self._record(
                    estate, begun, f"{begun.action} begun", "the agent stopped before it knew the end", None
                )
                self._begun.remove(begun)
                continue
            with suppress(AsleftError, TimeoutError):
                async with asyncio.timeout(_TAKING_UP):
                    off = await self._put_out(estate, begun)
                words = f"the agent stopped while it was on; {_lamp_words(None, off)}"
                self._record(estate, begun, "lamp put out", words, None)

    # What all of them do.

    async def _met(self, estate: Estate, as_left: AsLeft) -> Meeting:
        """Meet the unit that is meant, and no other.

        Raises:
            MayNot: Another one answers.
            StationError: None does.
        """
        site = estate.sites[as_left.station.site]
        search = SiteSearch(door_of(self._stations, estate, site.name), site)
        meeting = await self._looking.meet(as_left, search)
        serial = meeting.conversation.identity.serial
        if as_left.serial and serial != as_left.serial:
            await meeting.conversation.close()
            raise MayNot(
                f"another unit answers there, serial {harmless(serial)}",
                where=str(as_left.station),
                todo="put the approved unit back first",
            )
        return meeting

    def _see_not_frozen(self, estate: Estate, station: StationId, ahead: timedelta) -> None:
        now = self._clock()
        freeze = freeze_at(estate, station.site, now, ahead=ahead)
        if freeze is not None:
            raise MayNot(frozen_words(freeze, station.site, now), where=str(station), todo="wait for its end")

    @contextmanager
    def _refusing(
        self, estate: Estate, station: StationId, verb: str, by: str, reason: str
    ) -> Iterator[None]:
        """Record what is refused meanwhile."""
        try:
            yield
        except MayNot as problem:
            message = refusal_message(
                station,
                verb,
                problem.what,
                estate=estate,
                by=harmless(by),
                reason=harmless(reason, longest=500),
            )
            self._books.record({}, message, when=self._clock(), allow_empty=True)
            raise

    def _record(self, estate: Estate, begun: Begun, did: str, body: str, person: Person | None) -> None:
        who = f"{person.name} ({person.key})" if person else begun.by
        message = Message(
            subject=f"{begun.where}: {did}",
            body=body,
            trailers=trailers(
                [begun.where],
                [],
                ("Action", begun.action),
                ("Serial", harmless(begun.serial)),
                ("By", who),
                *([("Reason", harmless(begun.reason, longest=500))] if begun.reason else []),
                ("Baseline", estate.commit),
            ),
        )
        self._books.record({}, message, when=self._clock(), allow_empty=True)


def _still_on(begun: Begun, why: str) -> LampOn:
    return LampOn(
        f"the lamp may still be on: {why}",
        where=str(begun.where),
        todo="put it out at the station; asleft tries again at its next start",
    )


def _lamp_words(lit: bool | None, after: bool | None) -> str:  # noqa: FBT001 read in their order
    words = [] if lit is None else [f"it read {'on' if lit else 'OFF'} while it was to be on"]
    words.append("whether it is off cannot be read" if after is None else "it reads off")
    return ", ".join(words)
