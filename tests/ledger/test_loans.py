"""Loans in the ledger: found among the orders, by an index, until an order has given them back."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from asleft.domain.loans import LoanState
from asleft.domain.orders import Event, Moved, Order, OrderState, Purpose, Write
from asleft.domain.profile import Concern, Stage
from asleft.domain.stations import StationId
from asleft.ledger.loans import _LENDS
from asleft.ledger.store import SqliteLedger
from asleft.ports.loans import loan_of

AT = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
ENDS = AT + timedelta(hours=1)


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[SqliteLedger]:
    made = SqliteLedger(tmp_path / "ledger.sqlite")
    yield made
    made.close()


def order(purpose: Purpose, *, undoes: str = "", ends: datetime | None = None, at: datetime = AT) -> Order:
    write = Write(
        setting="service.remote-session",
        before="closed",
        after="open",
        stage=Stage.ACCESS,
        shown=("closed", "open"),
        concern=Concern.ACCESS,
    )
    return Order(
        station=StationId("quillfen-hall", "drums"),
        serial="QS41-2107",
        address="192.0.2.11",
        profile="stage-station",
        baseline="0" * 40,
        drawn_up=at,
        lapses=at + timedelta(minutes=15),
        writes=(write,),
        hazards=(),
        left_alone=(),
        purpose=purpose,
        by="pell-osgood",
        undoes=undoes,
        ends=ends,
    )


def keep(ledger: SqliteLedger, one: Order, *states: tuple[OrderState, Event]) -> Order:
    ledger.add_orders([one], Moved(at=AT, event=Event.DRAW_UP, by="pell-osgood", why="the maker looks"))
    for state, event in states:
        ledger.move_order(one.id, state, Moved(at=AT, event=event, by="wren-halloway", why="agreed"))
    return one


CONFIRMED = (OrderState.CONFIRMED, Event.CONFIRM)
BEGUN = (OrderState.UNDER_WAY, Event.BEGIN)
DONE = (OrderState.RESTORED, Event.FINISH)


@pytest.mark.parametrize(
    "states,now,state",
    [
        ((), AT, LoanState.ASKED),
        ((CONFIRMED,), AT, LoanState.ASKED),
        ((CONFIRMED, BEGUN), AT, LoanState.ASKED),
        ((CONFIRMED, BEGUN, DONE), ENDS - timedelta(seconds=1), LoanState.LENT),
        ((CONFIRMED, BEGUN, DONE), ENDS, LoanState.OVERDUE),
        ((CONFIRMED, BEGUN, (OrderState.HALTED, Event.HALT)), AT, LoanState.OVERDUE),
        (((OrderState.LAPSED, Event.LAPSE),), AT, None),
        ((CONFIRMED, (OrderState.REFUSED, Event.REFUSE)), AT, None),
    ],
)
def test_a_loan_follows_from_its_order_and_the_time(
    ledger: SqliteLedger,
    states: tuple[tuple[OrderState, Event], ...],
    now: datetime,
    state: LoanState | None,
) -> None:
    """Whatever the agent was doing when it ended, the order tells what is open."""
    keep(ledger, order(Purpose.LEND, ends=ENDS), *states)
    loans = [loan_of(kept, now) for kept in ledger.lendings()]
    assert [loan.state for loan in loans if loan] == ([state] if state else [])


def test_a_loan_is_over_only_when_an_order_has_given_it_back(ledger: SqliteLedger) -> None:
    """An order that failed to, one for another loan, and one of another kind end nothing."""
    lends = keep(ledger, order(Purpose.LEND, ends=ENDS), CONFIRMED, BEGUN, DONE)
    other = keep(ledger, order(Purpose.LEND, ends=ENDS, at=AT + timedelta(seconds=1)), CONFIRMED, BEGUN, DONE)
    keep(ledger, order(Purpose.RESTORE), CONFIRMED, BEGUN, DONE)
    keep(ledger, order(Purpose.UNDO, undoes=lends.id), CONFIRMED, BEGUN, DONE)
    back = order(Purpose.GIVE_BACK, undoes=lends.id)
    keep(ledger, back, CONFIRMED, BEGUN)
    assert [kept.id for kept in ledger.lendings()] == [lends.id, other.id]
    ledger.move_order(back.id, OrderState.RESTORED)
    assert [kept.id for kept in ledger.lendings()] == [other.id]


def test_many_orders_cost_nothing_where_nothing_is_lent(ledger: SqliteLedger) -> None:
    """SQLite goes by the two indexes and through no table (EXPLAIN QUERY PLAN says SCAN ... USING INDEX or SEARCH)."""
    plan = ledger.rows(
        f"EXPLAIN QUERY PLAN SELECT id FROM restore_order WHERE {_LENDS} ORDER BY drawn_up, id",  # noqa: S608 own words only
        ("a", "b", "c"),
    )
    said = [row[3] for row in plan]
    assert any("restore_order USING INDEX restore_order_lends" in line for line in said), said
    assert any("back USING" in line and "restore_order_gives_back" in line for line in said), said
