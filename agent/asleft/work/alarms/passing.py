"""One pass over alarms at one instant: what stands, what ceased, and what has one cause."""

from collections import Counter
from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace
from datetime import datetime

from asleft.domain.alarms import life
from asleft.domain.alarms.alarm import Alarm, Mark
from asleft.domain.alarms.rules import AlarmRules
from asleft.domain.drift import NEVER_STANDING, Drift, DriftKey, DriftKind
from asleft.domain.estate import Estate, StationId
from asleft.domain.profile import Concern, Priority, priority_of
from asleft.ports.ledger import Standing

__all__ = ["CHANGEOVER", "FEWEST_OF_A_SITE", "SITE_GONE", "Pass"]

FEWEST_OF_A_SITE = 3
"""So many stations, and more than half of a site, must be silent to be one alarm (common practice, no source)."""
SITE_GONE = "most of the site does not answer"
CHANGEOVER = "changeover due"
_BY_ORDERS = frozenset({DriftKind.OVERDUE, DriftKind.HALTED})
_ORDER = list(Priority)


class Pass:
    """One pass over the alarms of all sites, or of some, at one instant.

    Args:
        estate: As it is now.
        rules: Its rules about alarms.
        before: The alarms of these sites as they are kept.
        withdrawn: Stations out of service.
        now: The instant.
        overdue: What was lent there and is not given back, and what was halted there.
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
            if key.kind in NEVER_STANDING:
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
            if key.kind not in NEVER_STANDING and alarm.suppressed != CHANGEOVER:
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
        on_now = self._estate.on(self._now) if due else {}  # asks every calendar, so once
        for site, drifts in due.items():
            worst = min(drifts, key=lambda drift: _ORDER.index(drift.priority))
            stations = {drift.key.station for drift in drifts}
            on = " over ".join(on_now.get(site, ())) or "the normal state"
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
        """Keep the alarms of what is overdue or was halted; their priority is nobody's to lower."""
        for drift in self._overdue:
            self._stands(drift)
        open_ones = {drift.key for drift in self._overdue}
        for key, alarm in self.after.items():
            if key.kind in _BY_ORDERS and key not in open_ones:
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
