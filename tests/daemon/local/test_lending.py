"""Lending over the local socket: the agent lends and gives back, and the command line has the order as the agent has it."""

import asyncio
from datetime import timedelta
from pathlib import Path

import pytest

from asleft.daemon.local.calls import RemoteDesk
from asleft.daemon.local.client import ask_at
from asleft.daemon.local.handlers import desk_handlers
from asleft.daemon.local.lending_handlers import lending_handlers
from asleft.daemon.local.server import answering
from asleft.domain.errors import AsleftError
from asleft.domain.orders import OrderState
from estates import HALL, WREN, a_bench

DRUMS = f"{HALL}/drums"
SESSION = "service.remote-session"
HOUR = timedelta(hours=1)


async def test_a_loan_over_the_socket(tmp_path: Path) -> None:
    """Asked for, confirmed and given back: each order comes back as the agent's desk has it, refusals by their name."""
    fetches: list[str] = []

    async def fetch() -> None:
        fetches.append("fetched")
        raise AsleftError("no network")

    with a_bench(tmp_path) as bench, bench.desk() as desk:
        turn, socket = asyncio.Lock(), bench.home / "agent.sock"
        handlers = {**desk_handlers(desk, turn), **lending_handlers(desk, turn, fetch=fetch)}
        async with answering(socket, handlers, accounts=dict):
            remote = RemoteDesk(socket)
            kept = await remote.lending.lend(
                DRUMS, SESSION, "open", lasting=HOUR, by="pell-osgood", reason="the maker looks"
            )
            assert [*desk.orders()] == [kept]
            hazards = [hazard.id for hazard in kept.order.hazards]
            done = await remote.confirm(kept.order.id, by=WREN, reason="agreed", accepted=hazards)
            assert (done.state, bench.station(DRUMS).get(SESSION)) == (OrderState.RESTORED, "open")
            back = await remote.lending.give_back(DRUMS, by=WREN, reason="done")
            assert back in desk.orders()
            assert (back.state, bench.station(DRUMS).get(SESSION)) == (OrderState.RESTORED, "closed")
            kinds = []
            for asked in (
                remote.lending.give_back(DRUMS, by=WREN, reason="done"),
                remote.lending.lend(DRUMS, SESSION, "ajar", lasting=HOUR, by=WREN, reason="a try"),
                ask_at(socket, "lend", {"name": DRUMS, "setting": SESSION}),
                ask_at(socket, "give-back", {"name": DRUMS, "by": WREN, "reason": "x", "force": True}),
            ):
                with pytest.raises(AsleftError) as caught:
                    await asked
                kinds.append(type(caught.value).__name__)
    assert kinds == ["NoLoan", "MayNot", "BadRequest", "BadRequest"]
    assert fetches == ["fetched"] * 4
