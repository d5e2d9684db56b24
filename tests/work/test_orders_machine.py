"""Orders against people, time, stations and faults in every order that chance finds: what must never happen does not."""

import asyncio
import os
import shutil
import tempfile
from collections.abc import Coroutine, Sequence
from datetime import timedelta
from ipaddress import IPv4Address, IPv4Network
from pathlib import Path
from typing import Any, Final, TypeVar

import pytest
import yaml
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from asleft.domain.addressing import AddressRange
from asleft.domain.drawing import Wish
from asleft.domain.errors import AsleftError
from asleft.domain.estate import AsLeft, Estate, StationId
from asleft.domain.kinds import Value
from asleft.domain.layers import Layer, Origin
from asleft.domain.occasions import Occasion
from asleft.domain.order_pages import order_path
from asleft.domain.order_rules import OrderRules
from asleft.domain.orders import ENDS, Order, OrderState, Purpose
from asleft.domain.people import Person, Right
from asleft.domain.profile import Concern
from asleft.domain.site import AddressPlan, Site
from asleft.ledger.alarms import SqliteAlarms
from asleft.ports.orders import KeptOrder
from asleft.source.profiles import shipped_profiles
from asleft.work.desk import OwnerDesk
from asleft.work.presence import Patience
from work.machine.judging import Witness
from work.machine.papers import Revisions, Shelf, WatchedLedger
from work.machine.stage import Door, Unit
from work.machine.world import Kind, Mishap, Performances, World

T = TypeVar("T")

RUNS: Final = int(os.environ.get("ASLEFT_ORDER_RUNS", "25"))
"""Lives that are tried in each of the tests below; set in the environment for a long search."""
STEPS: Final = int(os.environ.get("ASLEFT_ORDER_STEPS", "12"))

PROFILE: Final = shipped_profiles()["stage-station"]
DRUMS, BASS = StationId("quay", "drums"), StationId("quay", "bass")
LEFT: Final[dict[str, Value]] = {
    "mix.heard": "Mix 1",
    "headphones.gain": 0.0,
    "headphones.limiter": True,
    "headphones.limiter-level": -9.0,
    "panel.menus": "locked",
    "panel.display-dim": 40,
}
VALUES: Final[dict[str, Sequence[Value]]] = {
    "mix.heard": ("Mix 1", "Mix 2"),
    "headphones.gain": (-12.0, 0.0, 12.0),
    "headphones.limiter": (True, False),
    "headphones.limiter-level": (-20.0, -9.0, -1.0),
    "panel.menus": ("locked", "open"),
    "panel.display-dim": (40, 80),
}
ADDRESSES: Final = {
    DRUMS: ("127.20.1.11/24", "127.20.1.13/24"),
    BASS: ("127.20.1.12/24", "127.20.1.14/24"),
}
SERIALS: Final = {DRUMS: "QS41-2107", BASS: "QS41-2108"}
ALL: Final = frozenset({Right.LOOK, Right.CONFIRM})
PEOPLE: Final = {
    "wren-halloway": Person(key="wren-halloway", name="Wren Halloway", rights=ALL, sites=frozenset()),
    "idris-quill": Person(key="idris-quill", name="Idris Quill", rights=ALL, sites=frozenset({"quay"})),
    "maud-tarrant": Person(
        key="maud-tarrant",
        name="Maud Tarrant",
        rights=ALL,
        sites=frozenset(),
        concerns=frozenset({Concern.ACCESS, Concern.COMFORT}),
    ),
    "pell-osgood": Person(
        key="pell-osgood", name="Pell Osgood", rights=frozenset({Right.LOOK}), sites=frozenset()
    ),
}


def as_left(station: StationId) -> AsLeft:
    """Give the approved settings of a station."""
    values = {**LEFT, "network.address": ADDRESSES[station][0]}
    file = f"sites/quay/stations/{station.name}.yaml"
    return AsLeft(
        station=station,
        serial=SERIALS[station],
        role="",
        profile=PROFILE,
        firmware=("2.4.1",),
        values=values,
        origins={
            name: Origin(layer=f"station {station.name}", file=file, line=at)
            for at, name in enumerate(values, 2)
        },
        layers=(),
        file=file,
    )


def estate() -> Estate:
    """Give an estate of two stations at one site that has a performance every six hours."""
    addresses = AddressPlan(
        subnet=IPv4Network("127.20.1.0/24"),
        gateway=IPv4Address("127.20.1.1"),
        stations=AddressRange(first=IPv4Address("127.20.1.11"), last=IPv4Address("127.20.1.14")),
    )
    site = Site(
        name="quay",
        title="Quay",
        time_zone="UTC",
        port=7310,
        addresses=addresses,
        calendar=Performances(),
    )
    layer = Layer(
        name="performance", file="occasions/performance.yaml", settings={}, line_of=lambda path: 1 + len(path)
    )
    evening = Occasion(name="performance", meaning="A performance", performance=True, layer=layer)
    return Estate(
        name="Quay",
        commit="",
        sites={"quay": site},
        stations={station: as_left(station) for station in (DRUMS, BASS)},
        people=PEOPLE,
        orders=OrderRules(many=1, reach=timedelta(seconds=60)),
        occasions=(evening,),
    )


SETTING: Final = st.sampled_from(sorted(VALUES))
STATION: Final = st.sampled_from((DRUMS, BASS))
URGENT: Final = st.sampled_from(("", "", "the drummer hears nothing"))
"""Why an order cannot wait; mostly it can."""


@st.composite
def changes(draw: st.DrawFn) -> dict[str, Value]:
    """Give settings that somebody sets, with what they are set to."""
    names = draw(st.lists(SETTING, max_size=4, unique=True))
    return {name: draw(st.sampled_from(VALUES[name])) for name in names}


@st.composite
def mishaps(draw: st.DrawFn) -> list[Mishap]:
    """Give up to three things that go wrong meanwhile."""
    found: list[Mishap] = []
    for _ in range(draw(st.sampled_from((0, 1, 1, 1, 2, 3)))):
        kind = draw(st.sampled_from(Kind))
        setting = draw(SETTING)
        most = 8 if len(kind.instants) == 1 else 25
        found.append(
            Mishap(
                kind=kind,
                after=draw(st.integers(0, most)),
                setting=setting,
                value=draw(st.sampled_from(VALUES[setting])),
                minutes=draw(st.sampled_from((1, 20, 40, 100, -7))),
            )
        )
    return found


RIGHTED: Final = rule(
    station=STATION,
    changed=changes(),
    there=st.sampled_from((0, 0, 0, 1)),
    purpose=st.sampled_from((Purpose.RESTORE, Purpose.RESTORE, Purpose.SET_UP)),
    urgent=URGENT,
    plan=mishaps(),
)
"""A rule that comes three times, so that chance chooses it more often than others."""


class Orders(RuleBasedStateMachine):
    """One estate, two stations, four people, and everything that can come between them."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp())
        self.world = World()
        self.file = file = self.folder / "ledger.sqlite"
        self.baseline = Revisions(estate())
        self.shelf = Shelf(self.world)
        self.witness = Witness(self.world, file, self.baseline.estate)
        units = {
            str(station): Unit(
                serial=SERIALS[station],
                profile=PROFILE,
                values={**LEFT, "network.address": ADDRESSES[station][0]},
            )
            for station in (DRUMS, BASS)
        }
        self.door = Door(self.world, units, self.witness.judge)
        self.loop = asyncio.new_event_loop()
        self.loop.set_exception_handler(lambda *_: None)  # what a dead agent's tasks say is of no interest
        self.ledger: WatchedLedger | None = None
        self.desk: OwnerDesk

    @initialize()
    def begin(self) -> None:
        """Open the desk for the first time, and look at everything."""
        self.reopen()
        self.do(self.desk.round())

    # Doing.

    def reopen(self) -> None:
        """Begin another agent on what the last one left, and have it take up; it may be killed at that, too."""
        while True:
            self.world.dead = False
            self.world.task = None
            for unit in self.door.units.values():
                unit.drop()
            if self.ledger is not None:
                self.ledger.close()
            self.ledger = WatchedLedger(self.file, self.world)
            self.desk = OwnerDesk(
                baseline=self.baseline,
                records=self.shelf,
                ledger=self.ledger,
                alarms=SqliteAlarms(self.ledger),
                stations=self.door,
                clock=self.world.clock,
                patience=Patience(settles=5.0, sleep=self.world.sleep),
            )
            self._run(self.desk.take_up())
            if not self.world.dead:
                return

    def do(self, work: Coroutine[Any, Any, T], plan: Sequence[Mishap] = ()) -> T | None:
        """Have something done, with what goes wrong meanwhile; where the agent was killed, another one begins."""
        self.world.now += timedelta(seconds=1)
        self.world.outside = self.world.troubled = False
        self.world.plan(plan)
        done = self._run(work)
        if self.world.dead:
            self.reopen()
            done = None
        self.world.plan(())
        return done

    def _run(self, work: Coroutine[Any, Any, T]) -> T | None:
        task = self.loop.create_task(work)
        self.world.task = task
        try:
            return self.loop.run_until_complete(task)
        except (AsleftError, asyncio.CancelledError):
            return None
        except BaseException:
            if not self.world.dead:
                raise
            return None
        finally:
            self.world.task = None
            if left := asyncio.all_tasks(self.loop):
                for other in left:
                    other.cancel()
                self.loop.run_until_complete(asyncio.wait(left))

    def unit(self, station: StationId) -> Unit:
        """Give the unit that stands at a station's place."""
        return self.door.units[str(station)]

    def waiting(self) -> list[KeptOrder]:
        """Give the orders that wait for a confirmation."""
        return self.witness.orders(OrderState.DRAWN_UP)

    # Rules.

    @rule(station=STATION, changed=changes())
    def meddle(self, station: StationId, changed: dict[str, Value]) -> None:
        """Set something at a panel."""
        for name, value in changed.items():
            self.unit(station).meddle(name, value)

    @rule(station=STATION, at=st.integers(0, 1))
    def readdress(self, station: StationId, at: int) -> None:
        """Give a station an address by hand."""
        self.unit(station).meddle("network.address", ADDRESSES[station][at])

    @rule(plan=mishaps())
    def round(self, plan: list[Mishap]) -> None:
        """Look at everything."""
        self.do(self.desk.round(), plan)

    @rule(seconds=st.sampled_from((1, 60, 6 * 60, 16 * 60, 31 * 60, 3600, -5 * 60)))
    def pass_by(self, seconds: int) -> None:
        """Let time go by, or set the clock back."""
        self.world.now += timedelta(seconds=seconds)

    @rule(station=STATION, setting=SETTING, pick=st.integers(0, 2))
    def approve(self, station: StationId, setting: str, pick: int) -> None:
        """Approve another value."""
        values = VALUES[setting]
        self.baseline.approve_value(station, setting, values[pick % len(values)])

    @rule()
    def repair(self) -> None:
        """Bring the approved units back, switched on and free."""
        self.door.repair()

    @rule()
    def crash(self) -> None:
        """Kill the agent between two things that it does."""
        self.reopen()

    @rule(
        names=st.sampled_from((["quay/drums"], ["quay/bass"], ["quay"])),
        purpose=st.sampled_from((Purpose.RESTORE, Purpose.RESTORE, Purpose.SET_UP)),
        urgent=URGENT,
        plan=mishaps(),
    )
    def draw_up(self, names: list[str], purpose: Purpose, urgent: str, plan: list[Mishap]) -> None:
        """Have orders drawn up."""
        self.do(self.desk.restore(names, self._wish(purpose, urgent)), plan)

    def _wish(self, purpose: Purpose, urgent: str) -> Wish:
        return Wish(
            purpose=purpose,
            everything=purpose is Purpose.SET_UP,
            by="wren-halloway",
            cannot_wait=urgent,
        )

    @precondition(lambda self: self.witness.orders(OrderState.RESTORED, OrderState.HALTED))
    @rule(pick=st.integers(0, 9), urgent=URGENT, plan=mishaps())
    def undo(self, pick: int, urgent: str, plan: list[Mishap]) -> None:
        """Have an order undone."""
        done = self.witness.orders(OrderState.RESTORED, OrderState.HALTED)
        order = done[-1 - pick % len(done)].order
        self.do(self.desk.undo(order.id, cannot_wait=urgent), plan)

    @precondition(lambda self: self.waiting())
    @rule(
        pick=st.integers(0, 9),
        by=st.sampled_from(["nobody", *PEOPLE]),
        left_out=st.sampled_from((0, 0, 0, 1)),
        plan=mishaps(),
    )
    def confirm(self, pick: int, by: str, left_out: int, plan: list[Mishap]) -> None:
        """Confirm an order, or try to."""
        waiting = self.waiting()
        self._confirm(waiting[-1 - pick % len(waiting)].order, by, plan, left_out)

    def _confirm(self, order: Order, by: str, plan: Sequence[Mishap] = (), left_out: int = 0) -> None:
        accepted = [hazard.id for hazard in order.hazards][left_out:]
        done = self.do(self.desk.confirm(order.id, by=by, reason="before doors", accepted=accepted), plan)
        if done is not None:
            self._see_true(done)

    @precondition(lambda self: any(kept.group for kept in self.waiting()))
    @rule(pick=st.integers(0, 9), by=st.sampled_from(sorted(PEOPLE)), plan=mishaps())
    def confirm_group(self, pick: int, by: str, plan: list[Mishap]) -> None:
        """Confirm several orders at once."""
        groups = [kept.group for kept in self.waiting() if kept.group]
        self._confirm_group(groups[-1 - pick % len(groups)], by, plan)

    def _confirm_group(self, group: str, by: str, plan: Sequence[Mishap] = ()) -> None:
        hazards = {h.id for kept in self.waiting() if kept.group == group for h in kept.order.hazards}
        work = self.desk.confirm_group(group, by=by, reason="before doors", accepted=sorted(hazards))
        for done in self.do(work, plan) or ():
            self._see_true(done)

    def put_right(
        self,
        station: StationId,
        changed: dict[str, Value],
        there: int,
        purpose: Purpose,
        urgent: str,
        plan: list[Mishap],
    ) -> None:
        """Meddle, have an order drawn up, and have two people confirm it, whatever goes wrong at that."""
        self.door.repair()
        self.meddle(station, changed)
        self.readdress(station, there)
        self.do(self.desk.restore([str(station)], self._wish(purpose, urgent)))
        for by in ("wren-halloway", "idris-quill"):
            waiting = [kept for kept in self.waiting() if kept.order.station == station]
            if waiting:
                self._confirm(waiting[-1].order, by, plan)

    carry = RIGHTED(put_right)
    carry_again = RIGHTED(put_right)
    carry_once_more = RIGHTED(put_right)

    @rule(changed=changes(), other=changes(), plan=mishaps())
    def carry_both(self, changed: dict[str, Value], other: dict[str, Value], plan: list[Mishap]) -> None:
        """Do the same at two stations whose orders are confirmed together."""
        self.door.repair()
        self.meddle(DRUMS, changed)
        self.meddle(BASS, other)
        self.do(self.desk.restore(["quay"], self._wish(Purpose.RESTORE, "")))
        for by in ("wren-halloway", "idris-quill"):
            groups = [kept.group for kept in self.waiting() if kept.group]
            if groups:
                self._confirm_group(groups[-1], by, plan)

    # What must hold.

    def _see_true(self, kept: KeptOrder) -> None:
        """Hold what an order says of the station against the station, where nothing came from outside meanwhile."""
        if self.world.outside or not kept.steps:
            return
        has = self.unit(kept.order.station).values
        expected = dict(kept.order.found)
        if kept.state is OrderState.RESTORED:
            expected |= {write.setting: write.after for write in kept.order.writes}
        if kept.state in {OrderState.RESTORED, OrderState.REFUSED}:
            wrong = {name: has[name] for name, value in expected.items() if has[name] != value}
            assert not wrong, f"it is {kept.state} ({kept.outcome}), but the station has {wrong}"

    @invariant()
    def nothing_wrong_was_seen(self) -> None:
        """Nothing that must never be was seen at the door."""
        assert not self.world.seen, "; ".join(self.world.seen)

    @invariant()
    def nothing_is_left_behind(self) -> None:
        """No conversation is left open and no lock is left held."""
        for unit in self.door.units.values():
            assert unit.talks == []
            assert not [name for name, who in unit.locks.items() if who != "another controller"]

    @invariant()
    def lives_are_lived_once(self) -> None:
        """No order is begun or ends twice."""
        if self.ledger is not None:
            assert [*self.witness.lives(self.witness.orders())] == []

    def teardown(self) -> None:
        """Settle everything: each order has its end, or still waits, and its page says the same."""
        try:
            if self.ledger is not None:
                self.world.plan(())
                self.door.repair()
                self.reopen()
                self.nothing_wrong_was_seen()
                self.nothing_is_left_behind()
                self.lives_are_lived_once()
                for kept in self.witness.orders():
                    assert kept.state in {*ENDS, OrderState.DRAWN_UP}
                    assert kept.recorded
                    page = yaml.safe_load(self.shelf.files[order_path(kept.order)])
                    assert (page["state"], page["outcome"]) == (str(kept.state), kept.outcome)
        finally:
            self.witness.close()
            if self.ledger is not None:
                self.ledger.close()
            self.loop.close()
            shutil.rmtree(self.folder)


Orders.TestCase.settings = settings(
    max_examples=RUNS,
    stateful_step_count=STEPS,
    deadline=None,
    suppress_health_check=list(HealthCheck),
)
TestOrders = Orders.TestCase


SWEPT: Final = (
    Kind.KILL,
    Kind.INTERRUPT,
    Kind.LEAP,
    Kind.EVENING,
    Kind.CUT,
    Kind.RESTART,
    Kind.FORGETS,
    Kind.HAND,
    Kind.EXCHANGE,
)
"""What is tried at one instant after the other, whatever chance finds above."""
EVERY: Final = int(os.environ.get("ASLEFT_ORDER_EVERY", "5"))
"""Every so many instants; 1 in the environment tries them all. A performance comes at every single one."""


@pytest.mark.parametrize("kind", SWEPT, ids=lambda kind: kind.name.lower())
def test_a_mishap_at_one_instant_after_the_other(kind: Kind) -> None:
    """A reduction, a patch, a rise in steps, menus and an address: what must never happen does not, wherever it comes."""
    changed: dict[str, Value] = {
        "headphones.gain": 12.0,
        "mix.heard": "Mix 2",
        "headphones.limiter-level": -20.0,
        "panel.menus": "open",
    }
    came = 0
    every, minutes = (1, 20) if kind is Kind.EVENING else (EVERY, 100)
    for after in range(0, 60 if kind is Kind.KILL else 25, every):
        life = Orders()
        plan = [Mishap(kind=kind, after=after, setting="headphones.gain", value=-12.0, minutes=minutes)]
        try:
            life.begin()
            life.put_right(DRUMS, changed, 1, Purpose.RESTORE, "", plan)
            life.nothing_wrong_was_seen()
            life.nothing_is_left_behind()
            life.lives_are_lived_once()
            came += kind in life.world.fired
        finally:
            life.teardown()
    assert came > 0


@pytest.mark.parametrize("after", range(20, 26))
def test_a_unit_that_comes_in_while_another_is_put_back_is_left_alone(after: int) -> None:
    """Someone hangs in another unit in the middle, and a setting is disturbed besides: what was to be put back is not its business."""
    changed: dict[str, Value] = {"headphones.gain": 12.0, "headphones.limiter": True, "mix.heard": "Mix 1"}
    for second in (0, 2, 5, 8):
        plan = [
            Mishap(kind=Kind.EXCHANGE, after=after, setting="headphones.gain", value=-12.0, minutes=1),
            Mishap(kind=Kind.DISTURB, after=second, setting="headphones.limiter", value=False, minutes=1),
        ]
        life = Orders()
        try:
            life.begin()
            life.put_right(StationId("quay", "drums"), changed, 0, Purpose.SET_UP, "", plan)
            assert life.world.seen == []
        finally:
            life.teardown()
