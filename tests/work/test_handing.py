"""What a station hands to the person who had a session opened on it: given once, to that person, and kept nowhere."""

import re
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from asleft.daemon.assembly import now
from asleft.devices.ocp1.gateway import Ocp1Stations
from asleft.domain.orders import OrderState
from asleft.ports.orders import KeptOrder
from asleft.simulator.manners import Manners
from asleft.work.desk import OwnerDesk
from asleft.work.handing import Handed, Handing
from asleft.work.ordering import NoOrder
from estates import HALL, IMPATIENT, WREN, Bench, a_bench
from leftovers import kept_at

DRUMS = f"{HALL}/drums"
SESSION = "service.remote-session"
ID, PASSWORD = ("Service", "Session id"), ("Service", "Session password")
WHY: dict[str, Any] = {"reason": "agreed on the phone"}


async def asked(
    desk: OwnerDesk, setting: str = SESSION, value: str = "open", lasting: timedelta = timedelta(hours=1)
) -> KeptOrder:
    """Ask for something at the drummer's station."""
    return await desk.lending.lend(
        DRUMS, setting, value, lasting=lasting, by="pell-osgood", reason="the maker looks"
    )


async def opened(desk: OwnerDesk, kept: KeptOrder | None = None) -> tuple[KeptOrder, list[Handed]]:
    """Confirm it, and give what was handed over."""
    kept = kept or await asked(desk)
    handed: list[Handed] = []
    hazards = [hazard.id for hazard in kept.order.hazards]
    done = await desk.confirm(kept.id, by=WREN, accepted=hazards, hand=handed.append, **WHY)
    return done, handed


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with a_bench(tmp_path) as made:
        yield made


async def test_who_confirms_is_given_the_pair_once_and_nothing_keeps_it(bench: Bench) -> None:
    """As the station tells it after the write; no file of the home holds it, nor does any text of the objects on the way."""
    with bench.desk() as desk:
        done, (handed,) = await opened(desk)
        assert done.state is OrderState.RESTORED
        pair = dict(handed.texts)
        assert pair == dict(bench.station(DRUMS).handed(SESSION))
        assert set(pair) == {"id", "password"}
        assert (handed.station, handed.setting, handed.why_not) == (done.order.station, SESSION, "")
        again: list[Handed] = []
        with pytest.raises(NoOrder):
            await desk.confirm(done.order.id, by=WREN, accepted=(), hand=again.append, **WHY)
        await desk.round(sites=[HALL])
        assert again == []
        texts = [
            repr(one)
            for one in (handed, done, desk.loans(), desk.station(DRUMS), desk.outlook(done.order.id))
        ]
        await desk.lending.give_back(DRUMS, by=WREN, reason="done")
        assert bench.station(DRUMS).handed(SESSION) == {}
        # For another time, since two orders of one second that say the same are one.
        _, (other,) = await opened(desk, await asked(desk, lasting=timedelta(hours=2)))
        assert other.texts.keys() == pair.keys()
        assert not set(other.texts.values()) & set(pair.values())
    held = kept_at(bench.home)
    assert b"the maker looks" in held  # what is kept is found
    for secret in (*pair.values(), *other.texts.values()):
        assert secret.encode() not in held
        assert not any(secret in text for text in texts)


async def test_nothing_is_handed_over_where_nothing_is_let_in(bench: Bench) -> None:
    """A display that is lent bright has no password; neither has an order that restores."""
    with bench.desk() as desk:
        done, handed = await opened(desk, await asked(desk, "panel.display-dim", "80 %"))
        assert (done.state, handed) == (OrderState.RESTORED, [])
        bench.meddle(DRUMS, "panel.menus", "open")
        (drawn,) = await desk.restore([DRUMS])
        assert drawn.order is not None
        done, handed = await opened(desk, drawn.order)
        assert (done.state, handed) == (OrderState.RESTORED, [])


@pytest.mark.parametrize(
    "manners, told, why",
    [
        (Manners(missing_paths=frozenset({ID})), {"password"}, "the station does not tell its id"),
        (
            Manners(missing_paths=frozenset({ID, PASSWORD})),
            set(),
            "the station does not tell its id and password",
        ),
        (Manners(locked_paths=frozenset({PASSWORD})), {"id"}, "the station does not tell its password"),
    ],
)
async def test_a_station_that_tells_it_not_or_in_part(
    tmp_path: Path, manners: Manners, told: set[str], why: str
) -> None:
    """The session is open all the same, and the person hears what to read at the station."""
    with a_bench(tmp_path, {DRUMS: manners}) as bench, bench.desk() as desk:
        done, (handed,) = await opened(desk)
        assert (done.state, set(handed.texts), handed.why_not) == (OrderState.RESTORED, told, why)


async def test_a_station_that_is_gone_or_another_one_by_then(bench: Bench) -> None:
    """Nothing of another unit is handed over, and no error hides that the session is open."""
    with bench.desk() as desk, bench.ledger() as ledger:
        handing = Handing(Ocp1Stations(ledger, timings=IMPATIENT), now)
        estate, waits = desk.estate_now(), await asked(desk)
        assert await handing.over(estate, waits) is None
        done, _ = await opened(desk, waits)
        bench.fleet.call(bench.fleet.fleet.exchange, DRUMS, serial="QS41-9001")
        other = await handing.over(estate, done)
        assert other is not None
        assert (other.texts, other.why_not) == ({}, "another unit answers there, serial QS41-9001")
        bench.fleet.call(bench.station(DRUMS).switch_off)
        gone = await handing.over(estate, done)
        assert gone is not None
        assert (gone.texts, re.match("nothing answers at", gone.why_not) is not None) == ({}, True)
