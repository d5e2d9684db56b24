"""The part of the desk that is about alarms: what is on the board, and what people do to it."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from asleft.domain.alarms.alarm import Alarm, AlarmChange, AlarmEvent, AlarmState, Mark
from asleft.domain.alarms.figures import Figures
from asleft.domain.alarms.floods import Flood, Group, flood_at, grouped
from asleft.domain.alarms.life import is_stale
from asleft.domain.alarms.times import Watch
from asleft.domain.drift import DriftKind
from asleft.domain.estate import Estate, StationId
from asleft.ports.clock import Clock
from asleft.ports.ledger import Ledger
from asleft.work.alarms.acts import AlarmActs
from asleft.work.alarms.alarming import Alarming
from asleft.work.alarms.figures import Happened, gather, happened
from asleft.work.bookkeeping import Bookkeeping
from asleft.work.ordering import stations_of

__all__ = ["AlarmBoard", "AlarmDesk", "Announce", "Board"]

Announce = Callable[[Estate, Sequence[AlarmChange]], object]
_A_DAY = timedelta(days=1)


@dataclass(frozen=True, kw_only=True, slots=True)
class Board:
    """The alarms as a person should take them, list by list, the first one first.

    Args:
        at: When, UTC.
        alarms: Unacknowledged, returned and acknowledged ones.
        stale: Those of them that stand for more than a day; they are not among `alarms`.
        shelved: Put off by a person.
        suppressed: Suppressed by design.
        out_of_service: Of stations that are out of service.
        withdrawn: The stations that are out of service, with who took them out.
        flood: Whether there are more than a person can take.
        groups: What `alarms` have in common, the largest group first.
    """

    at: datetime
    alarms: tuple[Alarm, ...]
    stale: tuple[Alarm, ...]
    shelved: tuple[Alarm, ...]
    suppressed: tuple[Alarm, ...]
    out_of_service: tuple[Alarm, ...]
    withdrawn: Mapping[StationId, Mark]
    flood: Flood
    groups: tuple[Group, ...]

    @property
    def every(self) -> tuple[Alarm, ...]:
        """All of them, list by list."""
        return (*self.alarms, *self.stale, *self.shelved, *self.suppressed, *self.out_of_service)


class AlarmBoard:
    """Answers questions about the alarms of one home; it writes nothing.

    Args:
        alarming: Keeps the alarms.
        ledger: How the stations were found.
        clock: Gives the time.
        estate: Gives the estate as it is now.
    """

    def __init__(
        self, alarming: Alarming, ledger: Ledger, clock: Clock, estate: Callable[[], Estate]
    ) -> None:
        self._alarming = alarming
        self._ledger = ledger
        self._clock = clock
        self._estate = estate
        self._made: tuple[tuple[int, datetime], Estate, Board] | None = None
        self._day: list[AlarmEvent] = []
        self._read = (-1, datetime.min.replace(tzinfo=UTC))
        """At which revision, and when, the events of the last day were read."""

    def alarms(self) -> Board:
        """Give the alarms as they are now; within one second they are put together once where none of them changed."""
        now, estate = self._clock(), self._estate()
        key = (self._alarming.revision, now.replace(microsecond=0))
        if self._made is None or self._made[0] != key or self._made[1] is not estate:
            self._made = (key, estate, self._board_of(estate, now))
        return self._made[2]

    def _board_of(self, estate: Estate, now: datetime) -> Board:
        listed = self._alarming.view(estate)
        held = {AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE}
        open_ones = [alarm for alarm in listed if alarm.state not in held]
        alarms = tuple(alarm for alarm in open_ones if not is_stale(alarm, now))

        def of(state: AlarmState) -> tuple[Alarm, ...]:
            return tuple(alarm for alarm in listed if alarm.state is state)

        return Board(
            at=now,
            alarms=alarms,
            stale=tuple(alarm for alarm in open_ones if is_stale(alarm, now)),
            shelved=of(AlarmState.SHELVED),
            suppressed=of(AlarmState.SUPPRESSED),
            out_of_service=of(AlarmState.OUT_OF_SERVICE),
            withdrawn=self._alarming.withdrawn(),
            flood=self.flood(),
            groups=tuple(grouped(alarms, listed)),
        )

    def flood(self) -> Flood:
        """Say whether there are more alarms than a person can take."""
        now = self._clock()
        revision, read = self._read
        if revision != self._alarming.revision or now < read:
            # Only what came since: a day in which much happened is long. What has the very time is read again.
            since = self._day[-1].at if self._day and now >= read else now - _A_DAY
            kept = [event for event in self._day if now - _A_DAY <= event.at < since]
            self._day = [*kept, *self._alarming.store.events(since, now + timedelta.resolution)]
            self._read = (self._alarming.revision, now)
        return flood_at(self._day, now)

    def life(
        self, station: StationId, limit: int, *, kind: DriftKind | None = None, setting: str = ""
    ) -> Sequence[AlarmEvent]:
        """Give what happened to a station's alarms, or to one of them, newest first."""
        return self._alarming.store.life(station, limit, kind=kind, setting=setting)

    def happened(self, days: float) -> Happened:
        """Give what happened to alarms in the last days."""
        return happened(self._alarming.store, self._ledger, days=days, now=self._clock())

    def figures(self, days: float, *, watch: Watch | None = None) -> Figures:
        """Give the figures of the last days.

        Args:
            days: How many days back.
            watch: How stations are looked at; None where that is not known.
        """
        estate = self._estate()
        return gather(
            self._alarming.store,
            self._ledger,
            estate,
            self._alarming.view(estate),
            days=days,
            now=self._clock(),
            watch=watch,
        )


class AlarmDesk(AlarmBoard):
    """Does what people ask for, by the names that they give; a site alone names the alarms about all of it.

    Args:
        alarming: Keeps the alarms.
        ledger: How the stations were found.
        books: Records what is done.
        clock: Gives the time.
        estate: Gives the estate as it is now.
        announce: Called with what changed, to tell those who should know.
    """

    def __init__(
        self,
        alarming: Alarming,
        ledger: Ledger,
        books: Bookkeeping,
        clock: Clock,
        estate: Callable[[], Estate],
        *,
        announce: Announce | None = None,
    ) -> None:
        super().__init__(alarming, ledger, clock, estate)
        self._acts = AlarmActs(alarming, books, clock)
        self._announce = announce

    def acknowledge(self, name: str, setting: str | None, by: str, reason: str = "") -> list[AlarmChange]:
        """Say that a person has seen the alarms of a station, or one of them."""
        estate = self._settled()
        return self._told(
            estate, self._acts.acknowledge(estate, self._target(estate, name), setting, by=by, reason=reason)
        )

    def shelve(
        self, name: str, setting: str | None, by: str, reason: str, until: datetime
    ) -> list[AlarmChange]:
        """Put the alarms of a station off until a time."""
        estate = self._settled()
        target = self._target(estate, name)
        return self._told(
            estate, self._acts.shelve(estate, target, setting, by=by, reason=reason, until=until)
        )

    def unshelve(self, name: str, setting: str | None, by: str, reason: str = "") -> list[AlarmChange]:
        """Take the alarms of a station from the shelf."""
        estate = self._settled()
        return self._told(
            estate, self._acts.unshelve(estate, self._target(estate, name), setting, by=by, reason=reason)
        )

    def out_of_service(self, name: str, by: str, reason: str) -> list[AlarmChange]:
        """Take a station out of service."""
        estate = self._settled()
        return self._told(
            estate, self._acts.out_of_service(estate, stations_of(estate, [name])[0], by=by, reason=reason)
        )

    def in_service(self, name: str, by: str, reason: str = "") -> list[AlarmChange]:
        """Put a station back in service; one that is no longer in the baseline may be named, too."""
        estate = self._settled()
        return self._told(
            estate, self._acts.in_service(estate, self._target(estate, name), by=by, reason=reason)
        )

    def _settled(self) -> Estate:
        """Give the estate, with all that time has brought about: an act is done to alarms as they are now."""
        estate = self._estate()
        self._told(estate, self._alarming.tick(estate))
        return estate

    def _told(self, estate: Estate, changes: list[AlarmChange]) -> list[AlarmChange]:
        if changes and self._announce is not None:
            self._announce(estate, changes)
        return changes

    def _target(self, estate: Estate, name: str) -> StationId:
        if name in estate.sites:
            return StationId(name, "")
        station = StationId.parse(name)
        known = station is not None and (
            self._alarming.kept(station) or station in self._alarming.withdrawn()
        )
        return station if station is not None and known else stations_of(estate, [name])[0]
