"""What stands after a look."""

from datetime import timedelta

import pytest

from asleft.domain.comparison import compare
from asleft.domain.drift import Drift, DriftKey, DriftKind
from asleft.domain.kinds import Found
from asleft.domain.snapshot import AsFound, NotRead, ReadState, Unread, UnreadWhy
from asleft.ports.ledger import Standing
from asleft.work.standing import stand
from domain.made import DRUMS, NOON, as_found, as_left, not_read

LATER = NOON + timedelta(minutes=5)
DRIFTED: dict[str, Found] = {"headphones.gain": 12.0, "label": "x"}


def after(look: AsFound | NotRead, before: dict[DriftKey, Standing]) -> dict[str, Standing]:
    found = compare(as_left(), look)
    return {
        f"{s.drift.key.kind} {s.drift.key.setting}".strip(): s for s in stand(before, found, look, now=LATER)
    }


def stood(*drifts: Drift) -> dict[DriftKey, Standing]:
    return {drift.key: Standing(drift=drift, since=NOON, seen=NOON) for drift in drifts}


def all_kinds() -> dict[DriftKey, Standing]:
    there = compare(as_left(), as_found(DRIFTED, serial="QS41-9999", firmware="9.9"))
    return stood(*there)


def test_a_new_drift_stands_since_now() -> None:
    """What was not there before stands from this look on."""
    now = after(as_found(DRIFTED), {})
    assert {name: (one.since, one.seen) for name, one in now.items()} == {
        "setting headphones.gain": (LATER, LATER),
        "setting label": (LATER, LATER),
    }


def test_a_known_drift_keeps_its_beginning() -> None:
    """Seen again, a drift stands since it began, with the words of the newest look."""
    before = stood(*compare(as_left(), as_found({"label": "old"})))
    now = after(as_found({"label": "new"}), before)["setting label"]
    assert (now.since, now.seen) == (NOON, LATER)
    assert now.drift.as_found == "new"


def test_what_is_as_left_again_stands_no_more() -> None:
    """A look that found everything as left clears everything."""
    assert after(as_found(), all_kinds()) == {}


def test_what_was_not_read_goes_on_standing() -> None:
    """An unread setting stands as it stood, last seen when it was last read; what was read is cleared."""
    look = as_found(unread={"headphones.gain": Unread(UnreadWhy.LOCKED)})
    now = after(look, all_kinds())
    assert {name: (one.since, one.seen) for name, one in now.items()} == {
        "setting headphones.gain": (NOON, NOON)
    }


def test_unread_is_never_a_new_drift() -> None:
    """What is unknown and did not stand before does not begin to."""
    assert after(as_found(unread={"headphones.gain": Unread(UnreadWhy.MISSING)}), {}) == {}


def test_an_unreachable_station_keeps_all_that_stood() -> None:
    """Of a station that is gone only that is known; the rest stands as it stood."""
    now = after(not_read(ReadState.UNREACHABLE), all_kinds())
    assert now.pop("unreachable").since == LATER
    assert set(now) == {"setting headphones.gain", "setting label", "exchanged", "firmware"}
    assert {one.seen for one in now.values()} == {NOON}


@pytest.mark.parametrize("look", [as_found(), not_read(ReadState.SILENT)])
def test_a_station_that_is_back_is_reachable(look: AsFound | NotRead) -> None:
    """As soon as something takes the connection the station is not unreachable any more."""
    before = stood(*compare(as_left(), not_read(ReadState.UNREACHABLE)))
    assert [key.kind for key in before] == [DriftKind.UNREACHABLE]
    assert [key.station for key in before] == [DRUMS]
    assert after(look, before) == {}


def test_silence_is_no_drift_and_clears_none() -> None:
    """A silent station adds nothing and keeps what stood there."""
    assert set(after(not_read(ReadState.SILENT), all_kinds())) == {
        "setting headphones.gain",
        "setting label",
        "exchanged",
        "firmware",
    }
