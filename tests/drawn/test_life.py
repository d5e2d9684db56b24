"""A station's life out of the records' own words: what kind of moment each commit was, and where it is drawn."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from asleft.domain.estate import AsLeft, StationId
from asleft.drawn.life import HEIGHT, WIDTH, Sign, Topic, life_of, time_line
from asleft.ports.records import Entry
from estates import HALL
from web.page import a_page

DRUMS = StationId(HALL, "drums")
AT = datetime(2026, 6, 10, 12, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def as_left(tmp_path_factory: pytest.TempPathFactory) -> AsLeft:
    """Give the drums as they are left."""
    folder: Path = tmp_path_factory.mktemp("stage")
    with a_page(folder) as page:
        return page.desk.estate_now().stations[DRUMS]


def entry(
    subject: str, *trailers: tuple[str, str], body: str = "", minutes: int = 0, commit: str = "c" * 40
) -> Entry:
    """Give a commit of the records."""
    return Entry(
        commit=commit,
        at=AT + timedelta(minutes=minutes),
        subject=subject,
        body=body,
        trailers=(("Station", str(DRUMS)), *trailers),
        files=(),
    )


def test_who_drew_an_order_up_is_told(as_left: AsLeft) -> None:
    """No trailer names them, for drawing up is no confirmation; who confirmed is named by theirs alone."""
    wren = "Wren Halloway (wren-halloway)"
    order = ("Order", "0d841c9582")
    given = (
        entry(f"{DRUMS}: order 0d841c9582 drawn up by {wren}", order),
        entry(f"{DRUMS}: order 0d841c9582 drawn up", order),
        entry(f"{DRUMS}: order 0d841c9582 confirmed by Idris Quill", order, ("Confirmed-By", "Idris Quill")),
    )
    assert [one.who for one in life_of(DRUMS, given, as_left)] == [wren, "", "Idris Quill"]


@pytest.mark.parametrize(
    "given, sign",
    [
        (entry(f"{DRUMS}: read for the first time"), Sign.FOUND),
        (entry(f"{DRUMS}: headphones.gain 0 dB → +12 dB"), Sign.DRIFT),
        (entry(f"{DRUMS}: headphones.gain +12 dB → 0 dB"), Sign.BACK),
        (entry(f"{DRUMS}: firmware 2.4.1 → 2.5.0"), Sign.CHANGED),
        (entry(f"{DRUMS}: answers at 127.0.0.1 → 127.0.0.2"), Sign.CHANGED),
        (entry(f"{DRUMS}: read complete → unreachable"), Sign.LOST),
        (entry(f"{DRUMS}: read unreachable → complete"), Sign.FOUND),
        (entry(f"{DRUMS}: serial QS41-2011 → QS41-9999"), Sign.EXCHANGED),
        (
            entry(f"{DRUMS}: order 0d841c9582 drawn up by Wren Halloway (wren-halloway)", ("Order", "0d8")),
            Sign.DRAWN_UP,
        ),
        (
            entry(f"{DRUMS}: order 0d841c9582 confirmed by Wren Halloway (wren-halloway)", ("Order", "0d8")),
            Sign.CONFIRMED,
        ),
        (entry(f"{DRUMS}: restored panel.menus open → locked", ("Order", "0d8")), Sign.RESTORED),
        (entry(f"{DRUMS}: order 0d841c9582 lapsed", ("Order", "0d8")), Sign.ENDED),
        (entry(f"{DRUMS}: acknowledged menus", ("By", "Wren Halloway (wren-halloway)")), Sign.ACT),
        (entry(f"{DRUMS}: lamp on for 10 s", ("Action", "identify"), ("By", "Wren")), Sign.ACT),
        (
            entry(f"{DRUMS}: proposed 2 settings as found as left", ("Proposal", "adopt-x"), ("By", "Wren")),
            Sign.PROPOSED,
        ),
    ],
)
def test_each_kind_of_commit(as_left: AsLeft, given: Entry, sign: Sign) -> None:
    """The words are those that the records write."""
    (moment,) = life_of(DRUMS, [given], as_left)
    assert moment.sign is sign
    assert moment.words == (given.subject.removeprefix(f"{DRUMS}: "),)


def test_a_round_over_many_stations_gives_only_its_own_lines(as_left: AsLeft) -> None:
    """The worst of what a commit says of the station is what the moment is; other stations' lines are not in it."""
    body = f"{DRUMS}: headphones.gain +12 dB → 0 dB\n{DRUMS}: panel.menus locked → open\n{HALL}/bass: serial a → b"
    (moment,) = life_of(DRUMS, [entry(f"round at {HALL}: 3 moved", body=body)], as_left)
    assert moment.sign is Sign.DRIFT
    assert moment.words == ("headphones.gain +12 dB → 0 dB", "panel.menus locked → open")


def test_one_alarm_has_its_own_part_of_the_life(as_left: AsLeft) -> None:
    """Of many moves only those of its setting are told, with orders and acts that name it."""
    menus = Topic(setting="panel.menus", line="panel.menus")
    entries = [
        entry(f"{DRUMS}: acknowledged menus", ("By", "Wren"), ("Setting", "panel.menus")),
        entry(f"{DRUMS}: acknowledged headphone gain", ("By", "Wren"), ("Setting", "headphones.gain")),
        entry(f"{DRUMS}: 2 settings moved", body=f"{DRUMS}: panel.menus locked → open\n{DRUMS}: label A → B"),
        entry(f"{DRUMS}: label B → A"),
    ]
    moments = life_of(DRUMS, entries, as_left, menus)
    assert [moment.words for moment in moments] == [("acknowledged menus",), ("panel.menus locked → open",)]
    lost = Topic(setting="", line="read")
    gone = entry(f"{DRUMS}: read complete → unreachable")
    assert [one.sign for one in life_of(DRUMS, [gone, *entries], as_left, lost)] == [Sign.LOST]


def test_who_and_why_are_told(as_left: AsLeft) -> None:
    """A restore names who confirmed it, why, and its order."""
    given = entry(
        f"{DRUMS}: restored 2 settings",
        ("Order", "0d841c9582"),
        ("Confirmed-By", "Wren Halloway (wren-halloway)"),
        ("Confirmed-By", "Idris Quill (idris-quill)"),
        ("Reason", "before doors"),
    )
    (moment,) = life_of(DRUMS, [given], as_left)
    assert moment.who == "Wren Halloway (wren-halloway), Idris Quill (idris-quill)"
    assert (moment.why, moment.order) == ("before doors", "0d841c9582")


def test_of_a_station_that_is_gone_nothing_is_called_drift() -> None:
    """Without as left nobody can say what was drift."""
    (moment,) = life_of(DRUMS, [entry(f"{DRUMS}: headphones.gain 0 dB → +12 dB")], None)
    assert moment.sign is Sign.CHANGED


def test_a_time_line_stays_within_its_edges(as_left: AsLeft) -> None:
    """Older is further left, kinds have lanes of their own, and what is too close is drawn once, with its count."""
    entries = [
        entry(f"{DRUMS}: restored panel.menus open → locked", ("Order", "0d8"), minutes=600),
        entry(f"{DRUMS}: panel.menus locked → open", minutes=302),
        entry(f"{DRUMS}: panel.menus locked → open", minutes=300),
        entry(f"{DRUMS}: read for the first time"),
    ]
    line = time_line(life_of(DRUMS, entries, as_left), AT + timedelta(minutes=1200))
    assert line is not None
    drawn = {mark.sign: mark for mark in line.marks}
    assert drawn[Sign.FOUND].x == line.begin
    assert drawn[Sign.DRIFT].count == 2
    assert drawn[Sign.RESTORED].x == pytest.approx((line.begin + line.end) / 2)
    assert drawn[Sign.RESTORED].y != drawn[Sign.DRIFT].y
    assert all(0 < mark.x < WIDTH and 0 < mark.y < HEIGHT for mark in line.marks)
    assert line.signs == (Sign.FOUND, Sign.DRIFT, Sign.RESTORED)


def test_a_single_moment_and_none(as_left: AsLeft) -> None:
    """Where all happened at one instant nothing is divided by nothing; where nothing happened nothing is drawn."""
    line = time_line(life_of(DRUMS, [entry(f"{DRUMS}: read for the first time")], as_left), AT)
    assert line is not None
    assert [mark.x for mark in line.marks] == [line.begin]
    assert time_line((), AT) is None
