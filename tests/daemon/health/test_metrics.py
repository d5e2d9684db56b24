"""Metrics: what is told of rounds, drifts, alarms and the rest, read by prometheus-client's own OpenMetrics parser."""

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta

from prometheus_client.metrics_core import Metric
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from asleft import __version__
from asleft.daemon.health.health import Health
from asleft.daemon.health.metrics import CONTENT_TYPE, Metrics
from asleft.domain.alarms.alarm import Alarm, AlarmState
from asleft.domain.alerts.alert import Alert
from asleft.domain.drift import Drift, DriftKey, DriftKind
from asleft.domain.errors import AsleftError
from asleft.domain.estate import StationId
from asleft.domain.orders import OrderState
from asleft.domain.profile import Concern, Priority
from asleft.domain.snapshot import AsFound, NotRead, ReadState
from asleft.ports.alerts import Waiting
from asleft.ports.ledger import Standing
from asleft.work.rounds import RoundReport

NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)
HALL, YARD = "quillfen-hall", "tarnwick-yard"


def parsed(metrics: Metrics) -> dict[str, Metric]:
    """Give the families that the parser finds, by name; it raises where the text is no OpenMetrics."""
    families: Iterable[Metric] = text_string_to_metric_families(metrics.text().decode("utf-8"))  # type: ignore[no-untyped-call]  # the library has no types here
    return {family.name: family for family in families}


def values(metrics: Metrics, family: str, suffix: str = "") -> dict[tuple[str, ...], float]:
    """Give the samples of a family by the values of their labels, in the order of the labels' names."""
    return {
        tuple(value for _, value in sorted(sample.labels.items())): sample.value
        for sample in parsed(metrics)[family].samples
        if sample.name == f"{family}{suffix}"
    }


def a_drift(station: StationId, setting: str, priority: Priority) -> Drift:
    """Make a drift."""
    return Drift(
        key=DriftKey(station=station, kind=DriftKind.SETTING, setting=setting),
        concern=Concern.ACCESS,
        priority=priority,
        as_left="locked",
        as_found="open",
        what="menus changed to open",
        matters="who walks past can change it",
    )


def a_report(*, commit: str | None = "c" * 40, seconds: float = 2.0) -> RoundReport:
    """Make the report of a round over two sites."""
    drums, bass, lead = StationId(HALL, "drums"), StationId(HALL, "bass"), StationId(YARD, "lead-voice")
    read = AsFound(at=NOON, address="", serial="", model="", firmware="", values={}, unread={}, readings={})
    unread = NotRead(at=NOON, address="127.20.2.15", state=ReadState.UNREACHABLE, why="nothing answers")
    drifts = [
        a_drift(drums, "panel.menus", Priority.MEDIUM),
        a_drift(drums, "headphones.gain", Priority.HIGH),
        a_drift(lead, "panel.menus", Priority.MEDIUM),
    ]
    return RoundReport(
        baseline="b" * 40,
        began=NOON,
        ended=NOON + timedelta(seconds=seconds),
        looks={drums: read, bass: read, lead: unread},
        standing=tuple(Standing(drift=drift, since=NOON, seen=NOON) for drift in drifts),
        gone=(),
        commit=commit,
        notices=(),
    )


def test_it_is_open_metrics_from_the_beginning() -> None:
    """The text of an agent that has done nothing yet is read by the parser, and ends as it must."""
    metrics = Metrics()
    text = metrics.text()
    assert text.endswith(b"# EOF\n")
    assert b"\r" not in text
    assert CONTENT_TYPE == "application/openmetrics-text; version=1.0.0; charset=utf-8"
    assert values(metrics, "asleft_agent", "_info") == {(__version__,): 1}


def test_names_follow_open_metrics() -> None:
    """Every family is ours and says what it is; units are base units and end the name; no level is told."""
    metrics = Metrics()
    metrics.round_done(a_report())
    families = parsed(metrics)
    assert len(families) >= 15
    for name, family in families.items():
        assert name.startswith("asleft_")
        assert family.documentation.endswith(".")
        assert family.unit in {"", "seconds"}
        assert name.endswith(f"_{family.unit}") or not family.unit
        assert not name.endswith(("_total", "_info"))
        assert "decibel" not in name
        assert "_db" not in name
    samples = [sample.name for family in families.values() for sample in family.samples]
    assert "asleft_rounds_total" in samples
    assert "asleft_round_duration_seconds_bucket" in samples


def test_a_round_is_told_by_site() -> None:
    """Stations by read state, drifts by priority, when it ended and how long it took, a commit where one was made."""
    metrics = Metrics()
    metrics.round_done(a_report())
    metrics.round_done(a_report(commit=None, seconds=4))
    assert values(metrics, "asleft_rounds", "_total") == {(HALL,): 2, (YARD,): 2}
    assert values(metrics, "asleft_records_commits", "_total") == {(): 1}
    stations = values(metrics, "asleft_stations")
    assert len(stations) == 2 * len(ReadState)
    assert {labels: count for labels, count in stations.items() if count} == {
        (HALL, "complete"): 2,
        (YARD, "unreachable"): 1,
    }
    drifts = values(metrics, "asleft_drifts")
    assert drifts["high", HALL] == drifts["medium", HALL] == drifts["medium", YARD] == 1
    assert sum(drifts.values()) == 3
    ended = (NOON + timedelta(seconds=4)).timestamp()
    assert values(metrics, "asleft_last_round_timestamp_seconds") == {(HALL,): ended, (YARD,): ended}
    assert values(metrics, "asleft_round_duration_seconds", "_sum") == {(): 6}
    assert values(metrics, "asleft_round_duration_seconds", "_count") == {(): 2}


def test_what_stands_no_longer_is_told_as_none() -> None:
    """A site whose drifts are gone tells zero, and a site that left the estate tells nothing any more."""
    metrics = Metrics()
    metrics.round_done(a_report())
    metrics.standing([HALL], [])
    metrics.forget([YARD])
    drifts = values(metrics, "asleft_drifts")
    assert {site for _, site in drifts} == {HALL}
    assert set(drifts.values()) == {0}
    assert values(metrics, "asleft_rounds", "_total") == {(HALL,): 1}


def test_alarms_by_state_and_priority() -> None:
    """All states but normal are there, with what is in them."""
    drift = a_drift(StationId(HALL, "drums"), "panel.menus", Priority.HIGH)
    alarm = Alarm(drift=drift, state=AlarmState.UNACKNOWLEDGED, active=True, since=NOON, changed=NOON)
    metrics = Metrics()
    metrics.alarms([alarm, alarm])
    found = values(metrics, "asleft_alarms")
    assert found["high", "unacknowledged"] == 2
    assert sum(found.values()) == 2
    assert {state for _, state in found} == {state.value for state in AlarmState} - {"normal"}
    metrics.alarms([])
    assert set(values(metrics, "asleft_alarms").values()) == {0}


def test_orders_outbox_and_following() -> None:
    """Orders by state, waiting alerts by channel without their receivers, followed stations, notified changes."""
    alert = Alert(
        id="1",
        receiver="wren-halloway",
        channel="mail",
        address="wren@quillfen.example",
        subject="",
        text="",
        priority=Priority.HIGH,
        created=NOON,
        cause="",
    )
    metrics = Metrics()
    metrics.orders({OrderState.HALTED: 1})
    metrics.outbox([Waiting(alert=alert, tries=0, first_tried=None, next_try=NOON, why="")])
    metrics.following(12)
    metrics.notified(3)
    metrics.recorded()
    metrics.tried("mail", "failed")
    assert values(metrics, "asleft_restore_orders")["halted",] == 1
    assert values(metrics, "asleft_outbox_waiting") == {("mail",): 1}
    assert b"wren" not in metrics.text()
    assert values(metrics, "asleft_followed_stations") == {(): 12}
    assert values(metrics, "asleft_notifications", "_total") == {(): 3}
    assert values(metrics, "asleft_records_commits", "_total") == {(): 1}
    assert values(metrics, "asleft_alerts", "_total") == {("mail", "failed"): 1}
    metrics.outbox([])
    assert values(metrics, "asleft_outbox_waiting") == {}


def test_the_baseline_in_force_is_told_once() -> None:
    """The revision is a label of a fact that is 1; how old it is follows from two times; an earlier one goes."""
    metrics = Metrics()
    metrics.baseline("a" * 40, committed=NOON - timedelta(days=1))
    metrics.baseline("b" * 40, committed=NOON)
    metrics.fetched(NOON)
    assert values(metrics, "asleft_baseline", "_info") == {("b" * 40,): 1}
    assert values(metrics, "asleft_baseline_committed_timestamp_seconds") == {(): NOON.timestamp()}
    assert values(metrics, "asleft_baseline_fetched_timestamp_seconds") == {(): NOON.timestamp()}


def test_the_agent_is_in_one_state() -> None:
    """Of the states exactly one is 1 (OpenMetrics 1.0.0, StateSet used as an enumeration)."""
    metrics = Metrics()
    metrics.state("ready")
    assert values(metrics, "asleft_agent_state") == {("starting",): 0, ("ready",): 1, ("stopping",): 0}


def test_labels_are_harmless() -> None:
    """Text that is not ours does not break the format, and holds no control character."""
    metrics = Metrics()
    metrics.tried('mail"} 1\n# EOF\x1b', "failed")
    assert values(metrics, "asleft_alerts", "_total") == {('mail"} 1\\n# EOF\\x1b', "failed"): 1}


def test_an_agent_is_alive_while_its_loop_works_and_its_ledger_answers() -> None:
    """A loop that was silent for too long, or a ledger that does not answer, is told without details."""
    ticks, broken = [100.0], [False]

    def probe() -> None:
        if broken[0]:
            raise AsleftError("disk I/O error", where="/var/lib/asleft/ledger.sqlite")

    health = Health(ticks=lambda: ticks[0], probe=probe)
    assert health.ails() == ()
    ticks[0] = 130.0
    assert health.ails() == ()
    ticks[0] = 131.0
    assert health.ails() == ("the loop has not done its work for 31 s",)
    health.beat()
    broken[0] = True
    assert health.ails() == ("the ledger does not answer",)


def test_an_agent_is_ready_from_its_first_round_until_it_stops() -> None:
    """It is ready with a baseline in force and a round done, and not any more when it stops."""
    health = Health(ticks=lambda: 0.0, probe=lambda: None)
    assert health.hinders() == ("no baseline is in force", "no round has ended yet")
    health.in_force("b" * 40)
    assert health.hinders() == ("no round has ended yet",)
    health.round_done()
    assert health.hinders() == ()
    health.stopping()
    assert health.hinders() == ("the agent is stopping",)
    assert health.ails() == ()
