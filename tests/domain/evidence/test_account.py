"""The account: weeks against the calendar module, shares against a published row, medians and worst by hand."""

from datetime import UTC, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asleft.domain.concessions import Concession
from asleft.domain.estate import Estate
from asleft.domain.evidence.account import Grounds, account_of, week_ends
from asleft.domain.evidence.drifting import Drifted, Gap, Swept
from asleft.domain.evidence.force import forces
from asleft.domain.evidence.pieces import Kind
from asleft.domain.layers import Origin
from asleft.domain.profile import Concern
from asleft.domain.statistics import Times
from domain.evidencing import after, approval, record
from domain.made import COMMIT, DRUMS, NOON

DAY = 24 * 60
WHO = ("Confirmed-By", "Wren Halloway (wren-halloway)")
OTHER = "d" * 40


def drift(since: float, until: float | None, *, order: bool = True, within: float | None = 5) -> Drifted:
    return Drifted(
        station=DRUMS,
        name="headphones.gain",
        concern=Concern.HEARING,
        as_left="-12 dB",
        as_found="0 dB",
        since=after(since),
        record="r",
        cause="found",
        within=None if within is None else timedelta(minutes=within),
        until=None if until is None else after(until),
        ended="" if until is None else "restored",
        order=order,
    )


def concession(key: str, until: datetime, where: frozenset[str] = frozenset()) -> Concession:
    return Concession(
        key=key,
        setting="panel.menus",
        value="open",
        where=where,
        holder="Wren Halloway",
        reason="a rehearsal",
        until=until.date(),
        origin=Origin(layer="", file="concessions.yaml", line=3),
    )


def estate(commit: str, *concessions: Concession) -> Estate:
    return Estate(name="Quay", commit=commit, sites={}, stations={}, people={}, concessions=concessions)


RECORDS = [
    record(1, "quay/drums: found", ("Site", "quay")),
    record(
        20,
        "quay/drums: restored headphones.gain",
        ("Site", "quay"),
        ("Station", "quay/drums"),
        ("Order", "1"),
        WHO,
        ("Reason", "before doors"),
        body="every write was read back as ordered",
    ),
    record(21, "quay/drums: order 2 halted", ("Site", "quay"), ("Order", "2"), WHO, body="no answer"),
    record(
        22, "yard/bass: order 3 lapsed", ("Site", "yard"), ("Station", "yard/bass"), ("Order", "3"), files=()
    ),
    record(2 * DAY, "quay/drums: found", ("Site", "quay"), baseline=OTHER),
]


def grounds(
    *, since: float = 0, until: float = 9 * DAY, named: bool = True, zone: str = "UTC", **more: object
) -> Grounds:
    listed = forces(RECORDS)
    ticks = week_ends(after(since), after(until), zone)
    given_: dict[str, object] = {
        "swept": [Swept(drifts=(), gaps=(), counts=tuple((0, 0) for _ in ticks))],
        "estates": [
            (
                listed[0],
                estate(
                    COMMIT,
                    concession("stays", after(20 * DAY)),
                    concession("ends", after(3 * DAY)),
                    concession("goes", after(20 * DAY)),
                    concession("elsewhere", after(20 * DAY), frozenset({"yard"})),
                ),
            ),
            (
                listed[1],
                estate(OTHER, concession("stays", after(20 * DAY)), concession("ends", after(3 * DAY))),
            ),
        ],
        **more,
    }
    return Grounds(
        since=after(since),
        until=after(until),
        zone=zone,
        sites=("quay",),
        named=named,
        records=RECORDS,
        forces=listed,
        brought=[
            (listed[0], [approval(-5, COMMIT)]),
            (listed[1], [approval(3, OTHER, files=["sites/yard/site.yaml"]), approval(4, "e" * 40)]),
        ],
        signers={COMMIT: "Wren Halloway (wren-halloway)"},
        **given_,  # type: ignore[arg-type]
    )


def test_days_tell_the_baseline_in_force_and_how_far_the_records_go() -> None:
    """The first day has one, the third two, later ones the last known."""
    days = account_of(grounds()).days
    assert [day.commits for day in days[:4]] == [(COMMIT,), (COMMIT,), (COMMIT, OTHER), (OTHER,)]
    assert [day.named for day in days[:3]] == [after(22), after(22), after(2 * DAY)]
    assert len(days) == 10  # noon to noon touches one more day than it has
    assert account_of(grounds(since=-2 * DAY)).days[0].commits == ()


def test_who_approved_what_and_how_orders_ended() -> None:
    """Of one site what concerns it or the whole estate; signer, confirmer and reason with each."""
    made = account_of(grounds())
    assert [(one.piece.commit, one.signer) for one in made.approvals] == [
        (COMMIT, "Wren Halloway (wren-halloway)"),
        ("e" * 40, ""),
    ]
    (restored,) = made.restores
    assert (restored.order, restored.confirmed_by, restored.reasons) == ("1", (WHO[1],), ("before doors",))
    assert (restored.stations, restored.outcome) == (("quay/drums",), "every write was read back as ordered")
    assert [(one.order, one.kind) for one in made.unfinished] == [("2", Kind.HALTED)]
    everywhere = account_of(grounds(named=False))
    assert [one.order for one in everywhere.unfinished] == ["2", "3"]
    assert len(everywhere.approvals) == 3


def spread(times: Times) -> tuple[int, float | None, float | None]:
    """Give how many they are, the middle one and the longest."""
    return len(times.seconds), times.median, times.longest


def test_times_to_detect_and_restore() -> None:
    """What was found before counts for its end only; what ended without an order is no restore."""
    drifts = (
        drift(-60, 30),
        drift(10, 20, within=4),
        drift(40, 42, order=False, within=None),
        drift(50, None, within=8),
        drift(-90, -80),
    )
    made = account_of(grounds(swept=[Swept(drifts=drifts, gaps=(), counts=((0, 0),) * 3)]))
    assert len(made.drifts) == 4
    assert spread(made.detect) == (2, 6 * 60, 8 * 60)
    assert spread(made.restore) == (2, 50 * 60, 90 * 60)
    assert spread(made.ended) == (3, 10 * 60, 90 * 60)
    assert spread(Times()) == (0, None, None)


def test_concessions_stand_lapse_and_are_taken_away() -> None:
    """By the last day of the account; those of other sites are left out."""
    lines = {line.concession.key: line for line in account_of(grounds()).concessions}
    assert {key: (line.state, line.days_left) for key, line in lines.items()} == {
        "stays": ("standing", 11),
        "ends": ("lapsed", -6),
        "goes": ("taken away", 11),
    }
    assert (lines["stays"].since, lines["stays"].commit) == (after(1), COMMIT)


def test_shares_have_the_published_interval_and_no_data_is_never_nought() -> None:
    """45 of 50: the row of tests/domain/test_statistics.py, worked from NIST/SEMATECH e-Handbook 7.2.4.1."""
    swept = [
        Swept(drifts=(), gaps=(), counts=((0, 0), (25, 30), (0, 5))),
        Swept(drifts=(), gaps=(), counts=((0, 0), (20, 20), (0, 0))),
    ]
    first, second, third = account_of(grounds(swept=swept)).weeks
    assert first.share is None
    assert second.share is not None
    assert (second.share.part, second.share.of) == (45, 50)
    assert (second.share.low, second.share.high) == pytest.approx((0.786398, 0.956524), abs=1e-6)
    assert third.share is not None
    assert third.share.share == 0


def test_gaps_that_touch_the_time_are_told() -> None:
    """Also those that began before, or go on."""
    gaps = (
        Gap(station=DRUMS, why="silent", since=after(-9), until=after(-1)),
        Gap(station=DRUMS, why="silent", since=after(-9), until=after(1)),
        Gap(station=DRUMS, why="never read", since=after(5)),
    )
    made = account_of(grounds(swept=[Swept(drifts=(), gaps=gaps, counts=((0, 0),) * 3)]))
    assert [one.since for one in made.gaps] == [after(-9), after(5)]


def test_what_a_reader_should_know_is_said() -> None:
    """Where the records begin, where a clock went back, which revision is lost."""
    made = account_of(grounds(since=-DAY, estates=[]))
    assert any("name no revision in force before 2026-03-01 12:01 UTC" in note for note in made.notes)
    assert sum("cannot be read from the baseline" in note for note in made.notes) == 2
    assert account_of(grounds(since=1)).notes == ()


@given(
    st.datetimes(datetime(2024, 1, 1), datetime(2027, 1, 1)),  # noqa: DTZ001 hypothesis wants them plain
    st.integers(1, 60 * 24 * 60),
    st.sampled_from(["UTC", "Europe/Berlin", "America/St_Johns"]),
)
def test_weeks_are_those_of_the_calendar(begin: datetime, minutes: int, zone: str) -> None:
    """Each but the first begins on a Monday by the clocks there (ISO 8601, `date.isocalendar`), and they leave no gap."""
    since = begin.replace(tzinfo=UTC)
    until = since + timedelta(minutes=minutes)
    weeks = week_ends(since, until, zone)
    there = ZoneInfo(zone)
    assert weeks[0][0] == since.astimezone(there).date()
    assert weeks[-1][1] == until
    for (_, end), (day, _) in pairwise(weeks):
        assert day.isocalendar().weekday == 1
        assert end.astimezone(there).replace(tzinfo=None) == datetime(day.year, day.month, day.day)  # noqa: DTZ001 a wall clock
    numbers = [day.isocalendar()[:2] for day, _ in weeks]
    assert len(set(numbers)) == len(numbers)
    last = (until - timedelta.resolution).astimezone(there).date()
    assert last.isocalendar()[:2] == numbers[-1]


def test_noon_is_a_sunday() -> None:
    """So that the weeks of these tests are three: 2026-03-01 to -02, to -09, to -10."""
    assert NOON.isocalendar().weekday == 7
    assert len(week_ends(after(0), after(9 * DAY), "UTC")) == 3
