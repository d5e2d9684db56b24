"""The life of an alarm, against the state table of ISA-18.2-2016 / IEC 62682:2014."""

from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from asleft.domain.alarms import life
from asleft.domain.alarms.alarm import Alarm, AlarmChange, AlarmState, Mark, Shelf
from asleft.domain.alarms.life import MOVES, Move, NoSuchMove
from asleft.domain.alarms.rules import LONGEST_SHELF, AlarmRules, PriorityRow
from asleft.domain.profile import Concern, Priority
from domain.alarmed import AT_ONCE, alarm_in, ceased, gain, passed, second, stood
from domain.made import NOON

A, B, C, D, G, H, I = AlarmState  # noqa: E741 the letters of the standard
DELAYED = AlarmRules(on_delay=timedelta(seconds=5), off_delay=timedelta(seconds=10))
MARK = Mark(by="wren", at=NOON, reason="seen")
SHELF = Shelf(by="wren", at=NOON, reason="strike", until=second(600))


def moved(alarm: Alarm, event: str) -> Alarm:
    """Do what an event of the standard's table does, through the functions that the work uses."""
    match event:
        case "condition on":
            return life.observe(alarm, alarm.drift, since=NOON, at=NOON, rules=AT_ONCE)
        case "condition off":
            return life.cease(alarm, at=NOON, rules=AT_ONCE)
        case "acknowledge":
            return life.acknowledge(alarm, MARK)
        case "shelve":
            return life.shelve(alarm, SHELF)
        case "timer ends":
            return life.tick(alarm, at=second(3600), rules=AT_ONCE)
        case "unshelve":
            return life.unshelve(alarm, at=NOON)
        case "design logic on":
            return life.suppress(alarm, "occasion get-in", at=NOON)
        case "design logic off":
            return life.release(alarm, at=NOON)
        case "take out of service":
            return life.withdraw(alarm, MARK)
        case _:
            return life.put_back(alarm, at=NOON)


# ISA-18.2-2016 / IEC 62682:2014, state model, letters as in its figure (from memory; A to D agree with OPC 10000-9
# section 5.8). The rows that latch (E, F) are left out: asleft latches nothing. "any" is every state that it has.
TABLE = [
    (A, False, "condition on", B),
    (B, True, "acknowledge", C),
    (B, True, "condition off", D),
    (C, True, "condition off", A),
    (D, False, "acknowledge", A),
    (D, False, "condition on", B),
    *((state, active, "shelve", G) for state in AlarmState for active in (False, True)),
    (G, False, "timer ends", A),
    (G, True, "timer ends", B),
    (G, False, "unshelve", A),
    (G, True, "unshelve", B),
    *(
        (state, active, "design logic on", H)
        for state in AlarmState
        for active in (False, True)
        if state is not H
    ),
    *(
        (state, active, "take out of service", I)
        for state in AlarmState
        for active in (False, True)
        if state is not I
    ),
]
# The figure has the way back from H and I too; that it goes by the condition, as from G, is from memory.
BACK = [
    (H, False, "design logic off", A),
    (H, True, "design logic off", B),
    (I, False, "put back in service", A),
    (I, True, "put back in service", B),
]


@pytest.mark.parametrize("before, active, event, after", [*TABLE, *BACK])
def test_each_row_of_the_standards_table(
    before: AlarmState,
    active: bool,  # noqa: FBT001 a row of the table
    event: str,
    after: AlarmState,
) -> None:
    """From each state each event of the table leads where the table says."""
    assert moved(alarm_in(before, active=active), event).state is after


def test_the_table_has_no_row_that_the_standard_does_not_have() -> None:
    """The moves are those of the rows above and no others."""
    words = {"timer ends": Move.UNSHELVE, "unshelve": Move.UNSHELVE, "design logic off": Move.RELEASE}
    words |= {move.value: move for move in Move if move is not Move.UNSHELVE}
    words["design logic off"], words["put back in service"] = Move.RELEASE, Move.PUT_BACK
    listed = {(before, words[event]) for before, _, event, _ in [*TABLE, *BACK]}
    assert MOVES.keys() == {*listed, (H, Move.SUPPRESS), (I, Move.WITHDRAW)}


@pytest.mark.parametrize("state", [G, H, I])
@pytest.mark.parametrize("event", ["condition on", "condition off"])
def test_what_is_held_still_follows_its_drift(state: AlarmState, event: str) -> None:
    """Shelved, suppressed, out of service: the condition may be any, the state stays."""
    after = moved(alarm_in(state, active=event == "condition off"), event)
    assert after.state is state
    assert after.active is (event == "condition on")


@pytest.mark.parametrize("state", [A, C, G, H, I])
def test_what_nobody_needs_to_acknowledge_cannot_be(state: AlarmState) -> None:
    """Only an unacknowledged alarm, standing or returned, can be acknowledged."""
    with pytest.raises(NoSuchMove, match=str(state)):
        life.acknowledge(alarm_in(state, active=state is C), MARK)


def test_holds_end_one_by_one() -> None:
    """An alarm that is shelved and withdrawn is free only when both are over."""
    both = life.withdraw(life.shelve(alarm_in(B, active=True), SHELF), MARK)
    back = life.put_back(both, at=second(10))
    free = life.tick(back, at=SHELF.until, rules=AT_ONCE)
    assert [both.state, back.state, free.state] == [I, G, B]
    assert free.raised == SHELF.until
    ended_first = life.tick(both, at=SHELF.until, rules=AT_ONCE)
    assert (ended_first.state, ended_first.shelf) == (I, None)


@pytest.mark.parametrize(
    "until, words",
    [(second(0), "later than now"), (NOON + LONGEST_SHELF + timedelta(seconds=1), "within 7 days")],
)
def test_a_shelf_has_an_end_that_is_near(until: object, words: str) -> None:
    """Neither in the past nor further away than a week."""
    shelf = replace(SHELF, until=until)  # type: ignore[arg-type]  # parametrize types it as an object
    with pytest.raises(NoSuchMove, match=words):
        life.shelve(alarm_in(B, active=True), shelf)
    week = replace(SHELF, until=NOON + LONGEST_SHELF)
    assert life.shelve(alarm_in(B, active=True), week).state is G


def test_a_drift_is_an_alarm_after_its_on_delay_and_since_it_began() -> None:
    """On-delay 5 s: at 4.9 s it is none, at 5 s it is, since 0 s; no time is lost."""
    pending = stood(None, 0, DELAYED)
    early = passed(pending, 4.9, DELAYED)
    late = passed(early, 5, DELAYED)
    assert [pending.state, early.state, late.state] == [A, A, B]
    assert (late.since, late.raised, late.pending) == (NOON, second(5), None)


def test_a_drift_that_ends_before_its_on_delay_is_never_an_alarm() -> None:
    """It leaves nothing behind, and the next one is delayed from its own beginning."""
    gone = ceased(stood(None, 0, DELAYED), 3, DELAYED)
    assert life.at_rest(gone)
    again = stood(gone, 4, DELAYED)
    assert passed(again, 8.9, DELAYED).state is A
    assert passed(again, 9, DELAYED).since == second(4)


def test_an_alarm_returns_after_its_off_delay_and_since_it_ceased() -> None:
    """Off-delay 10 s: a gap of 9 s is none, after 10 s it has returned, ended when it ceased."""
    alarm = passed(stood(None, 0, DELAYED), 5, DELAYED)
    gap = stood(ceased(alarm, 20, DELAYED), 29, DELAYED)
    assert (gap.state, gap.since, gap.pending, gap.count) == (B, NOON, None, 1)
    over = passed(ceased(alarm, 20, DELAYED), 30, DELAYED)
    assert (over.state, over.ended) == (D, second(20))


def test_a_late_tick_loses_nothing() -> None:
    """Where nobody ticked meanwhile, both delays are still counted from when the drift began and ceased."""
    alarm = ceased(stood(None, 0, DELAYED), 300, DELAYED)
    assert (alarm.state, alarm.since, alarm.raised) == (B, NOON, second(300))
    again = stood(alarm, 900, DELAYED)
    assert (again.state, again.ended, again.pending) == (D, second(300), second(900))


def test_a_drift_that_stood_long_before_is_an_alarm_at_once() -> None:
    """What the ledger knows to stand for an hour has no on-delay left."""
    since = NOON - timedelta(hours=1)
    alarm = life.begin(gain(), since=since, at=NOON)
    alarm = life.observe(alarm, gain(), since=since, at=NOON, rules=DELAYED)
    assert (alarm.state, alarm.since) == (B, since)


def test_another_value_than_the_acknowledged_one_is_an_alarm_again() -> None:
    """Acknowledged at +3 dB and then found at +12 dB: nobody has seen that yet; the same value stays acknowledged."""
    seen = life.acknowledge(stood(None, 0, found="+3 dB"), replace(MARK, at=second(10)))
    assert stood(seen, 20, found="+3 dB").state is C
    louder = stood(seen, 120, found="+12 dB")
    assert (louder.state, louder.acknowledged, louder.since) == (B, None, NOON)
    assert louder.drift.as_found == "+12 dB"
    assert AlarmChange(before=seen, after=louder).annunciated


def test_three_onsets_in_a_minute_are_chattering() -> None:
    """The usual figure, 3 in 1 min (practice; ISA-18.2 gives none): the third is marked and not told again."""
    alarm = stood(None, 0)
    told = []
    for at in (10, 20):
        before = alarm
        alarm = stood(ceased(alarm, at - 5), at)
        told.append(AlarmChange(before=ceased(before, at - 5), after=alarm).annunciated)
    assert told == [True, False]
    assert (alarm.state, alarm.chattering, alarm.count) == (B, True, 3)


def test_three_onsets_in_more_than_a_minute_are_not() -> None:
    """Onsets at 0, 31 and 61 s: the first is over a minute before the third."""
    alarm = stood(ceased(stood(ceased(stood(None, 0), 15), 31), 45), 61)
    assert not alarm.chattering
    edge = stood(ceased(stood(ceased(stood(None, 0), 15), 31), 45), 60)
    assert edge.chattering


def chattered() -> Alarm:
    return stood(ceased(stood(ceased(stood(None, 0), 5), 10), 15), 20)


def test_chatter_goes_on_until_a_minute_is_calm() -> None:
    """Ceasing is no calm either: the minute counts from the last time it began or ceased."""
    alarm = chattered()
    assert passed(alarm, 79.9).chattering
    assert not passed(alarm, 80).chattering
    still = ceased(alarm, 70)
    assert passed(still, 129).chattering
    assert not passed(still, 130).chattering


def test_chatter_that_ends_standing_is_told_once_more_and_else_cleared() -> None:
    """What still stands unseen when it is calm is told; what has gone is cleared then, and not before."""
    alarm = chattered()
    assert AlarmChange(before=alarm, after=passed(alarm, 80)).annunciated
    gone = ceased(alarm, 30)
    assert not AlarmChange(before=alarm, after=gone).cleared
    assert AlarmChange(before=gone, after=passed(gone, 90)).cleared


def test_a_chattering_alarm_that_was_acknowledged_stays_one() -> None:
    """It comes again while it chatters, unacknowledged in the list, told to nobody."""
    seen = life.acknowledge(chattered(), replace(MARK, at=second(21)))
    gone = ceased(seen, 25)
    assert not life.at_rest(gone)
    again = stood(gone, 30)
    change = AlarmChange(before=gone, after=again)
    assert (again.state, again.count, change.annunciated) == (B, 4, False)
    assert [event.move for event in life.events_of(change, at=second(30))] == ["repeated"]


def test_suppressed_alarms_are_neither_told_nor_cleared() -> None:
    """What was never told is not cleared when it goes."""
    quiet = stood(life.suppress(life.begin(gain(), since=NOON, at=NOON), "occasion get-in", at=NOON), 0)
    gone = life.release(ceased(quiet, 5), at=second(5))
    change = AlarmChange(before=quiet, after=gone)
    assert (quiet.state, gone.state, change.annunciated, change.cleared) == (H, A, False, False)


def test_stale_is_over_a_day_and_seen_by_people() -> None:
    """Continuously active for more than 24 h (ISA-18.2 clause 16.4.7); 24 h is not more than 24 h."""
    alarm, day = stood(None, 0), 24 * 3600
    assert not life.is_stale(alarm, second(day))
    assert life.is_stale(alarm, second(day + 1))
    assert not life.is_stale(ceased(alarm, 10), second(day + 1))
    assert not life.is_stale(life.shelve(alarm, SHELF), second(day + 1))


def test_the_first_row_that_fits_gives_the_priority() -> None:
    """Concern, site, role and occasion must all fit where they are named; else the concern's own priority holds."""
    rows = (
        PriorityRow(priority=Priority.LOW, concern=Concern.HEARING, occasion="dark-day"),
        PriorityRow(priority=Priority.MEDIUM, site="quay", role="drums"),
        PriorityRow(priority=Priority.LOW, site="quay"),
    )

    def given(role: str, *occasions: str) -> Priority:
        return life.priority_of_drift(gain(), rows, role=role, occasions=occasions)

    assert given("drums", "dark-day") is Priority.LOW
    assert given("drums") is Priority.MEDIUM
    assert given("keys") is Priority.LOW
    assert life.priority_of_drift(gain(), rows[:2], role="keys", occasions=()) is Priority.HIGH


def test_an_occasion_suppresses_concerns() -> None:
    """Of two occasions that are on the stronger one is named."""
    suppresses = {"get-in": {Concern.ACCESS, Concern.COMFORT}, "blackout": {Concern.COMFORT}}
    assert life.suppressed_concerns(["blackout", "get-in"], suppresses) == {
        Concern.ACCESS: "get-in",
        Concern.COMFORT: "blackout",
    }
    assert life.suppressed_concerns(["performance"], suppresses) == {}


def test_events_say_what_happened_between_two_moments() -> None:
    """Raised, acknowledged by whom, returned with since when it stood, shelved, unshelved and raised again."""
    alarm = stood(None, 0)
    seen = life.acknowledge(alarm, MARK)
    gone = ceased(seen, 30)
    (new,) = life.events_of(AlarmChange(before=None, after=alarm), at=NOON)
    (known,) = life.events_of(AlarmChange(before=alarm, after=seen), at=NOON, by="wren")
    (back,) = life.events_of(AlarmChange(before=seen, after=gone), at=second(30))
    assert [new.move, known.move, back.move] == ["raised", "acknowledged", "returned"]
    assert (known.by, back.since, back.state) == ("wren", NOON, A)
    shelved = life.shelve(seen, SHELF)
    freed = passed(shelved, 600)
    moves = [event.move for event in life.events_of(AlarmChange(before=shelved, after=freed), at=second(600))]
    assert moves == ["unshelved", "raised"]


STEPS = st.lists(
    st.tuples(
        st.sampled_from(
            [
                "stands",
                "other",
                "ceases",
                "tick",
                "acknowledge",
                "shelve",
                "unshelve",
                "suppress",
                "release",
                "withdraw",
                "put back",
            ]
        ),
        st.integers(0, 90),
    ),
    max_size=40,
)


def stepped(alarm: Alarm, what: str, at: float, rules: AlarmRules) -> Alarm:
    now = second(at)
    match what:
        case "stands" | "other":
            return stood(alarm, at, rules, found="+3 dB" if what == "other" else "+12 dB")
        case "ceases":
            return ceased(alarm, at, rules)
        case "tick":
            return passed(alarm, at, rules)
        case "acknowledge":
            ready = life.can(alarm, Move.ACKNOWLEDGE)
            return life.acknowledge(alarm, Mark(by="wren", at=now)) if ready else alarm
        case "shelve":
            until = now + timedelta(seconds=30)
            return life.shelve(alarm, Shelf(by="wren", at=now, reason="strike", until=until))
        case "unshelve":
            return life.unshelve(alarm, at=now)
        case "suppress":
            return life.suppress(alarm, "occasion get-in", at=now)
        case "release":
            return life.release(alarm, at=now)
        case "withdraw":
            return life.withdraw(alarm, Mark(by="wren", at=now))
        case _:
            return life.put_back(alarm, at=now)


@settings(max_examples=300, deadline=None)
@given(STEPS, st.sampled_from([AT_ONCE, DELAYED]))
def test_whatever_happens_nothing_is_lost(steps: list[tuple[str, int]], rules: AlarmRules) -> None:
    """States say what holds: shelved has an end, normal does not stand, acknowledged has a name, what stands is shown."""
    at = 0.0
    alarm = life.begin(gain(), since=NOON, at=NOON)
    stands: bool = True
    for what, later in steps:
        at += later
        alarm = stepped(alarm, what, at, rules)
        stands = {"stands": True, "other": True, "ceases": False}.get(what, stands)
        assert alarm.stands_at_all is stands
        assert (alarm.state is G) <= (alarm.shelf is not None)
        assert (alarm.state is H) <= bool(alarm.suppressed)
        assert (alarm.state is I) <= (alarm.withdrawn is not None)
        assert (alarm.state is C) <= (alarm.acknowledged is not None)
        assert (alarm.state in {A, D}) <= (not alarm.active)
        assert (alarm.state in {B, C}) <= alarm.active
        assert (alarm.ended is None) or not alarm.active
        assert len(alarm.onsets) <= rules.chatter_onsets
    settled = life.tick(alarm, at=second(at + 100), rules=rules)
    assert settled.active is stands
    assert settled.shelf is None
    assert not settled.chattering
    assert life.at_rest(settled) <= (not stands)
