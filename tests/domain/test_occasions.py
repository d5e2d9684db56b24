"""What is on at a time, and when that changes."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from asleft.domain.occasions import Calendar, Event, changes, on_at, stretches

ORDER = ("performance", "recording", "rehearsal")
MIDNIGHT = datetime(2026, 3, 1, tzinfo=UTC)


def at(hour: float) -> datetime:
    """Give an hour of the day of these tests."""
    return MIDNIGHT + timedelta(hours=hour)


def event(starts: float, ends: float, *occasions: str, line: int = 1) -> Event:
    """Give an event of that day."""
    return Event(starts=at(starts), ends=at(ends), occasions=occasions, summary="", line=line)


@dataclass(frozen=True, slots=True)
class Listed:
    """A calendar of given events; one without length is given too, as a calendar may have it."""

    events: tuple[Event, ...]
    file: str = "calendar.ics"

    def between(self, first: datetime, last: datetime) -> Sequence[Event]:
        """Give what is on."""
        return sorted(
            (one for one in self.events if one.starts < last and (one.ends > first or one.starts == first)),
            key=lambda one: one.starts,
        )

    def last_end(self, after: datetime) -> datetime | None:
        """Give the last end."""
        return max((one.ends for one in self.events if one.ends > after), default=None)


def calendar_of(*events: Event) -> Calendar:
    """Give a calendar."""
    return Listed(events)


def test_the_strongest_comes_first_and_unknown_names_are_left_out() -> None:
    """Occasions that are on at once come in the estate's order, whatever the order of events and categories."""
    calendar = calendar_of(event(9, 12, "rehearsal", "picnic"), event(10, 11, "recording", "performance"))
    assert on_at(calendar, ORDER, at(10)) == ("performance", "recording", "rehearsal")
    assert on_at(calendar, ORDER, at(9)) == ("rehearsal",)
    assert on_at(calendar, ("picnic",), at(9)) == ("picnic",)


def test_an_event_is_on_from_its_start_until_before_its_end() -> None:
    """At its start an event is on, at its end no longer; one without length never is."""
    calendar = calendar_of(event(9, 10, "rehearsal"), event(11, 11, "performance"))
    moments = (at(9) - timedelta.resolution, at(9), at(10) - timedelta.resolution, at(10), at(11))
    assert [on_at(calendar, ORDER, moment) for moment in moments] == [
        (),
        ("rehearsal",),
        ("rehearsal",),
        (),
        (),
    ]
    assert [change.at for change in changes(calendar, ORDER, at(0), at(24))] == [at(9), at(10)]


def test_events_that_touch_make_one_change() -> None:
    """One that ends as another begins: one change with both; where the occasion stays the same, none."""
    first, second = event(9, 10, "rehearsal"), event(10, 11, "performance")
    third = event(11, 12, "performance", line=9)
    found = changes(calendar_of(first, second, third), ORDER, at(0), at(24))
    assert [(change.at, change.before, change.after) for change in found] == [
        (at(9), (), ("rehearsal",)),
        (at(10), ("rehearsal",), ("performance",)),
        (at(12), ("performance",), ()),
    ]
    assert [(change.begins, change.ends) for change in found] == [
        ((first,), ()),
        ((second,), (first,)),
        ((), (third,)),
    ]


def test_an_event_over_the_edge_of_the_window_counts() -> None:
    """What is on when the window begins is on before its first change; its edges themselves are no changes."""
    calendar = calendar_of(event(0, 10, "rehearsal"), event(9, 24, "recording"))
    found = changes(calendar, ORDER, at(8), at(12))
    assert [(change.at, change.before, change.after) for change in found] == [
        (at(9), ("rehearsal",), ("recording", "rehearsal")),
        (at(10), ("recording", "rehearsal"), ("recording",)),
    ]


events = st.lists(
    st.builds(
        lambda starts, lasts, occasions: event(starts, starts + lasts, *occasions),
        st.integers(-5, 24),
        st.integers(0, 6),
        st.lists(st.sampled_from([*ORDER, "picnic"]), max_size=2, unique=True),
    ),
    max_size=5,
)


@given(events)
def test_every_moment_is_as_counted_by_hand(given_events: list[Event]) -> None:
    """At every hour, on it or half past, what is on is what a look at every event gives, by itself, by stretches and by changes."""
    calendar = calendar_of(*given_events)
    pieces = stretches(calendar, at(0), at(24))
    found = changes(calendar, ORDER, at(0), at(24))
    assert [piece.ends for piece in pieces[:-1]] == [piece.starts for piece in pieces[1:]]
    assert all(one.at < other.at and one.after == other.before for one, other in pairwise(found))
    assert all(change.before != change.after for change in found)
    for hour in range(24):
        moment = at(hour + 0.5 * (hour % 2))
        names = {name for one in given_events if one.starts <= moment < one.ends for name in one.occasions}
        expected = tuple(name for name in ORDER if name in names)
        assert on_at(calendar, ORDER, moment) == expected
        (piece,) = [piece for piece in pieces if piece.starts <= moment < piece.ends]
        assert piece.on(ORDER) == expected
        past = [change.after for change in found if change.at <= moment]
        assert (past[-1] if past else pieces[0].on(ORDER)) == expected
