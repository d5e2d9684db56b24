"""Alarms at work: what stands becomes alarms, time goes by, and what has one cause is one alarm."""

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import replace
from datetime import datetime

from asleft.domain.alarms import life
from asleft.domain.alarms.alarm import Alarm, AlarmChange, AlarmState, Mark
from asleft.domain.alarms.rules import AlarmRules
from asleft.domain.drift import Drift, DriftKey, DriftKind
from asleft.domain.estate import Estate, StationId
from asleft.domain.profile import Concern, Priority, priority_of
from asleft.ports.alarms import AlarmStore
from asleft.ports.clock import Clock
from asleft.ports.ledger import Standing

__all__ = ["CHANGEOVER", "FEWEST_OF_A_SITE", "SITE_GONE", "Alarming", "Rules", "worst_first"]

Rules = Callable[[Estate], AlarmRules]
Overdue = Callable[[Estate, datetime], Collection[Drift]]
FEWEST_OF_A_SITE = 3
"""So many stations, and more than half of a site, must be silent to be one alarm (common practice, no source)."""
SITE_GONE = "most of the site does not answer"
CHANGEOVER = "changeover due"
_GROUPS = frozenset({DriftKind.SITE, DriftKind.CHANGEOVER, DriftKind.OVERDUE})
"""What no look at a station gives, and nothing suppresses."""
_ORDER = list(Priority)
_RANK = {AlarmState.UNACKNOWLEDGED: 0, AlarmState.RETURNED: 0, AlarmState.ACKNOWLEDGED: 1}


class Alarming:
    """Keeps the alarms of an estate.

    Args:
        store: Keeps them between two starts.
        clock: Gives the time.
        rules: Gives an estate's delays, priorities and what its occasions suppress.
        overdue: Gives what was lent and is not given back, for an estate and a time.
    """

    def __init__(
        self, store: AlarmStore, clock: Clock, rules: Rules, *, overdue: Overdue = lambda *_: ()
    ) -> None:
        self.store = store
        self.rules = rules
        self._overdue = overdue
        self._clock = clock
        self._alarms = dict(store.alarms())
        self._withdrawn = dict(store.withdrawn())
        self._begun = store.begun() is not None

    def alarms(self) -> list[Alarm]:
        """Give every alarm that is not normal, by station."""
        return [self._alarms[key] for key in sorted(self._alarms) if _shown(self._alarms[key])]

    def current(self) -> Mapping[DriftKey, Alarm]:
        """Give every alarm that is kept, also normal ones whose delay runs or that remember an onset."""
        return dict(self._alarms)

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
        pass_ = self._pass(estate, now)
        pass_.observe(standing, set(looked), set(changeover))
        return self._keep(pass_.after, now)

    def tick(self, estate: Estate) -> list[AlarmChange]:
        """Let time go by: delays and shelves end, occasions begin and end to suppress."""
        now = self._clock()
        if not self._alarms and not self._overdue(estate, now):
            return []
        pass_ = self._pass(estate, now)
        pass_.settle()
        return self._keep(pass_.after, now)

    def _pass(self, estate: Estate, now: datetime) -> "_Pass":
        overdue = self._overdue(estate, now)
        return _Pass(estate, self.rules(estate), self._alarms, self._withdrawn, now, overdue)

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
        for key, alarm in changed.items():
            self._alarms[key] = alarm
            if life.at_rest(alarm):
                del self._alarms[key]
        for station, mark in (withdrawn or {}).items():
            if mark is None:
                self._withdrawn.pop(station, None)
            else:
                self._withdrawn[station] = mark
        return [change for change in changes if _tells(change)]


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


class _Pass:
    """One pass over all alarms at one instant.

    Args:
        estate: As it is now.
        rules: Its rules about alarms.
        before: The alarms as they are kept.
        withdrawn: Stations out of service.
        now: The instant.
        overdue: What was lent and is not given back.
    """

    def __init__(
        self,
        estate: Estate,
        rules: AlarmRules,
        before: Mapping[DriftKey, Alarm],
        withdrawn: Mapping[StationId, Mark],
        now: datetime,
        overdue: Collection[Drift] = (),
    ) -> None:
        self._estate = estate
        self._overdue = overdue
        self._rules = rules
        self._withdrawn = withdrawn
        self._now = now
        asked = rules.suppresses or any(row.occasion for row in rules.priorities)
        self._on = estate.on(now) if asked else {}
        self.after = dict(before)
        self._concerns: dict[str, dict[Concern, str]] = {}
        self._sizes: Counter[str] = Counter()

    def observe(
        self, standing: Iterable[Standing], looked: Collection[StationId], changeover: Collection[DriftKey]
    ) -> None:
        """Take in what stands, then settle what follows from it."""
        found = {item.drift.key: item for item in standing}
        for key, alarm in list(self.after.items()):
            if key.kind in _GROUPS:
                continue
            if (key.station in looked and key not in found) or key.station not in self._estate.stations:
                self.after[key] = life.cease(alarm, at=self._now, rules=self._rules)
        gone = self._gone(found)
        quiet = self._quiet(gone)
        for key, item in found.items():
            drift = self._weighed(item.drift)
            alarm = self.after.get(key) or life.begin(drift, since=item.since, at=self._now)
            # Before it is raised: what is suppressed must not be told for the blink of an eye.
            by = CHANGEOVER if key in changeover else self._suppressed_by(drift, quiet)
            alarm = life.suppress(alarm, by, at=self._now) if by else alarm
            mark = self._withdrawn.get(key.station)
            alarm = life.withdraw(alarm, replace(mark, at=self._now)) if mark else alarm
            alarm = life.observe(alarm, drift, since=item.since, at=self._now, rules=self._rules)
            if alarm.suppressed == CHANGEOVER and not by:
                alarm = life.release(alarm, at=self._now)
            self.after[key] = alarm
        self.settle(gone)

    def settle(self, gone: Mapping[str, int] | None = None) -> None:
        """Let time go by, keep the alarms of whole sites, and begin and end what is suppressed by design."""
        gone = self._gone({}) if gone is None else gone
        for key, alarm in self.after.items():
            now = life.tick(alarm, at=self._now, rules=self._rules)
            if now is not alarm:
                self.after[key] = now
        self._sites(gone)
        self._changeovers()
        self._loans()
        quiet = self._quiet(gone)
        for key, alarm in self.after.items():
            if key.kind not in _GROUPS and alarm.suppressed != CHANGEOVER:
                self.after[key] = self._held(alarm, quiet)
            elif alarm.suppressed == CHANGEOVER and not alarm.stands_at_all and not alarm.active:
                self.after[key] = life.release(alarm, at=self._now)

    def _held(self, alarm: Alarm, quiet: Collection[str]) -> Alarm:
        by = self._suppressed_by(alarm.drift, quiet)
        if by and by != alarm.suppressed:
            return life.suppress(alarm, by, at=self._now)
        return life.release(alarm, at=self._now) if alarm.suppressed and not by else alarm

    def _suppressed_by(self, drift: Drift, quiet: Collection[str]) -> str:
        """Say by what a drift is suppressed by design; `quiet` are the sites whose silent stations are one alarm."""
        site = drift.key.station.site
        if drift.key.kind is DriftKind.UNREACHABLE and site in quiet:
            return SITE_GONE
        if not self._rules.suppresses:
            return ""
        if site not in self._concerns:
            on = self._on.get(site, ())
            self._concerns[site] = life.suppressed_concerns(on, self._rules.suppresses)
        occasion = self._concerns[site].get(drift.concern)
        return f"occasion {occasion}" if occasion else ""

    def _quiet(self, gone: Collection[str]) -> set[str]:
        """Give the sites that are gone or whose alarm about it has not returned yet."""
        lasting = {
            key.station.site
            for key, alarm in self.after.items()
            if key.kind is DriftKind.SITE and alarm.active
        }
        return {*gone, *lasting}

    def _weighed(self, drift: Drift) -> Drift:
        as_left = self._estate.stations.get(drift.key.station)
        priority = life.priority_of_drift(
            drift,
            self._rules.priorities,
            role=as_left.role if as_left else "",
            occasions=self._on.get(drift.key.station.site, ()),
        )
        return drift if priority is drift.priority else replace(drift, priority=priority)

    def _gone(self, found: Mapping[DriftKey, Standing]) -> dict[str, int]:
        """Give the sites of which most stations do not answer, with how many; what is out of service does not count."""
        silent = {key.station for key in found if key.kind is DriftKind.UNREACHABLE}
        silent |= {
            key.station
            for key, alarm in self.after.items()
            if key.kind is DriftKind.UNREACHABLE and alarm.stands_at_all
        }
        if len(silent) < FEWEST_OF_A_SITE:
            return {}
        counts: dict[str, int] = {}
        for station in silent - self._withdrawn.keys():
            counts[station.site] = counts.get(station.site, 0) + 1
        return {
            site: count
            for site, count in counts.items()
            if count >= FEWEST_OF_A_SITE and 2 * count > self._in_service(site)
        }

    def _in_service(self, site: str) -> int:
        if not self._sizes:
            self._sizes = Counter(
                station.site for station in self._estate.stations if station not in self._withdrawn
            )
        return self._sizes[site]

    def _sites(self, gone: Mapping[str, int]) -> None:
        for site, count in gone.items():
            self._group(
                Drift(
                    key=_of_site(site, DriftKind.SITE),
                    concern=Concern.NETWORK,
                    priority=priority_of(Concern.NETWORK),
                    as_left="stations answer",
                    as_found=SITE_GONE,
                    what=f"{count} of {self._in_service(site)} stations do not answer",
                    matters="nobody knows what they are set to; the router, a switch or the power may be gone",
                )
            )
        self._end_others(DriftKind.SITE, gone)

    def _changeovers(self) -> None:
        due: dict[str, list[Drift]] = {}
        for key, alarm in self.after.items():
            if alarm.suppressed == CHANGEOVER and alarm.stands_at_all:
                due.setdefault(key.station.site, []).append(alarm.drift)
        for site, drifts in due.items():
            worst = min(drifts, key=lambda drift: _ORDER.index(drift.priority))
            stations = {drift.key.station for drift in drifts}
            on = " over ".join(self._estate.on(self._now).get(site, ())) or "the normal state"
            self._group(
                Drift(
                    key=_of_site(site, DriftKind.CHANGEOVER),
                    concern=worst.concern,
                    priority=worst.priority,
                    as_left=on,
                    as_found=f"not set for {on} yet",
                    what=f"changeover due for {on}: {_counted(len(drifts), 'setting')} on "
                    f"{_counted(len(stations), 'station')} as before",
                    matters=worst.matters,
                )
            )
        self._end_others(DriftKind.CHANGEOVER, due)

    def _loans(self) -> None:
        """Keep the alarms of what is overdue; their priority is nobody's to lower."""
        for drift in self._overdue:
            self._stands(drift)
        open_ones = {drift.key for drift in self._overdue}
        for key, alarm in self.after.items():
            if key.kind is DriftKind.OVERDUE and key not in open_ones:
                self.after[key] = life.cease(alarm, at=self._now, rules=self._rules)

    def _group(self, drift: Drift) -> None:
        self._stands(self._weighed(drift))

    def _stands(self, drift: Drift) -> None:
        alarm = self.after.get(drift.key) or life.begin(drift, since=self._now, at=self._now)
        self.after[drift.key] = life.observe(alarm, drift, since=self._now, at=self._now, rules=self._rules)

    def _end_others(self, kind: DriftKind, sites: Collection[str]) -> None:
        for key, alarm in self.after.items():
            if key.kind is kind and key.station.site not in sites:
                self.after[key] = life.cease(alarm, at=self._now, rules=self._rules)


def _of_site(site: str, kind: DriftKind) -> DriftKey:
    return DriftKey(StationId(site, ""), kind, "")


def _counted(count: int, thing: str) -> str:
    return f"{count} {thing}" if count == 1 else f"{count} {thing}s"


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
