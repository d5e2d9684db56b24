"""What the agent counts and measures, as OpenMetrics 1.0.0 tells it.

Names end in their unit (seconds); counters end in `_total`, facts in `_info`. There is no level here: the decibel is no
base unit (OpenMetrics 1.0.0, "Units and Base Units"), and a level that is averaged means nothing.
"""

from collections import Counter
from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Final, cast

from prometheus_client import CollectorRegistry, Gauge, Histogram, Info
from prometheus_client import Counter as Total
from prometheus_client import Enum as States
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest

from asleft import __version__
from asleft.domain.alarms.alarm import Alarm, AlarmState
from asleft.domain.names import harmless
from asleft.domain.orders import OrderState
from asleft.domain.profile import Priority
from asleft.domain.snapshot import ReadState
from asleft.ports.alerts import Waiting
from asleft.ports.ledger import Standing
from asleft.work.rounds import RoundReport

__all__ = ["AGENT_STATES", "CONTENT_TYPE", "Metrics"]

CONTENT_TYPE: Final = CONTENT_TYPE_LATEST
AGENT_STATES: Final = ("starting", "ready", "stopping")
_ROUND_SECONDS: Final = (0.1, 0.25, 0.5, 1, 2.5, 5, 10, 30, 60, 120, 300, 600)
"""From a small site to ten thousand stations."""


class Metrics:
    """All of it, in a registry of its own. Told by the service after each step; nothing is read when it is asked for."""

    def __init__(self) -> None:
        self._registry = registry = CollectorRegistry(auto_describe=False)

        def gauge(name: str, words: str, labels: tuple[str, ...] = (), *, unit: str = "") -> Gauge:
            return Gauge(f"asleft_{name}", words, labels, unit=unit, registry=registry)

        def total(name: str, words: str, labels: tuple[str, ...] = ()) -> Total:
            return Total(f"asleft_{name}", words, labels, registry=registry)

        Info("asleft_agent", "The agent.", registry=registry).info({"version": __version__})
        self._state = States(
            "asleft_agent_state", "What the agent is doing.", states=[*AGENT_STATES], registry=registry
        )
        self._rounds = total("rounds", "Rounds that ended.", ("site",))
        self._round_seconds = Histogram(
            "asleft_round_duration",
            "How long a round took.",
            unit="seconds",
            buckets=_ROUND_SECONDS,
            registry=registry,
        )
        self._last_round = gauge(
            "last_round_timestamp", "When the last round over a site ended.", ("site",), unit="seconds"
        )
        self._stations = gauge("stations", "Stations by how much of them was read.", ("site", "state"))
        self._drifts = gauge("drifts", "Drifts that stand.", ("site", "priority"))
        self._alarms = gauge("alarms", "Alarms that are not normal.", ("state", "priority"))
        self._followed = gauge("followed_stations", "Stations that are followed between rounds.")
        self._notifications = total("notifications", "Changes that stations notified.")
        self._orders = gauge("restore_orders", "Restore orders that are kept.", ("state",))
        self._outbox = gauge("outbox_waiting", "Alerts that wait to be delivered.", ("channel",))
        self._sent = total("alerts", "Alerts that were tried, by what came of it.", ("channel", "outcome"))
        self._baseline = Info(
            "asleft_baseline", "The revision of the baseline that is in force.", registry=registry
        )
        self._committed = gauge(
            "baseline_committed_timestamp", "When that revision was committed.", unit="seconds"
        )
        self._fetched = gauge(
            "baseline_fetched_timestamp", "When the baseline was last fetched.", unit="seconds"
        )
        self._commits = total("records_commits", "Commits that were made in the records.")

    def state(self, state: str) -> None:
        """Say what the agent is doing: one of `AGENT_STATES`."""
        self._state.state(state)

    def round_done(self, report: RoundReport) -> None:
        """Count a round, and keep what it found of its sites."""
        sites = sorted({station.site for station in report.looks})
        self._round_seconds.observe((report.ended - report.began).total_seconds())
        read = Counter((station.site, look.state) for station, look in report.looks.items())
        for name in sites:
            site = harmless(name)
            self._rounds.labels(site).inc()
            self._last_round.labels(site).set(report.ended.timestamp())
            for state in ReadState:
                self._stations.labels(site, state.value).set(read[name, state])
        self.standing(sites, report.standing)
        if report.commit:
            self._commits.inc()

    def standing(self, sites: Iterable[str], standing: Iterable[Standing]) -> None:
        """Keep how many drifts stand at some sites, of all that stand."""
        found = Counter((item.drift.key.station.site, item.drift.priority) for item in standing)
        for name in sites:
            for priority in Priority:
                self._drifts.labels(harmless(name), priority.value).set(found[name, priority])

    def alarms(self, alarms: Iterable[Alarm]) -> None:
        """Keep how many alarms there are, of all that are not normal."""
        found = Counter((alarm.state, alarm.drift.priority) for alarm in alarms)
        for state in AlarmState:
            if state is not AlarmState.NORMAL:
                for priority in Priority:
                    self._alarms.labels(state.value, priority.value).set(found[state, priority])

    def following(self, stations: int) -> None:
        """Keep how many stations are followed."""
        self._followed.set(stations)

    def notified(self, changes: int = 1) -> None:
        """Count changes that stations notified."""
        self._notifications.inc(changes)

    def recorded(self) -> None:
        """Count a commit in the records that no round made."""
        self._commits.inc()

    def orders(self, counted: Mapping[OrderState, int]) -> None:
        """Keep how many orders are in which state, of all that are kept."""
        for state in OrderState:
            self._orders.labels(state.value).set(counted.get(state, 0))

    def outbox(self, waiting: Iterable[Waiting]) -> None:
        """Keep how many alerts wait, by channel; who they are for is nobody's business here."""
        self._outbox.clear()
        for channel, count in Counter(item.alert.channel for item in waiting).items():
            self._outbox.labels(harmless(channel)).set(count)

    def tried(self, channel: str, outcome: str) -> None:
        """Count a try to deliver an alert: `delivered`, `failed` or `given up`."""
        self._sent.labels(harmless(channel), harmless(outcome)).inc()

    def baseline(self, commit: str, *, committed: datetime) -> None:
        """Keep which revision is in force, and how old it is."""
        self._baseline.info({"commit": harmless(commit)})
        self._committed.set(committed.timestamp())

    def fetched(self, at: datetime) -> None:
        """Keep when the baseline was last fetched."""
        self._fetched.set(at.timestamp())

    def forget(self, sites: Iterable[str]) -> None:
        """Drop what was kept of sites that are no longer in the estate."""
        for name in sites:
            site = harmless(name)
            for metric in (self._rounds, self._last_round, self._stations, self._drifts):
                metric.remove_by_labels({"site": site})

    def text(self) -> bytes:
        """Give everything as OpenMetrics 1.0.0 text."""
        return cast("bytes", generate_latest(self._registry))  # type: ignore[no-untyped-call]  # it has no types
