"""Telling: at least once and in order to every receiver, whatever channels do and whenever the agent is killed."""

import asyncio
import random
from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from asleft.domain.alarms.alarm import Alarm, AlarmChange, AlarmState
from asleft.domain.alerts.alert import Alert
from asleft.domain.alerts.data import Told
from asleft.domain.alerts.routes import Routing
from asleft.domain.drift import DriftKey
from asleft.domain.errors import AsleftError
from asleft.ledger.outbox import SqliteOutbox
from asleft.ledger.store import SqliteLedger
from asleft.ports.alerts import Channel, NotDelivered, Undeliverable
from asleft.work.backoff import Backoff
from asleft.work.telling import Courtesy, Telling
from domain.alerting import CHAPEL, HALL, NOON, a_drift, a_route, an_alarm, an_estate, dim, routing

MINUTE, SECOND = timedelta(minutes=1), timedelta(seconds=1)
WREN, IDRIS = "wren-halloway by mail", "idris-quill by mail"
TWO = routing(a_route(who="wren-halloway"), a_route(who="idris-quill"))
ONE = routing(a_route(who="wren-halloway"))


@dataclass
class Post:
    """A channel that does with each alert what the test says, and keeps what got through."""

    behave: Callable[[Alert], BaseException | None] = lambda _: None
    got: list[Alert] = field(default_factory=list)
    tried: list[str] = field(default_factory=list)

    async def send(self, alert: Alert) -> None:
        """Deliver, or fail."""
        self.tried.append(alert.id)
        trouble = self.behave(alert)
        if trouble is not None:
            raise trouble
        self.got.append(alert)

    async def close(self) -> None:
        """Hold nothing."""

    def subjects(self, receiver: str = WREN) -> list[str]:
        """Give the subjects that a receiver got."""
        return [alert.subject for alert in self.got if alert.receiver == receiver]


@dataclass
class Desk:
    """A telling on a ledger of its own, at a time that the test sets."""

    path: Path
    channels: Mapping[str, Channel]
    routing: Routing = ONE
    now: datetime = NOON
    alarms: dict[DriftKey, Alarm] = field(default_factory=dict)
    said: list[str] = field(default_factory=list)
    courtesy: Courtesy = field(default_factory=lambda: Courtesy(backoff=Backoff(base=2.0, cap=60.0)))

    def __post_init__(self) -> None:
        self.start()

    def start(self) -> None:
        """Begin, or begin again with nothing but the ledger."""
        self.ledger = SqliteLedger(self.path)
        self.outbox = SqliteOutbox(self.ledger)
        self.telling = Telling(
            self.outbox,
            self.channels,
            lambda: self.now,
            random.Random(7),  # noqa: S311 no secret
            alarms=self.standing,
            routing=lambda _: self.routing,
            notice=self.said.append,
            courtesy=self.courtesy,
        )

    def killed(self) -> None:
        """Begin again after a kill: what was in memory is gone."""
        self.ledger.close()
        self.start()

    def raise_alarm(self, alarm: Alarm) -> None:
        """Have an alarm come up."""
        before = self.alarms.get(alarm.drift.key)
        self.alarms[alarm.drift.key] = alarm
        self.telling.announce(an_estate(), [AlarmChange(before=before, after=alarm)])

    def standing(self, sites: Collection[str] | None) -> Mapping[DriftKey, Alarm]:
        """Give the alarms of some sites; of all where None."""
        return {
            key: alarm for key, alarm in self.alarms.items() if sites is None or key.station.site in sites
        }

    async def pass_time(self, time: timedelta) -> None:
        """Let time pass, and tick."""
        self.now += time
        await self.telling.tick(an_estate())

    async def work(self, time: timedelta, every: timedelta = MINUTE) -> None:
        """Let time pass in steps, ticking and delivering at each."""
        until = self.now + time
        while self.now < until:
            await self.pass_time(min(every, until - self.now))
            await self.telling.deliver()


@pytest.fixture
def post() -> Post:
    return Post()


@pytest.fixture
def desk(tmp_path: Path, post: Post) -> Iterator[Desk]:
    made = Desk(tmp_path / "ledger.db", {"mail": post})
    yield made
    made.ledger.close()


def low(at: int, raised: datetime = NOON) -> Alarm:
    return an_alarm(dim(f"s{at}", f"panel.p{at}"), raised=raised)


async def test_what_is_announced_arrives_once(desk: Desk, post: Post) -> None:
    """An alarm is told, its all-clear follows, and ticks and deliveries after that do nothing more."""
    desk.raise_alarm(an_alarm(a_drift()))
    desk.telling.announce(an_estate(), [])
    await desk.telling.deliver()
    await desk.work(3 * MINUTE)
    del desk.alarms[a_drift().key]
    await desk.work(3 * MINUTE)
    assert post.subjects() == [
        "High at Quillfen Hall: 1 alarm, drums",
        "All clear, high at Quillfen Hall: 1 alarm as left again, drums",
    ]
    assert desk.outbox.waiting() == ()
    assert desk.said == []


async def test_a_change_counts_before_the_store_has_it(desk: Desk, post: Post) -> None:
    """What is announced is told even where the store does not give it yet."""
    alarm = an_alarm(a_drift())
    desk.telling.announce(an_estate(), [AlarmChange(before=None, after=alarm)])
    await desk.telling.deliver()
    assert len(post.got) == 1


async def test_order_is_kept_while_a_receiver_is_down(desk: Desk, post: Post) -> None:
    """While the first cannot be delivered nothing later is even tried; then all come, in order."""
    post.behave = lambda _: NotDelivered("busy")
    for at in range(3):
        desk.raise_alarm(low(at))
    await desk.work(10 * MINUTE)
    ids = [item.alert.id for item in desk.outbox.waiting()]
    assert len(ids) == 3
    assert set(post.tried) == {ids[0]}
    post.behave = lambda _: None
    await desk.work(2 * MINUTE)
    assert [alert.id for alert in post.got] == ids
    assert desk.outbox.waiting() == ()


async def test_tries_back_off_under_the_cap(desk: Desk, post: Post) -> None:
    """A try is made when its wait is over, no wait is longer than the cap, and they are not made every second."""
    post.behave = lambda _: NotDelivered("busy")
    desk.raise_alarm(an_alarm(a_drift()))
    waits: list[timedelta] = []
    for _ in range(600):
        before = len(post.tried)
        await desk.telling.deliver()
        if len(post.tried) > before:
            waits.append(desk.outbox.waiting()[0].next_try - desk.now)
        desk.now += SECOND
    assert all(timedelta() <= wait <= MINUTE for wait in waits)
    assert 10 <= len(waits) <= 60
    assert desk.outbox.waiting()[0].tries == len(waits)


async def test_a_clock_that_is_set_back_holds_nothing_up(desk: Desk, post: Post) -> None:
    """What may be tried only in a day, by a clock that was wrong, is tried now."""
    desk.now = NOON + timedelta(days=1)
    post.behave = lambda _: NotDelivered("busy")
    desk.raise_alarm(an_alarm(a_drift()))
    await desk.telling.deliver()
    desk.now = NOON
    post.behave = lambda _: None
    await desk.telling.tick(an_estate())
    await desk.telling.deliver()
    assert len(post.got) == 1


async def test_a_look_over_many_sites_lets_others_in_between_them(desk: Desk) -> None:
    """What is due at two large sites is put in site by site, each whole, and the event loop goes on meanwhile."""
    for site in (HALL, CHAPEL):
        for at in range(150):
            alarm = an_alarm(a_drift(f"s{at}", f"panel.p{at}", site=site, as_found=str(at)))
            desk.alarms[alarm.drift.key] = alarm
    look = asyncio.ensure_future(desk.telling.tick(an_estate()))
    sites: list[set[str]] = []
    while not look.done():
        await asyncio.sleep(0)
        sites.append(
            {site for item in desk.outbox.waiting() for site in (HALL, CHAPEL) if site in item.alert.cause}
        )
    assert {HALL} in sites
    assert sites[-1] == {HALL, CHAPEL}
    told = [about for item in desk.outbox.waiting() for about in Told.of(item.alert).about]
    assert {one.drift.key for one in told} == desk.alarms.keys()


async def test_receivers_do_not_wait_for_one_another(tmp_path: Path) -> None:
    """One receiver that hangs keeps neither the others nor what comes later to them."""
    hanging, go = asyncio.Event(), asyncio.Event()

    class Hangs(Post):
        async def send(self, alert: Alert) -> None:
            if alert.receiver == IDRIS:
                hanging.set()
                await go.wait()
            await super().send(alert)

    post = Hangs()
    desk = Desk(tmp_path / "ledger.db", {"mail": post}, routing=TWO)
    with closing(desk.ledger):
        desk.raise_alarm(low(1))
        first = asyncio.create_task(desk.telling.deliver())
        await hanging.wait()
        desk.raise_alarm(low(2))
        await desk.telling.deliver()
        assert len(post.subjects(WREN)) == 2
        assert post.subjects(IDRIS) == []
        go.set()
        await first
        await desk.telling.deliver()
        assert len(post.subjects(IDRIS)) == 2
        assert len(post.got) == len({alert.id for alert in post.got}) == 4


async def test_a_try_that_never_ends_is_ended(tmp_path: Path) -> None:
    """A channel without a limit of its own is given one, and tried again."""

    class Hangs(Post):
        async def send(self, alert: Alert) -> None:
            if not self.tried:
                self.tried.append(alert.id)
                await asyncio.Event().wait()
            await super().send(alert)

    post = Hangs()
    desk = Desk(tmp_path / "ledger.db", {"mail": post}, courtesy=Courtesy(send_seconds=0.01))
    with closing(desk.ledger):
        desk.raise_alarm(an_alarm(a_drift()))
        await desk.telling.deliver()
        assert desk.outbox.waiting()[0].why == "no answer within 0.01 s"
        await desk.work(MINUTE)
        assert len(post.got) == 1


class _OddError(Exception):
    pass


@pytest.mark.parametrize(
    "surprise", [_OddError("odd\x1b[2J"), KeyError("x"), AsleftError("y"), RecursionError()]
)
async def test_nothing_unexpected_ends_the_loop(tmp_path: Path, surprise: Exception) -> None:
    """Whatever a channel raises, the others are served, it is tried again, and the log has a word of it."""
    post = Post(lambda alert: surprise if alert.receiver == IDRIS else None)
    desk = Desk(tmp_path / "ledger.db", {"mail": post}, routing=TWO)
    with closing(desk.ledger):
        desk.raise_alarm(an_alarm(a_drift()))
        await desk.telling.deliver()
        assert len(post.subjects(WREN)) == 1
        assert "the channel mail failed in a way it should not" in desk.said[0]
        assert "\x1b" not in desk.said[0]
        post.behave = lambda _: None
        await desk.work(2 * MINUTE)
        assert len(post.subjects(IDRIS)) == 1


async def test_a_channel_that_the_settings_lack_is_waited_for(desk: Desk, post: Post) -> None:
    """Alerts wait, with the reason, until the channel is there."""
    desk.telling.channels = {}
    desk.raise_alarm(an_alarm(a_drift()))
    await desk.telling.deliver()
    assert "the agent has no channel 'mail'" in desk.outbox.waiting()[0].why
    desk.telling.channels = {"mail": post}
    await desk.work(2 * MINUTE)
    assert len(post.got) == 1


async def test_what_can_never_be_delivered_is_given_up_at_once(desk: Desk, post: Post) -> None:
    """A receiver that refuses one alert for good gets the next, and the log has a word."""
    refused: list[str] = []

    def refuse_first(alert: Alert) -> BaseException | None:
        refused[:] = refused or [alert.id]
        return Undeliverable("no such box") if alert.id in refused else None

    post.behave = refuse_first
    desk.raise_alarm(low(1))
    desk.raise_alarm(low(2))
    await desk.telling.deliver()
    assert post.subjects() == ["Low at Quillfen Hall: 1 alarm, s2"]
    assert desk.said == [f"given up after 0 s: 'Low at Quillfen Hall: 1 alarm, s1' to {WREN}: no such box"]
    assert desk.outbox.waiting() == ()


async def test_after_a_day_it_is_given_up(desk: Desk, post: Post) -> None:
    """A receiver that is down for more than 24 hours loses what is older, with a word for each, and nothing else."""
    post.behave = lambda _: NotDelivered("down")
    desk.raise_alarm(low(1))
    await desk.work(timedelta(hours=23), every=timedelta(minutes=10))
    desk.raise_alarm(low(2, raised=desk.now))
    await desk.work(timedelta(hours=2), every=timedelta(minutes=10))
    assert [item.alert.subject for item in desk.outbox.waiting()] == ["Low at Quillfen Hall: 1 alarm, s2"]
    (word,) = desk.said
    assert word.startswith("given up after 24 h: 'Low at Quillfen Hall: 1 alarm, s1'")


async def test_a_receiver_that_fails_for_long_is_told_to_the_others_once(tmp_path: Path) -> None:
    """After 15 minutes the other one hears of it, once, even across a restart; and once more when it works again."""
    post = Post(lambda alert: NotDelivered("down") if alert.receiver == IDRIS else None)
    desk = Desk(tmp_path / "ledger.db", {"mail": post}, routing=TWO)
    desk.raise_alarm(an_alarm(a_drift()))
    await desk.telling.deliver()
    await desk.work(15 * MINUTE)
    assert len(post.subjects(WREN)) == 1
    await desk.work(2 * MINUTE)
    desk.killed()
    await desk.work(60 * MINUTE)
    assert post.subjects(WREN)[1:] == [
        "High everywhere: Idris Quill by mail cannot be reached, 1 message waits"
    ]
    post.behave = lambda _: None
    await desk.work(5 * MINUTE)
    assert post.subjects(WREN)[2:] == ["All clear, high everywhere: Idris Quill by mail can be reached again"]
    assert "for 16 min" in post.got[1].text
    assert "after 78 min" in post.got[-1].text or "after 79 min" in post.got[-1].text
    post.behave = lambda alert: NotDelivered("down") if alert.receiver == IDRIS else None
    desk.raise_alarm(low(9, raised=desk.now))
    await desk.work(20 * MINUTE)
    assert len([subject for subject in post.subjects(WREN) if "cannot be reached" in subject]) == 2
    desk.ledger.close()


async def test_two_that_fail_are_not_told_of_one_another(tmp_path: Path) -> None:
    """Where nobody can be reached nothing more is put; whoever comes back hears of the other."""
    post = Post(lambda _: NotDelivered("down"))
    desk = Desk(tmp_path / "ledger.db", {"mail": post}, routing=TWO)
    with closing(desk.ledger):
        desk.raise_alarm(an_alarm(a_drift()))
        await desk.work(30 * MINUTE)
        assert len(desk.outbox.waiting()) == 2
        post.behave = lambda alert: NotDelivered("down") if alert.receiver == IDRIS else None
        await desk.work(5 * MINUTE)
        assert any("Idris Quill by mail cannot be reached" in subject for subject in post.subjects(WREN))


async def test_killed_between_sent_and_noted_it_is_sent_again_with_the_same_id(
    desk: Desk, post: Post
) -> None:
    """What was sent and not noted as delivered comes twice with one id; what follows comes after it."""

    class Killed(BaseException):
        pass

    def die(_: object) -> None:
        raise Killed

    desk.raise_alarm(low(1))
    desk.raise_alarm(low(2))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(desk.outbox, "delivered", lambda _, *, at: die(at))
        with pytest.raises(Killed):
            await desk.telling.deliver()
    assert len(post.got) == 1
    desk.killed()
    await desk.telling.tick(an_estate())
    await desk.telling.deliver()
    assert [alert.subject[-2:] for alert in post.got] == ["s1", "s1", "s2"]
    assert post.got[0] == post.got[1]


async def test_cancelled_in_the_middle_it_goes_on(tmp_path: Path) -> None:
    """A delivery that is ended half way is taken up by the next call."""
    begun = asyncio.Event()

    class Hangs(Post):
        async def send(self, alert: Alert) -> None:
            if not begun.is_set():
                begun.set()
                await asyncio.Event().wait()
            await super().send(alert)

    post = Hangs()
    desk = Desk(tmp_path / "ledger.db", {"mail": post}, routing=TWO)
    with closing(desk.ledger):
        desk.raise_alarm(an_alarm(a_drift()))
        task = asyncio.create_task(desk.telling.deliver())
        await begun.wait()
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        await desk.telling.deliver()
        assert sorted(alert.receiver for alert in post.got) == [IDRIS, WREN]


async def test_cancelled_before_it_began_it_holds_nothing_up(desk: Desk, post: Post) -> None:
    """A delivery that is ended before it tried anything leaves everything to the next call."""
    desk.raise_alarm(an_alarm(a_drift()))
    task = asyncio.create_task(desk.telling.deliver())
    await asyncio.sleep(0)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert post.tried == []
    await desk.telling.deliver()
    assert len(post.got) == 1


async def test_a_receiver_that_fails_for_days_is_told_once(tmp_path: Path) -> None:
    """That its oldest alerts are given up makes no news of it."""
    post = Post(lambda alert: NotDelivered("down") if alert.receiver == IDRIS else None)
    desk = Desk(tmp_path / "ledger.db", {"mail": post}, routing=TWO)
    with closing(desk.ledger):
        desk.raise_alarm(low(1))
        await desk.work(timedelta(hours=23), every=timedelta(minutes=10))
        desk.raise_alarm(low(2, raised=desk.now))
        await desk.work(timedelta(hours=4), every=timedelta(minutes=10))
        assert len(desk.said) == 1
        assert len([subject for subject in post.subjects(WREN) if "cannot be reached" in subject]) == 1


async def test_what_was_missed_by_a_kill_is_told_at_the_next_tick(desk: Desk, post: Post) -> None:
    """An alarm, and an all-clear, that nobody was told of before a kill, are told after it."""
    desk.alarms[a_drift().key] = an_alarm(a_drift())
    desk.killed()
    await desk.work(MINUTE)
    assert len(post.got) == 1
    del desk.alarms[a_drift().key]
    desk.killed()
    await desk.work(MINUTE)
    assert post.subjects()[1:] == ["All clear, high at Quillfen Hall: 1 alarm as left again, drums"]
    desk.killed()
    await desk.work(MINUTE)
    assert len(post.got) == 2


async def test_an_escalation_goes_out_by_itself(desk: Desk, post: Post) -> None:
    """With nothing announced, time alone passes it on, once, over a restart."""
    desk.routing = routing(
        a_route(who="wren-halloway", escalate_after=10 * MINUTE, escalate_to=("idris-quill",))
    )
    desk.raise_alarm(an_alarm(a_drift()))
    await desk.work(12 * MINUTE)
    desk.killed()
    await desk.work(12 * MINUTE)
    assert post.subjects(IDRIS) == ["Not acknowledged for 10 min, high at Quillfen Hall: 1 alarm, drums"]
    desk.alarms[a_drift().key] = an_alarm(a_drift(), state=AlarmState.ACKNOWLEDGED)
    await desk.work(30 * MINUTE)
    assert len(post.got) == 2


async def test_old_alerts_are_forgotten_and_never_told_again(desk: Desk, post: Post) -> None:
    """After thirty days what was delivered and cleared is gone from the ledger, and nothing is told anew."""
    desk.raise_alarm(an_alarm(a_drift()))
    await desk.work(MINUTE)
    desk.alarms.clear()
    await desk.work(MINUTE)
    await desk.work(timedelta(days=31), every=timedelta(days=1))
    assert desk.ledger.rows("SELECT id FROM outbox") == []
    assert len(post.got) == 2


EVENTS = st.lists(
    st.one_of(
        st.tuples(st.just("raise"), st.integers(0, 3)),
        st.tuples(st.just("clear"), st.integers(0, 3)),
        st.tuples(st.sampled_from(["up", "down", "odd", "kill", "time"]), st.integers(0, 1)),
    ),
    max_size=15,
)


@settings(max_examples=25, deadline=None)
@given(EVENTS)
async def test_nothing_is_lost_and_order_is_kept_whatever_happens(
    tmp_path_factory: pytest.TempPathFactory, events: list[tuple[str, int]]
) -> None:
    """Channels that fail and come back, kills, alarms that come and go: all that was put arrives, in the order it was put."""
    states: dict[str, type[Exception] | None] = {WREN: None, IDRIS: None}

    def behave(alert: Alert) -> BaseException | None:
        trouble = states[alert.receiver]
        return trouble("down") if trouble else None

    post = Post(behave)
    desk = Desk(tmp_path_factory.mktemp("telling") / "ledger.db", {"mail": post}, routing=TWO)
    names = (WREN, IDRIS)
    for what, which in events:
        if what == "raise":
            desk.raise_alarm(low(which, raised=desk.now))
        elif what == "clear":
            desk.alarms.pop(low(which).drift.key, None)
        elif what == "kill":
            desk.killed()
        elif what == "time":
            await desk.pass_time(20 * MINUTE)
        else:
            states[names[which]] = {"up": None, "down": NotDelivered, "odd": _OddError}[what]
        await desk.work(MINUTE)
    states.update(dict.fromkeys(names))
    await desk.work(5 * MINUTE)
    assert desk.outbox.waiting() == ()
    for name in names:
        put = [
            row[0]
            for row in desk.ledger.rows("SELECT id FROM outbox WHERE receiver = ? ORDER BY number", (name,))
        ]
        assert [alert.id for alert in post.got if alert.receiver == name] == put
    desk.ledger.close()
