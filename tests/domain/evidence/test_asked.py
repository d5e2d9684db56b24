"""Filters, against a brute force over all entries, and the times that people write."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asleft.domain.evidence.asked import Asked, Sense, about_units, asked_for, read_time
from asleft.domain.evidence.pieces import Kind, Piece, Source
from asleft.domain.profile import Concern
from domain.evidencing import after, record

SITES, STATIONS = ("quay", "quayside"), ("drums", "lead-drums", "bass")
SETTINGS = ("headphones.gain", "headphones.gain-limit", "panel.menus")
PEOPLE = ("Wren Halloway (wren-halloway)", "Idris Quill (idris-quill)")
KINDS = (Kind.FOUND, Kind.RESTORED, Kind.SHELVED)


@st.composite
def pieces(draw: st.DrawFn) -> Piece:
    """Give any record."""
    station = f"{draw(st.sampled_from(SITES))}/{draw(st.sampled_from(STATIONS))}"
    trailers = [("Site", station.partition("/")[0]), ("Station", station)]
    trailers += [("Setting", one) for one in draw(st.lists(st.sampled_from(SETTINGS), unique=True))]
    kind = draw(st.sampled_from(KINDS))
    did = "x"
    if kind is not Kind.FOUND:
        trailers.append(("By" if kind is Kind.SHELVED else "Confirmed-By", draw(st.sampled_from(PEOPLE))))
        did = f"{kind} something"
    if kind is Kind.RESTORED:
        trailers.append(("Order", "1"))
    return record(draw(st.integers(0, 9)), f"{station}: {did}", *trailers, files=())


def maybe(values: tuple[str, ...]) -> st.SearchStrategy[str]:
    return st.sampled_from(("", *values))


asks = st.builds(
    Asked,
    site=maybe(SITES),
    station=maybe((*STATIONS, "quay/drums", "quayside/bass", "side/bass")),
    setting=maybe((*SETTINGS, "headphones", "head")),
    person=maybe(("wren", "QUILL", "nobody")),
    kinds=st.frozensets(st.sampled_from(KINDS)),
    since=st.none() | st.integers(0, 9).map(after),
    until=st.none() | st.integers(0, 9).map(after),
    role=maybe(("front", "back")),
    concern=st.none() | st.sampled_from((Concern.HEARING, Concern.ACCESS)),
    occasion=maybe(("performance",)),
)


def sense(piece: Piece) -> Sense:
    """Say something of a piece that depends on nothing but the piece."""
    return Sense(
        roles=frozenset({"front"} if "drums" in piece.subject else ()),
        concerns=frozenset(
            {Concern.HEARING if one.startswith("headphones") else Concern.ACCESS for one in piece.settings}
        ),
        occasions=frozenset({"performance"} if piece.when.minute % 2 else ()),
    )


def brute(piece: Piece, ask: Asked) -> bool:
    """Ask one question after the other, each in the plainest way there is."""
    said = dict(piece.trailers)
    settings = [value for key, value in piece.trailers if key == "Setting"]
    who = said.get("By", said.get("Confirmed-By", ""))
    hearing = bool({"headphones.gain", "headphones.gain-limit"} & set(settings))
    answers = [
        (ask.site, said["Site"] == ask.site),
        (ask.station, ask.station in (said["Station"], said["Station"].split("/")[1])),
        (ask.setting, any(ask.setting in (one, one.split(".")[0]) for one in settings)),
        (ask.person, ask.person.casefold() in who.casefold()),
        (ask.kinds, piece.kind in ask.kinds),
        (ask.since, ask.since is None or not piece.at < ask.since),
        (ask.until, ask.until is None or piece.at < ask.until),
        (ask.role, ask.role == "front" and "drums" in piece.subject),
        (ask.concern, hearing if ask.concern is Concern.HEARING else "panel.menus" in settings),
        (ask.occasion, piece.at.minute % 2 == 1),
    ]
    return all(answer for question, answer in answers if question)


@given(st.lists(pieces(), max_size=25), asks)
def test_filters_are_the_brute_force_over_all(listed: list[Piece], ask: Asked) -> None:
    """Each and all of them together, in the order that was given."""
    assert list(asked_for(listed, ask, sense)) == [piece for piece in listed if brute(piece, ask)]


def test_what_is_told_of_units_has_concerns_too() -> None:
    """By the page's own words at the beginning of a line, and not by a text that a station sent."""
    piece = record(1, "quay/drums: 2 settings moved", body="quay/drums: read complete → silent\nx: y")
    assert about_units(piece) == {Concern.NETWORK}
    assert about_units(record(1, "quay/drums: firmware 1 → 2")) == {Concern.SERVICE}
    assert about_units(record(1, "quay/drums: label a → read b")) == frozenset()
    assert about_units(record(1, "quay/drums: read for the first time")) == frozenset()


NOW = datetime(2026, 3, 29, 10, 0, tzinfo=UTC)
BERLIN = ZoneInfo("Europe/Berlin")


@pytest.mark.parametrize(
    "text, end, at",
    [
        ("90m", False, NOW - timedelta(minutes=90)),
        ("3d", False, NOW - timedelta(days=3)),
        ("2w", True, NOW - timedelta(days=14)),
        ("now", False, NOW),
        ("Now", True, NOW),
        ("45s", False, NOW - timedelta(seconds=45)),
        ("30 min", False, NOW - timedelta(minutes=30)),
        ("1 minute ago", False, NOW - timedelta(minutes=1)),
        ("2  hours ago", False, NOW - timedelta(hours=2)),
        ("10 days", True, NOW - timedelta(days=10)),
        ("1 Week ago", False, NOW - timedelta(weeks=1)),
        ("5h ago", False, NOW - timedelta(hours=5)),
        # An hour that there is twice is the first one, and one that there is not counts on from before the change.
        ("2026-10-25T02:30", False, datetime(2026, 10, 25, 0, 30, tzinfo=UTC)),
        ("2026-03-29T02:30", False, datetime(2026, 3, 29, 1, 30, tzinfo=UTC)),
        ("2026-05-01t20:15:00z", False, datetime(2026, 5, 1, 20, 15, tzinfo=UTC)),
        # On 2026-03-29 clocks in Berlin go from 02:00 to 03:00 (IANA tz database): the day has 23 hours.
        ("today", False, datetime(2026, 3, 28, 23, 0, tzinfo=UTC)),
        ("today", True, datetime(2026, 3, 29, 22, 0, tzinfo=UTC)),
        ("yesterday", False, datetime(2026, 3, 27, 23, 0, tzinfo=UTC)),
        ("2026-05-01", False, datetime(2026, 4, 30, 22, 0, tzinfo=UTC)),
        ("2026-05-01", True, datetime(2026, 5, 1, 22, 0, tzinfo=UTC)),
        ("2026-05-01T20:15", True, datetime(2026, 5, 1, 18, 15, tzinfo=UTC)),
        ("2026-05-01T20:15:00Z", False, datetime(2026, 5, 1, 20, 15, tzinfo=UTC)),
        ("2026-05-01T20:15:00-05:00", False, datetime(2026, 5, 2, 1, 15, tzinfo=UTC)),
    ],
)
def test_times_as_people_write_them(text: str, at: datetime, *, end: bool) -> None:
    """Days by the clocks of the site; the last day is meant to its end."""
    assert read_time(text, NOW, "Europe/Berlin", end=end) == at


@pytest.mark.parametrize(
    "text",
    [
        "",
        "3",
        "d",
        "0d",
        "-3d",
        "soon",
        "2026-13-01",
        "0001-01-01",
        "9999-12-31",
        "3 years",
        "ago",
        "1 minute from now",
        "-1 minute ago",
    ],
)
def test_what_is_no_time(text: str) -> None:
    """It is said, and nothing is guessed."""
    assert read_time(text, NOW, "Europe/Berlin", end=True) is None


def test_a_piece_is_narrowed_to_what_is_asked() -> None:
    """Nothing is left out where nothing is asked."""
    piece = record(1)
    assert Asked().narrowed(piece) is piece
    assert Asked().everything
    assert piece.source is Source.RECORDS
