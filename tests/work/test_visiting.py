"""Visits are read from a real records repository: what was first, what was last, what was done between."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from asleft.domain.estate import StationId
from asleft.domain.journal import Move, Page, as_found_path
from asleft.domain.order_reading import OrderPage
from asleft.records.repository import Records
from asleft.work.visiting import Moved, Span, last_day, visit_of

DRUMS, BASS = StationId("hall", "drums"), StationId("hall", "bass")
ZONE = "Europe/Berlin"
DAY = datetime(2026, 11, 24, 23, 0, tzinfo=UTC)
"""Midnight in Berlin."""
VISIT = Span(since=DAY + timedelta(hours=9), until=DAY + timedelta(hours=12))


class Book:
    """Writes the records of a small hall, hour by hour of a day."""

    def __init__(self, folder: Path) -> None:
        self.records = Records.create(
            folder, agent_name="asleft", agent_email="asleft@quillfen.example", when=DAY - timedelta(days=30)
        )

    def found(
        self, hour: float, station: StationId = DRUMS, *trailers: tuple[str, str], **values: str
    ) -> str:
        """Record that a station was found so."""
        page = Page(unit={"read": "complete", "serial": "S1"}, settings=values, unread={})
        return self.record(hour, {as_found_path(station): page.text(station)}, station, *trailers)

    def order(
        self,
        hour: float,
        *,
        before: str,
        after: str,
        state: str = "restored",
        outcome: str = "written",
        page: str | None,
    ) -> None:
        """Record that an order over drums ended; with the page that was found after it, where it wrote anything."""
        at = DAY + timedelta(hours=hour)
        text = (
            f"order: o{hour:g}\npurpose: restore\nstate: {state}\nsite: hall\nstation: drums\n"
            f'ended: "{at:%Y-%m-%dT%H:%M:%SZ}"\nlife:\n  - at: x\n    event: confirm\n    by: wren-halloway\n    name: Wren\n'
            f"    why: before doors\nwrites:\n  - setting: gain\n    from: {before}\n    to: {after}\n"
            f"    outcome: {outcome}\n    read-back: {after}\n"
        )
        files = {f"orders/2026/o{hour:g}.yaml": text.encode()}
        if page is not None:
            files[as_found_path(DRUMS)] = Page(
                unit={"read": "complete", "serial": "S1"}, settings={"gain": page}, unread={}
            ).text(DRUMS)
        self.record(hour, files, DRUMS, ("Order", f"o{hour:g}"))

    def record(
        self, hour: float, files: dict[str, bytes], station: StationId, *trailers: tuple[str, str]
    ) -> str:
        """Record files at an hour of the day."""
        commit = self.records.commit(
            {**files},
            subject=f"{station}: at {hour:g}",
            trailers=[("Site", station.site), ("Station", str(station)), *trailers],
            when=DAY + timedelta(hours=hour),
        )
        assert commit is not None
        return commit


@pytest.fixture
def book(tmp_path: Path) -> Book:
    return Book(tmp_path / "records")


def gains(book: Book, span: Span = VISIT) -> tuple[str, str]:
    """Give the gain of drums as found and as left."""
    (drums,) = visit_of(book.records, [DRUMS], "hall", span).stations
    assert drums.arrival is not None
    assert drums.leaving is not None
    return drums.arrival.page.settings["gain"], drums.leaving.page.settings["gain"]


def test_nothing_was_touched(book: Book) -> None:
    """As found is as left where the page was the same all the time, whatever happened before and after."""
    book.found(-48, gain="6 dB")
    stood = book.found(2, gain="0 dB")
    book.found(20, gain="9 dB")
    (drums,) = visit_of(book.records, [DRUMS], "hall", VISIT).stations
    assert gains(book) == ("0 dB", "0 dB")
    assert (drums.acts, drums.wrote, drums.moved) == ((), False, False)
    assert drums.arrival == drums.leaving
    assert drums.leaving is not None
    assert drums.leaving.commit == stood


def test_an_order_put_right_what_stood_for_days(book: Book) -> None:
    """As found is what stood before the order, though nothing was found to move during the visit."""
    book.found(-48, gain="12 dB")
    book.order(10, before="12 dB", after="0 dB", page="0 dB")
    assert gains(book) == ("12 dB", "0 dB")
    (drums,) = visit_of(book.records, [DRUMS], "hall", VISIT).stations
    (act,) = drums.acts
    assert isinstance(act, OrderPage)
    assert drums.wrote
    assert not drums.moved


def test_what_was_found_to_move_before_the_order_is_as_found(book: Book) -> None:
    """The round on arrival finds what nobody knew yet; then it is put right."""
    book.found(2, gain="0 dB")
    book.found(9.5, gain="12 dB")
    book.order(10, before="12 dB", after="0 dB", page="0 dB")
    assert gains(book) == ("12 dB", "0 dB")
    (drums,) = visit_of(book.records, [DRUMS], "hall", VISIT).stations
    assert [type(act) for act in drums.acts] == [Moved, OrderPage]


def test_what_the_order_itself_read_is_newer_than_the_page(book: Book) -> None:
    """An order that found a value which no page had yet says how it was found."""
    book.found(2, gain="0 dB")
    book.order(10, before="9 dB", after="3 dB", page="3 dB")
    assert gains(book) == ("9 dB", "3 dB")


def test_an_order_that_wrote_nothing_touches_nothing(book: Book) -> None:
    """It lapsed or was refused: it is told, and the station is found-left."""
    book.found(2, gain="12 dB")
    book.order(10, before="12 dB", after="0 dB", state="refused", outcome="not begun", page=None)
    (drums,) = visit_of(book.records, [DRUMS], "hall", VISIT).stations
    assert gains(book) == ("12 dB", "12 dB")
    assert not drums.wrote
    assert len(drums.acts) == 1


def test_a_hand_at_the_panel(book: Book) -> None:
    """Without an order, as found is what the first look of the visit found, as left what the last one did."""
    book.found(2, gain="0 dB")
    book.found(9.5, gain="12 dB")
    book.found(10.5, gain="0 dB")
    (drums,) = visit_of(book.records, [DRUMS], "hall", VISIT).stations
    assert gains(book) == ("12 dB", "0 dB")
    assert [act.moves for act in drums.acts if isinstance(act, Moved)] == [
        (Move(name="gain", before="0 dB", after="12 dB"),),
        (Move(name="gain", before="12 dB", after="0 dB"),),
    ]


def test_the_first_look_of_all_is_as_found(book: Book) -> None:
    """A site that nobody had read before is found as the first round finds it, and that is no move."""
    book.found(9.5, gain="12 dB")
    (drums, bass) = sorted(
        visit_of(book.records, [DRUMS, BASS], "hall", VISIT).stations, key=lambda one: -len(one.station.name)
    )
    assert gains(book) == ("12 dB", "12 dB")
    assert not drums.moved
    assert (bass.arrival, bass.leaving) == (None, None)


def test_a_visit_ends_before_what_came_after(book: Book) -> None:
    """What is recorded at the very end belongs to the time after; what at the very beginning, to the visit."""
    book.found(9, gain="1 dB")
    book.found(12, gain="2 dB")
    assert gains(book) == ("1 dB", "1 dB")


def test_the_baseline_that_was_in_force_last(book: Book) -> None:
    """The visit is held against the revision that the records named last until its end."""
    book.found(2, DRUMS, ("Baseline", "a" * 40), gain="0 dB")
    book.found(10, DRUMS, ("Baseline", "b" * 40), gain="1 dB")
    book.found(20, DRUMS, ("Baseline", "c" * 40), gain="2 dB")
    assert visit_of(book.records, [DRUMS], "hall", VISIT).baseline == "b" * 40
    early = Span(since=DAY - timedelta(days=60), until=DAY - timedelta(days=50))
    visit = visit_of(book.records, [DRUMS], "hall", early)
    assert (visit.baseline, visit.commit) == ("", "")


def test_the_last_day_is_one_with_an_order(book: Book) -> None:
    """By the clock of the site; where there never was an order, it is the last day of which anything is recorded."""
    assert last_day(book.records, "hall", ZONE) is None
    book.found(30, gain="0 dB")
    assert last_day(book.records, "hall", ZONE) == Span(
        since=DAY + timedelta(days=1), until=DAY + timedelta(days=2)
    )
    assert last_day(book.records, "other", ZONE) is None
    book.order(47.5, before="0 dB", after="1 dB", page="1 dB")
    book.found(96, gain="0 dB")
    assert last_day(book.records, "hall", ZONE) == Span(
        since=DAY + timedelta(days=1), until=DAY + timedelta(days=2)
    )


def test_the_last_day_may_have_25_hours(book: Book) -> None:
    """On the day on which clocks go back, a day by the clock on the wall is an hour longer."""
    back = datetime(2026, 10, 25, 12, 0, tzinfo=UTC)
    book.record((back - DAY) / timedelta(hours=1), {"note.txt": b"x"}, DRUMS)
    span = last_day(book.records, "hall", ZONE)
    assert span is not None
    assert span.until.astimezone(UTC) - span.since.astimezone(UTC) == timedelta(hours=25)
