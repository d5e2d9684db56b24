"""The digest: what it says of a day, to whom, and that a restart does not tell it twice."""

from contextlib import closing
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

from asleft.domain.alarms.figures import Figure, Figures
from asleft.domain.alerts.digest import digest
from asleft.ledger.outbox import SqliteOutbox
from asleft.ledger.store import SqliteLedger
from domain.alerting import NOON, a_route, an_estate, routing

MADE = Figures(
    since=NOON - timedelta(days=1),
    until=NOON,
    alarms=7,
    rows=(
        Figure(name="alarms an hour", value=0.29, target="about 6"),
        Figure(name="time to detect", value=None, unit="s"),
    ),
)


def test_a_day_is_told_to_those_who_asked_for_it() -> None:
    """Only routes that ask for the digest get it, each receiver once, with figures beside their targets."""
    estate = replace(
        an_estate(),
        routing=routing(
            a_route(who="wren-halloway", digest=True),
            a_route(who="wren-halloway", digest=True, sites=frozenset({"brackle-chapel"})),
            a_route(who="idris-quill"),
        ),
    )
    (alert,) = digest(estate, MADE, [], now=NOON)
    assert (alert.receiver, alert.address) == ("wren-halloway by mail", "wren@quillfen.example")
    assert alert.subject == "Quillfen: the day until 2026-03-01, 7 alarms, 0 open"
    assert alert.text.split("\n")[1:3] == [
        "alarms an hour: 0.29 (target: about 6)",
        "time to detect: no data",
    ]


def test_a_day_is_told_once_and_leaves_nothing_open(tmp_path: Path) -> None:
    """The same night told again is one alert, and no all-clear waits for it."""
    estate = replace(an_estate(), routing=routing(a_route(who="maud-tarrant", digest=True)))
    with closing(SqliteLedger(tmp_path / "ledger.sqlite")) as ledger:
        outbox = SqliteOutbox(ledger)
        for at in (NOON, NOON + timedelta(minutes=3)):
            outbox.put(digest(estate, MADE, [], now=at))
        assert len(outbox.waiting()) == 1
        assert outbox.open_causes() == ()
