"""Kinds, the order of a time line, and clocks that go back."""

from datetime import timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asleft.domain.evidence.pieces import ENDED, KINDS, Kind, instant, kind_of, steadied, steady, weave
from asleft.domain.orders import Purpose
from domain.evidencing import after, approval, record
from domain.made import NOON

ORDER = (("Station", "quay/drums"), ("Order", "0123456789"))
BY = (("Station", "quay/drums"), ("By", "Wren Halloway (wren-halloway)"))


@pytest.mark.parametrize(
    "subject, trailers, kind",
    [
        # The wording is that of domain/journal, order_pages, alarms/journal, work/proposing/words and work/acts.
        ("quay/drums: headphones.gain 0 dB → +12 dB", (("Station", "quay/drums"),), Kind.FOUND),
        # A text from a station never decides: it is found to be called so.
        ("quay/drums: label a → restored headphones.gain", (("Station", "quay/drums"),), Kind.FOUND),
        ("round at quay: 2 stations read for the first time", (("Site", "quay"),), Kind.FOUND),
        ("quay/drums: order 0123456789 drawn up by Wren Halloway (wren-halloway)", ORDER, Kind.DRAWN_UP),
        ("quay, yard: 3 orders drawn up by Wren Halloway (wren-halloway)", ORDER, Kind.DRAWN_UP),
        ("quay: 3 orders confirmed by Wren Halloway (wren-halloway), one of two", ORDER, Kind.CONFIRMED),
        ("quay/drums: order 0123456789 confirmed by Wren (w)", ORDER, Kind.CONFIRMED),
        (
            "quay/drums: order 0123456789 not confirmed, for a confirmation by W (w) does not count",
            ORDER,
            Kind.TURNED_AWAY,
        ),
        ("quay/drums: restored headphones.gain +12 dB → 0 dB", ORDER, Kind.RESTORED),
        ("quay/drums: restored", ORDER, Kind.RESTORED),
        ("quay/drums: set up 12 settings", ORDER, Kind.SET_UP),
        ("quay/drums: undone 2 settings", ORDER, Kind.UNDONE),
        ("quay/drums: lent service.remote-session closed → open", ORDER, Kind.LENT),
        ("quay/drums: given back service.remote-session open → closed", ORDER, Kind.GIVEN_BACK),
        ("quay/drums: returned to factory state", ORDER, Kind.FACTORY),
        ("quay/drums: order 0123456789 refused", ORDER, Kind.REFUSED),
        ("quay/drums: order 0123456789 lapsed", ORDER, Kind.LAPSED),
        ("quay/drums: order 0123456789 halted", ORDER, Kind.HALTED),
        ("quay/drums: proposed x as left", (*BY, ("Proposal", "asleft/adopt-quay-drums-1")), Kind.ADOPTED),
        ("quay/drums: proposed", (*BY, ("Proposal", "asleft/concede-quay-drums-1")), Kind.CONCEDED),
        ("quay/drums: proposed", (*BY, ("Proposal", "asleft/exchange-quay-drums-1")), Kind.EXCHANGED),
        ("quay/drums: proposed", (*BY, ("Proposal", "asleft/enrol-quay-drums-1")), Kind.ENROLLED),
        ("quay: refused to propose: adopt", (("Site", "quay"), ("By", "w")), Kind.REFUSED),
        ("quay/drums: acknowledged menus", BY, Kind.ACKNOWLEDGED),
        ("quay/drums: shelved 4 alarms until 18:00", BY, Kind.SHELVED),
        ("quay/drums: unshelved menus", BY, Kind.UNSHELVED),
        ("quay/drums: taken out of service", BY, Kind.OUT_OF_SERVICE),
        ("quay/drums: put back in service", BY, Kind.IN_SERVICE),
        ("quay/drums: refused to acknowledge", BY, Kind.REFUSED),
        ("quay/drums: lamp put out", (*BY, ("Action", "identify")), Kind.DONE),
        ("records: made", (), Kind.OTHER),
    ],
)
def test_what_a_record_tells(subject: str, trailers: tuple[tuple[str, str], ...], kind: Kind) -> None:
    """By trailers, then by the agent's own words at their own place."""
    assert kind_of(subject, trailers, found="round" in subject) is kind


def test_every_kind_has_words_and_every_purpose_an_end() -> None:
    """Nothing that an order can be for ends as anything else."""
    assert KINDS.keys() == set(Kind)
    assert len(ENDED) == len(Purpose)


def test_times_that_no_calendar_holds() -> None:
    """They become the first or the last that there is."""
    assert instant("-5").year == 1970
    assert instant("99999999999999").year == 9999
    assert instant("x").year == 1970


TIMES = st.lists(st.integers(0, 60), max_size=40).map(lambda ms: [NOON + timedelta(minutes=m) for m in ms])


@given(TIMES)
def test_steady_times_never_go_back_and_keep_what_they_can(times: list) -> None:  # type: ignore[type-arg]
    """As many are kept as the longest subsequence that never goes back has, counted here by the plain square method."""
    found = steady(times)
    assert all(one <= other for one, other in pairwise(found))
    longest: list[int] = []
    for at, time in enumerate(times):
        longest.append(1 + max((longest[i] for i in range(at) if times[i] <= time), default=0))
    assert sum(a == b for a, b in zip(found, times, strict=True)) >= max(longest, default=0)
    assert set(found) <= set(times)
    if times == sorted(times):
        assert found == times


@pytest.mark.parametrize("wrong", [-10_000_000, 10_000_000])
def test_one_wrong_clock_moves_its_own_commit_alone(wrong: int) -> None:
    """Whether it went back to another year or forward."""
    pieces = [record(minutes) for minutes in (4, 3, wrong, 2, 1)]
    assert [piece.when for piece in steadied(pieces)] == [after(m) for m in (4, 3, 2, 2, 1)]
    assert [piece.out_of_order for piece in steadied(pieces)] == [False, False, True, False, False]


@given(TIMES, TIMES)
def test_a_woven_line_keeps_both_orders(ours: list, theirs: list) -> None:  # type: ignore[type-arg]
    """Nothing is lost, what git orders stays so, and over all of it time never goes forward on the way back."""
    records = steadied([record((at - NOON).seconds / 60, commit=f"r{n}") for n, at in enumerate(ours)])
    baseline = steadied([approval((at - NOON).seconds / 60, f"b{n}") for n, at in enumerate(theirs)])
    line = list(weave(records, baseline))
    assert [piece for piece in line if piece.commit[0] == "r"] == records
    assert [piece for piece in line if piece.commit[0] == "b"] == baseline
    assert all(newer.when >= older.when for newer, older in pairwise(line))


def test_what_was_approved_comes_before_what_was_found_at_the_same_instant() -> None:
    """Newest first, so it stands below."""
    assert [piece.commit for piece in weave([record(1, commit="r")], [approval(1, "b")])] == ["r", "b"]


def test_what_a_piece_is_about() -> None:
    """Sites and stations by trailers and paths; people by trailers, and who drew up by the subject."""
    piece = record(1, "quay/drums: order 1 drawn up by Wren (w)", ("Site", "quay"), ("Order", "1"), files=())
    assert (piece.sites, piece.stations, piece.people) == (("quay",), (), ("Wren (w)",))
    piece = approval(1, "b", files=("sites/quay/stations/drums.yaml", "sites/yard/site.yaml", "people.yaml"))
    assert (piece.sites, piece.stations) == (("quay", "yard"), ("quay/drums",))
    assert piece.people == ("Wren Halloway <wren@quillfen.example>",)
