"""Trying the alerts: everybody whom a route may ever lead to, through the outbox, and what became of it is told."""

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from asleft.domain.alerts.routes import Routing
from asleft.domain.estate import Estate
from asleft.domain.people import Right
from asleft.ledger.outbox import SqliteOutbox
from asleft.ledger.store import SqliteLedger
from asleft.work.ordering import MayNot
from asleft.work.trying import NobodyToTell, Trying
from domain.alerting import NOON, a_route, an_estate, rota, routing

BY = "wren-halloway"


def estate_with(routes: Routing) -> Estate:
    estate = an_estate()
    able = replace(estate.people[BY], rights=frozenset({Right.ACKNOWLEDGE}))
    return replace(estate, people={**estate.people, BY: able}, routing=routes)


class Stand:
    """An outbox, and a clock whose sleep has a channel take or refuse what waits."""

    def __init__(self, folder: Path, routes: Routing) -> None:
        self.ledger = SqliteLedger(folder / "ledger.db")
        self.outbox = SqliteOutbox(self.ledger)
        self.estate = estate_with(routes)
        self.refuses: set[str] = set()
        self.given_up: set[str] = set()
        self.now = NOON
        self.trying = Trying(self.outbox, lambda: self.estate, lambda: self.now, sleep=self.sleep)

    async def sleep(self, seconds: float) -> None:
        """Let time pass; the channel has a go meanwhile."""
        self.now += timedelta(seconds=seconds)
        for one in self.outbox.waiting():
            alert = one.alert
            if alert.receiver in self.refuses:
                self.outbox.failed(alert.id, at=self.now, next_try=self.now + timedelta(hours=1), why="busy")
            elif alert.receiver in self.given_up:
                self.outbox.failed(alert.id, at=self.now, next_try=None, why="nobody of that name")
            else:
                self.outbox.delivered(alert.id, at=self.now)


async def test_everybody_whom_a_route_may_lead_to_gets_one(tmp_path: Path) -> None:
    """Named people, who is next, everybody of a team's rota, and a channel that knows its own receiver; each once."""
    shift = ("20260302T080000Z", "20260302T160000Z")
    routes = routing(
        a_route(who="wren-halloway"),
        a_route(who="wren-halloway", escalate_after=timedelta(minutes=5), escalate_to=("idris-quill",)),
        a_route(team="crew"),
        a_route(by="log"),
        rotas=rota("crew", ("maud-tarrant", *shift)),
    )
    stand = Stand(tmp_path, routes)
    tried = await stand.trying.try_out(by=BY)
    assert [(one.receiver, one.delivered) for one in tried] == [
        ("idris-quill by mail", True),
        ("log", True),
        ("maud-tarrant by mail", True),
        ("wren-halloway by mail", True),
    ]
    assert stand.outbox.open_causes() == ()
    stand.ledger.close()


async def test_one_that_fails_is_told_with_its_reason(tmp_path: Path) -> None:
    """Tried again, or given up; the others are not held up by it, and the wait has an end."""
    stand = Stand(
        tmp_path, routing(*(a_route(who=who) for who in ("wren-halloway", "idris-quill", "maud-tarrant")))
    )
    stand.refuses, stand.given_up = {"idris-quill by mail"}, {"maud-tarrant by mail"}
    idris, maud, wren = await stand.trying.try_out(by=BY, seconds=3)
    assert (idris.delivered, idris.waits, idris.why) == (False, True, "busy")
    assert (maud.delivered, maud.waits, maud.why) == (False, False, "nobody of that name")
    assert (wren.delivered, wren.why) == (True, "")
    assert stand.now - NOON == timedelta(seconds=3)
    stand.ledger.close()


async def test_two_trials_are_two_messages(tmp_path: Path) -> None:
    """An alert is never put twice; a trial asked for again is another one."""
    stand = Stand(tmp_path, routing(a_route(who="wren-halloway")))
    await stand.trying.try_out(by=BY)
    (again,) = await stand.trying.try_out(by=BY, to="wren-halloway")
    assert again.delivered
    ((count,),) = stand.ledger.rows("SELECT count(*) FROM outbox")
    assert int(count) == 2
    stand.ledger.close()


@pytest.mark.parametrize(
    "by, to, error, says",
    [
        ("nobody-here", "", MayNot, "is not in people.yaml"),
        ("idris-quill", "", MayNot, "may not try the alerts"),
        (BY, "the moon", NobodyToTell, "no route leads to 'the moon'"),
    ],
)
async def test_who_may_and_to_whom(
    tmp_path: Path, by: str, to: str, error: type[Exception], says: str
) -> None:
    """Somebody of people.yaml who may acknowledge, to somebody whom a route names; else nothing is sent."""
    stand = Stand(tmp_path, routing(a_route(who="wren-halloway")))
    with pytest.raises(error, match=says):
        await stand.trying.try_out(by=by, to=to)
    assert stand.outbox.waiting() == ()
    stand.ledger.close()


async def test_an_estate_without_routes_says_so(tmp_path: Path) -> None:
    """Nobody is told of anything: that is worth a sentence."""
    stand = Stand(tmp_path, routing())
    with pytest.raises(NobodyToTell, match="no route"):
        await stand.trying.try_out(by=BY)
    stand.ledger.close()
