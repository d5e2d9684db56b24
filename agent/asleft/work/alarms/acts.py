"""What a named person does to alarms: may they, is it recorded, what becomes of it."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import datetime

from asleft.domain.alarms import life
from asleft.domain.alarms.alarm import Alarm, AlarmChange, AlarmState, Mark, Shelf
from asleft.domain.alarms.journal import act_message, name_of, refusal_message, until_text
from asleft.domain.alarms.rules import LONGEST_SHELF
from asleft.domain.drift import DriftKind
from asleft.domain.errors import AsleftError
from asleft.domain.estate import Estate, StationId
from asleft.domain.kinds import nearest
from asleft.domain.names import harmless, listed
from asleft.domain.people import Person, Right
from asleft.ports.clock import Clock
from asleft.work.alarms.alarming import Alarming
from asleft.work.bookkeeping import Bookkeeping
from asleft.work.guards import LONGEST_REASON, check_reason, person_of
from asleft.work.ordering import MayNot

__all__ = ["AlarmActs", "NoAlarm"]


class NoAlarm(AsleftError):
    """There is no such alarm, or nothing of it to do this to; nothing was changed."""


class AlarmActs:
    """Does to alarms what people ask for. The record comes first: what is not recorded does not take effect.

    Args:
        alarming: Keeps the alarms.
        books: Records what was done, and what was refused.
        clock: Gives the time.
    """

    def __init__(self, alarming: Alarming, books: Bookkeeping, clock: Clock) -> None:
        self._alarming = alarming
        self._books = books
        self._clock = clock

    def acknowledge(
        self, estate: Estate, target: StationId, setting: str | None, *, by: str, reason: str = ""
    ) -> list[AlarmChange]:
        """Say that a person has seen a station's alarms, or one of them.

        Args:
            estate: In force.
            target: The station; a site where its name is empty.
            setting: Dotted name of a setting, or a kind of drift; None for all.
            by: Key of the person.
            reason: Why; may be empty.

        Raises:
            MayNot: The person is not known or has no right to.
            NoAlarm: There is nothing to acknowledge.
        """
        person = self._ask(estate, target, "acknowledge", by, reason)
        chosen = self._chosen(
            target,
            setting,
            lambda alarm: life.can(alarm, life.Move.ACKNOWLEDGE),
            "that nobody has seen yet",
            estate=estate,
            todo="nothing needs to be done",
        )
        mark = Mark(by=by, at=self._clock(), reason=reason.strip())
        after = [life.acknowledge(alarm, mark) for alarm in chosen]
        return self._do(estate, target, "acknowledged", chosen, after, person, mark)

    def shelve(
        self, estate: Estate, target: StationId, setting: str | None, *, by: str, reason: str, until: datetime
    ) -> list[AlarmChange]:
        """Put a station's alarms off until a time.

        Raises:
            MayNot: As above, or there is no reason, or the end is too far away or over.
            NoAlarm: There is nothing to shelve.
        """
        person = self._ask(estate, target, "shelve", by, reason, reason_needed=True)
        now = self._clock()
        if until <= now or until - now > LONGEST_SHELF:
            what = (
                "a shelf ends later than now"
                if until <= now
                else f"a shelf ends within {LONGEST_SHELF.days} days"
            )
            with self._refusing(estate, target, "shelve", by, reason):
                raise MayNot(what, where=name_of(target), todo="give another end")
        chosen = self._chosen(target, setting, _can_be_shelved, "that could be shelved", estate=estate)
        shelf = Shelf(by=by, at=now, reason=reason.strip(), until=until)
        after = [life.shelve(alarm, shelf) for alarm in chosen]
        mark = Mark(by=by, at=now, reason=shelf.reason)
        return self._do(estate, target, "shelved", chosen, after, person, mark, until=until)

    def unshelve(
        self, estate: Estate, target: StationId, setting: str | None, *, by: str, reason: str = ""
    ) -> list[AlarmChange]:
        """Take a station's alarms from the shelf.

        Raises:
            MayNot: As for `acknowledge`.
            NoAlarm: None is shelved.
        """
        person = self._ask(estate, target, "unshelve", by, reason)
        chosen = self._chosen(
            target, setting, lambda alarm: alarm.shelf is not None, "that is shelved", estate=estate
        )
        mark = Mark(by=by, at=self._clock(), reason=reason.strip())
        after = [life.unshelve(alarm, at=mark.at) for alarm in chosen]
        return self._do(estate, target, "unshelved", chosen, after, person, mark)

    def out_of_service(self, estate: Estate, target: StationId, *, by: str, reason: str) -> list[AlarmChange]:
        """Take a station out of service: until it is put back none of its drifts is an alarm.

        Raises:
            MayNot: As for `acknowledge`, or there is no reason.
            NoAlarm: It is out of service already.
        """
        person = self._ask(estate, target, "take out of service", by, reason, reason_needed=True)
        before = self._alarming.withdrawn().get(target)
        if before is not None:
            raise NoAlarm(
                f"it is out of service since {_clock_text(before.at, self._clock(), estate, target)},"
                f" by {_person(estate, before.by)}",
                where=name_of(target),
                todo="put it back with asleft in-service",
            )
        mark = Mark(by=by, at=self._clock(), reason=reason.strip())
        after = [life.withdraw(alarm, mark) for alarm in self._alarming.kept(target)]
        return self._do(
            estate, target, "taken out of service", (), after, person, mark, withdrawn={target: mark}
        )

    def in_service(
        self, estate: Estate, target: StationId, *, by: str, reason: str = ""
    ) -> list[AlarmChange]:
        """Put a station back in service.

        Raises:
            MayNot: As for `acknowledge`.
            NoAlarm: It is in service.
        """
        person = self._ask(estate, target, "put back in service", by, reason)
        if target not in self._alarming.withdrawn():
            raise NoAlarm("it is in service", where=name_of(target), todo="nothing needs to be done")
        mark = Mark(by=by, at=self._clock(), reason=reason.strip())
        after = [life.put_back(alarm, at=mark.at) for alarm in self._alarming.kept(target)]
        return self._do(
            estate, target, "put back in service", (), after, person, mark, withdrawn={target: None}
        )

    def _do(
        self,
        estate: Estate,
        target: StationId,
        done: str,
        chosen: Sequence[Alarm],
        after: Sequence[Alarm],
        person: Person,
        mark: Mark,
        *,
        until: datetime | None = None,
        withdrawn: Mapping[StationId, Mark | None] | None = None,
    ) -> list[AlarmChange]:
        message = act_message(
            target,
            done,
            chosen,
            estate=estate,
            who=f"{person.name} ({person.key})",
            reason=mark.reason,
            until=until,
            zone=estate.sites[target.site].time_zone if target.site in estate.sites else "UTC",
            now=mark.at,
        )
        self._books.record({}, message, when=mark.at, allow_empty=True)
        return self._alarming.put(after, by=mark.by, withdrawn=withdrawn)

    def _chosen(
        self,
        target: StationId,
        setting: str | None,
        fits: Callable[[Alarm], bool],
        that: str,
        *,
        estate: Estate,
        todo: str = "see asleft alarms",
    ) -> list[Alarm]:
        kept = self._alarming.kept(target)
        named = [alarm for alarm in kept if setting in {None, *_names(alarm)}]
        chosen = [alarm for alarm in named if fits(alarm)]
        if chosen:
            return chosen
        if not named and setting is not None:
            raise NoAlarm(
                f"there is no alarm '{harmless(setting)}'",
                where=name_of(target),
                todo=nearest(setting, [_names(alarm)[0] for alarm in kept]) if kept else "see asleft alarms",
            )
        now = self._clock()
        states = "; ".join(_as_it_is(alarm, now, estate, target) for alarm in named)
        raise NoAlarm(
            f"there is no alarm {that}{f': {states}' if states else ''}",
            where=name_of(target),
            todo=todo,
        )

    def _ask(
        self,
        estate: Estate,
        target: StationId,
        verb: str,
        by: str,
        reason: str,
        *,
        reason_needed: bool = False,
    ) -> Person:
        """Ask whether a person may do something at a station; a refusal is recorded."""
        with self._refusing(estate, target, verb, by, reason):
            return _who(estate, target, verb, by, reason, reason_needed=reason_needed)

    @contextmanager
    def _refusing(self, estate: Estate, target: StationId, verb: str, by: str, reason: str) -> Iterator[None]:
        """Record what is refused meanwhile."""
        try:
            yield
        except MayNot as problem:
            said = "" if len(reason) > LONGEST_REASON else reason.strip()
            message = refusal_message(target, verb, problem.what, estate=estate, by=by, reason=said)
            self._books.record({}, message, when=self._clock(), allow_empty=True)
            raise


def _who(
    estate: Estate, target: StationId, verb: str, by: str, reason: str, *, reason_needed: bool
) -> Person:
    """Give the person who may do something to alarms at a place, and says why where that has to be said.

    Raises:
        MayNot: The person is not known or has no right to, or the reason is none.
    """
    person = person_of(estate, by)
    if not person.may(Right.ACKNOWLEDGE, target.site):
        able = [key for key, other in estate.people.items() if other.may(Right.ACKNOWLEDGE, target.site)]
        raise MayNot(
            f"{person.name} may not {verb} at {target.site}",
            where="people.yaml",
            todo=f"ask {listed(able, 'person', 'people')}"
            if able
            else "give somebody the right to acknowledge there",
        )
    check_reason(reason, name_of(target), what=f"to {verb}", needed=reason_needed)
    return person


def _names(alarm: Alarm) -> tuple[str, ...]:
    key = alarm.drift.key
    return (key.setting,) if key.kind is DriftKind.SETTING else (key.kind.value,)


def _as_it_is(alarm: Alarm, now: datetime, estate: Estate, target: StationId) -> str:
    """Say how an alarm is; who has seen it is told by name, for it may have been a moment ago."""
    name, seen = _names(alarm)[0], alarm.acknowledged
    if alarm.state is not AlarmState.ACKNOWLEDGED or seen is None:
        return f"{name} is {alarm.state}"
    return (
        f"{name}: {_person(estate, seen.by)} acknowledged it at {_clock_text(seen.at, now, estate, target)}"
    )


def _person(estate: Estate, key: str) -> str:
    person = estate.people.get(key)
    return harmless(person.name if person else key)


def _can_be_shelved(alarm: Alarm) -> bool:
    return alarm.state is not AlarmState.NORMAL or alarm.pending is not None


def _clock_text(at: datetime, now: datetime, estate: Estate, target: StationId) -> str:
    site = estate.sites.get(target.site)
    return until_text(at, now, site.time_zone if site else "UTC")
