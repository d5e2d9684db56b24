"""Alarms at work: what stands becomes alarms, time goes by, and what has one cause is one alarm."""

from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import replace
from datetime import datetime

from asleft.domain.alarms import life
from asleft.domain.alarms.alarm import Alarm, AlarmChange, AlarmState, Mark
from asleft.domain.alarms.rules import AlarmRules
from asleft.domain.drift import Drift, DriftKey
from asleft.domain.estate import Estate, StationId
from asleft.domain.profile import Priority
from asleft.ports.alarms import AlarmStore
from asleft.ports.clock import Clock
from asleft.ports.ledger import Standing
from asleft.work.alarms.passing import CHANGEOVER, FEWEST_OF_A_SITE, SITE_GONE, Pass

__all__ = ["CHANGEOVER", "FEWEST_OF_A_SITE", "SITE_GONE", "Alarming", "Rules", "worst_first"]

Rules = Callable[[Estate], AlarmRules]
Overdue = Callable[[Estate, datetime], Collection[Drift]]
_ORDER = list(Priority)
_RANK = {AlarmState.UNACKNOWLEDGED: 0, AlarmState.RETURNED: 0, AlarmState.ACKNOWLEDGED: 1}


class Alarming:
    """Keeps the alarms of an estate.

    Args:
        store: Keeps them between two starts.
        clock: Gives the time.
        rules: Gives an estate's delays, priorities and what its occasions suppress.
        overdue: Gives what was lent and is not given back, and what was halted, for an estate and a time.
    """

    def __init__(
        self, store: AlarmStore, clock: Clock, rules: Rules, *, overdue: Overdue = lambda *_: ()
    ) -> None:
        self.store = store
        self.rules = rules
        self._overdue = overdue
        self._clock = clock
        self._alarms = dict(store.alarms())
        self._keys: dict[str, dict[DriftKey, None]] = {}
        """Of the alarms, by site: a look at one site must not cost what all others have."""
        for key in self._alarms:
            self._keys.setdefault(key.station.site, {})[key] = None
        self._withdrawn = dict(store.withdrawn())
        self._begun = store.begun() is not None
        self.revision = 0
        """Grows with each change of what is kept."""

    def alarms(self) -> list[Alarm]:
        """Give every alarm that is not normal, by station."""
        return [self._alarms[key] for key in sorted(self._alarms) if _shown(self._alarms[key])]

    def current(self, sites: Collection[str] | None = None) -> Mapping[DriftKey, Alarm]:
        """Give every alarm of some sites, of all where None, also normal ones whose delay runs or that remember an onset."""
        if sites is None:
            return dict(self._alarms)
        return {key: self._alarms[key] for site in sites for key in self._keys.get(site, ())}

    def view(self, estate: Estate) -> list[Alarm]:
        """Give every alarm that is not normal as it is at this moment, the one to take first first; nothing is kept."""
        pass_ = self._pass(estate, self._clock())
        pass_.settle()
        return worst_first([alarm for alarm in pass_.after.values() if _shown(alarm)])

    def kept(self, target: StationId) -> list[Alarm]:
        """Give every alarm of a station, or of a site where the name is empty, also one whose on-delay runs."""
        return [self._alarms[key] for key in sorted(self._alarms) if key.station == target]

    def withdrawn(self) -> Mapping[StationId, Mark]:
        """Give the stations that are out of service."""
        return dict(self._withdrawn)

    def observe(
        self,
        estate: Estate,
        standing: Iterable[Standing],
        looked: Collection[StationId],
        *,
        changeover: Collection[DriftKey] = (),
    ) -> list[AlarmChange]:
        """Take in what stands at some stations that were just looked at.

        Args:
            estate: As it is now.
            standing: What stands there.
            looked: The stations; what stood at them and is not named has ceased.
            changeover: Drifts that are only a changeover that is due.
        """
        now = self._clock()
        if not self._begun:
            self.store.begin(now)
            self._begun = True
        about = {station.site for station in looked} | (self._keys.keys() - estate.sites.keys())
        pass_ = self._pass(estate, now, about)
        pass_.observe(standing, set(looked), set(changeover))
        return self._keep(pass_.after, now)

    def tick(self, estate: Estate, sites: Collection[str] | None = None) -> list[AlarmChange]:
        """Let time go by at some sites, at all where None: delays and shelves end, occasions begin and end to suppress."""
        now = self._clock()
        if not self._alarms and not self._overdue(estate, now):
            return []
        pass_ = self._pass(estate, now, sites)
        pass_.settle()
        return self._keep(pass_.after, now)

    def sizes(self, estate: Estate) -> Mapping[str, int]:
        """Count, by site, the alarms that are kept; sites that only have something overdue are among them."""
        due = {drift.key.station.site: 0 for drift in self._overdue(estate, self._clock())}
        return due | {site: len(keys) for site, keys in self._keys.items()}

    def _pass(self, estate: Estate, now: datetime, sites: Collection[str] | None = None) -> Pass:
        overdue = self._overdue(estate, now)
        before: Mapping[DriftKey, Alarm] = self._alarms
        if sites is not None:
            overdue = [drift for drift in overdue if drift.key.station.site in sites]
            before = self.current(sites)
        return Pass(estate, self.rules(estate), before, self._withdrawn, now, overdue)

    def put(
        self,
        alarms: Iterable[Alarm],
        *,
        by: str,
        withdrawn: Mapping[StationId, Mark | None] | None = None,
    ) -> list[AlarmChange]:
        """Keep what a person did to alarms, and to which stations."""
        return self._keep(
            {alarm.drift.key: alarm for alarm in alarms}, self._clock(), by=by, withdrawn=withdrawn
        )

    def _keep(
        self,
        after: Mapping[DriftKey, Alarm],
        now: datetime,
        *,
        by: str = "",
        withdrawn: Mapping[StationId, Mark | None] | None = None,
    ) -> list[AlarmChange]:
        before = self._alarms
        changed = {
            key: alarm
            for key, alarm in after.items()
            if alarm is not before.get(key) and alarm != before.get(key)
        }
        if not changed and not withdrawn:
            return []
        changes = [AlarmChange(before=before.get(key), after=alarm) for key, alarm in sorted(changed.items())]
        events = [event for change in changes for event in life.events_of(change, at=now, by=by)]
        self.store.keep(changed.values(), events, withdrawn=withdrawn)
        self.revision += 1
        for key, alarm in changed.items():
            if life.at_rest(alarm):
                self._forget(key)
            else:
                self._alarms[key] = alarm
                self._keys.setdefault(key.station.site, {})[key] = None
        for station, mark in (withdrawn or {}).items():
            if mark is None:
                self._withdrawn.pop(station, None)
            else:
                self._withdrawn[station] = mark
        return [change for change in changes if _tells(change)]

    def _forget(self, key: DriftKey) -> None:
        if self._alarms.pop(key, None) is not None:
            of_site = self._keys[key.station.site]
            del of_site[key]
            if not of_site:
                del self._keys[key.station.site]


def _shown(alarm: Alarm) -> bool:
    return alarm.state is not AlarmState.NORMAL


def _tells(change: AlarmChange) -> bool:
    """Tell whether a change is more than a delay that runs or an onset that is forgotten."""
    before, after = change.before, change.after
    if before is None:
        return _shown(after)
    return _bare(before) != _bare(after) and (_shown(before) or _shown(after) or before.chattering)


def _bare(alarm: Alarm) -> Alarm:
    return replace(alarm, pending=None, onsets=())


def worst_first(alarms: Iterable[Alarm]) -> list[Alarm]:
    """Sort as a person should take them: what nobody has seen, by priority, what still stands, the newest."""
    return sorted(
        alarms,
        key=lambda alarm: (
            _RANK.get(alarm.state, len(_RANK)),
            _ORDER.index(alarm.drift.priority),
            not alarm.active,
            -alarm.since.timestamp(),
            alarm.drift.key,
        ),
    )
