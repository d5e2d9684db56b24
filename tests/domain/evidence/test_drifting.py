"""Which revision was in force, drift and gaps through time, told by commits alone."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime, timedelta

from asleft.domain.estate import AsLeft, StationId
from asleft.domain.evidence.drifting import Look, Swept, sweep
from asleft.domain.evidence.force import Force, approved, brought, force_at, forces
from asleft.domain.evidence.found import Sight
from asleft.domain.evidence.left import Lent, Span
from asleft.domain.evidence.pieces import Kind
from asleft.domain.kinds import Value
from domain.evidencing import after, approval, record, sight
from domain.made import DRUMS, LEFT, as_left

ORDER = (("Order", "0123456789"),)
A, B, C = "a" * 40, "b" * 40, "c" * 40


def values(changed: Mapping[str, Value]) -> AsLeft:
    kept = ("headphones.gain", "headphones.limiter", "panel.menus", "panel.display-dim")
    return as_left({name: LEFT[name] for name in kept} | dict(changed))


def span(since: float, until: float, changed: Mapping[str, Value], commit: str = A, *on: str) -> Span:
    force = Force(commit=commit, since=after(since), record="", after=None, named=after(until))
    return Span(
        since=after(since),
        until=after(until),
        force=force,
        occasions=on,
        stations={DRUMS: values(changed)},
    )


def look(minutes: float, seen: Sight, subject: str = "quay/drums: found", *more: tuple[str, str]) -> Look:
    return Look(piece=record(minutes, subject, *more), station=DRUMS, sight=seen)


def swept(
    *looks: Look, spans: tuple[Span, ...] = (), lent: tuple[Lent, ...] = (), ticks: tuple[datetime, ...] = ()
) -> Swept:
    return sweep(spans or (span(0, 100, {}),), looks, lent, ticks)


def told(found: Swept) -> list[tuple[str, float, float | None, str]]:
    def minute(at: datetime | None) -> float | None:
        return None if at is None else (at - after(0)) / timedelta(minutes=1)

    return [(one.name, minute(one.since) or 0.0, minute(one.until), one.ended) for one in found.drifts]


def test_what_is_found_and_restored() -> None:
    """From the commit that shows it to the one that shows it gone; how long it can have stood unseen at most."""
    found = swept(
        look(0, sight()),
        look(10, sight({"headphones.gain": "0 dB"})),
        look(12, sight(), "quay/drums: restored headphones.gain", *ORDER),
    )
    assert told(found) == [("headphones.gain", 10, 12, "restored")]
    (drift,) = found.drifts
    assert (drift.as_left, drift.as_found, drift.concern, drift.order) == ("-12 dB", "0 dB", "hearing", True)
    assert drift.within == timedelta(minutes=10)
    assert found.gaps == ()


def test_a_drift_that_moves_on_is_one_and_one_set_back_by_hand_is_said_so() -> None:
    """It is told with what was found last."""
    found = swept(
        look(0, sight()),
        look(10, sight({"headphones.gain": "0 dB"})),
        look(11, sight({"headphones.gain": "+6 dB"})),
        look(15, sight()),
    )
    assert told(found) == [("headphones.gain", 10, 15, "found as left again, without an order")]
    assert found.drifts[0].as_found == "+6 dB"
    assert not found.drifts[0].order


def test_the_first_look_has_no_time_to_detect() -> None:
    """Nobody knows how long it had stood."""
    (drift,) = swept(look(3, sight({"panel.menus": "open"}))).drifts
    assert (drift.within, drift.until) == (None, None)


def test_what_cannot_be_read_stands_on_and_nothing_begins() -> None:
    """Unknown is not normal, and no drift either; it is a gap."""
    found = swept(
        look(0, sight()),
        look(10, sight({"headphones.gain": "0 dB"})),
        look(20, sight({"panel.menus": "open"}, read="silent")),
        look(30, sight()),
    )
    assert told(found) == [("headphones.gain", 10, 30, "found as left again, without an order")]
    assert [(one.why, one.since, one.until) for one in found.gaps] == [("silent", after(20), after(30))]


def test_one_setting_unread_is_unknown() -> None:
    """Its drift stands on until it is read again."""
    found = swept(
        look(0, sight({"headphones.gain": "0 dB"})),
        look(5, sight(read="locked", unread={"headphones.gain": "locked by another controller"})),
        look(9, sight()),
    )
    assert told(found) == [("headphones.gain", 0, 9, "found as left again, without an order")]


def test_unreachable_exchanged_and_other_firmware_are_drift_of_the_unit() -> None:
    """Each by its own name."""
    found = swept(
        look(0, sight()),
        look(1, sight(read="unreachable")),
        look(2, sight(serial="QS41-9")),
        look(3, sight(firmware="2.5.0")),
    )
    again = "found as left again, without an order"
    assert told(found) == [("read", 1, 2, again), ("serial", 2, 3, again), ("firmware", 3, None, "")]
    assert [one.why for one in found.gaps] == ["unreachable"]


def test_what_is_approved_makes_and_ends_drift() -> None:
    """A station that nobody touched is not as left any more; or what was found is approved."""
    spans = (span(0, 20, {}), span(20, 40, {"headphones.gain": 0.0}, B), span(40, 60, {}, C))
    found = swept(look(1, sight()), spans=spans)
    assert told(found) == [("headphones.gain", 20, 40, "what was found was approved")]
    assert (found.drifts[0].cause, found.drifts[0].record) == ("approved", "")


def test_what_is_on_makes_drift_of_what_it_closes() -> None:
    """Within one revision, by the calendar alone."""
    spans = (span(0, 20, {}), span(20, 40, {"panel.menus": "open"}, A, "rehearsal"), span(40, 60, {}))
    found = swept(look(1, sight()), spans=spans)
    assert told(found) == [("panel.menus", 20, 40, "what is on at the site changed what is approved")]
    assert found.drifts[0].cause == "occasion"


def test_what_is_lent_is_no_drift_until_it_is_over() -> None:
    """It lies over as left; a unit with another serial was not lent anything."""
    loan = Lent(
        order="1",
        station=DRUMS,
        serial="QS41-2107",
        setting="panel.menus",
        value="open",
        since=after(10),
        until=after(20),
    )
    opened = look(10, sight({"panel.menus": "open"}), "quay/drums: lent panel.menus", *ORDER)
    assert told(swept(look(1, sight()), opened, lent=(loan,))) == [("panel.menus", 20, None, "")]
    other = replace(loan, serial="QS41-1")
    assert told(swept(look(1, sight()), opened, lent=(other,))) == [("panel.menus", 10, None, "")]


def test_never_read_is_a_gap_and_so_is_what_goes_on() -> None:
    """From when it was approved."""
    (gap,) = swept().gaps
    assert (gap.why, gap.since, gap.until) == ("never read", after(0), None)


def test_a_station_that_is_gone_has_neither() -> None:
    """Its drift ends with its place in the estate."""
    spans = (span(0, 20, {}), replace(span(20, 40, {}, B), stations={}))
    found = swept(look(1, sight({"panel.menus": "open"})), spans=spans)
    assert told(found) == [("panel.menus", 1, 20, "no station of the estate any more")]


def test_stations_as_left_are_counted_among_those_that_are_known() -> None:
    """What was not wholly read counts only where it has drifted; ticks come before what happens at their instant."""
    spans = (
        Span(
            since=after(0),
            until=after(100),
            force=span(0, 1, {}).force,
            occasions=(),
            stations={
                StationId("quay", name): replace(values({}), station=StationId("quay", name))
                for name in ("a", "b", "c", "d")
            },
        ),
    )

    def at(name: str, minutes: float, seen: Sight) -> Look:
        return Look(piece=record(minutes), station=StationId("quay", name), sight=seen)

    looks = (
        at("a", 1, sight()),
        at("b", 1, sight({"panel.menus": "open"})),
        at("c", 1, sight(read="locked", unread={"headphones.gain": "locked by another controller"})),
        at("c", 20, sight({"panel.menus": "open"}, read="partial")),
        at("a", 30, sight(read="unreachable")),
    )
    ticks = tuple(after(minutes) for minutes in (0, 10, 20, 25, 30, 40))
    assert sweep(spans, looks, (), ticks).counts == ((0, 0), (1, 2), (1, 2), (1, 3), (1, 3), (0, 2))


def test_the_revision_in_force_by_what_records_name() -> None:
    """An order that lapses names the revision that it was drawn up by, which does not bring that back."""
    records = [
        record(0, baseline=""),
        record(1, baseline=A),
        record(2, "quay/drums: order 1 drawn up", ("Order", "1"), baseline=A),
        record(3, baseline=B),
        record(4, "quay/drums: order 1 lapsed", ("Order", "1"), baseline=A),
        record(5, "quay/drums: restored", ("Order", "2"), baseline=C),
        record(6, baseline=A),
    ]
    found = forces(records)
    assert [(one.commit, one.since, one.until, one.named, one.after) for one in found] == [
        (A, after(1), after(3), after(2), None),
        (B, after(3), after(5), after(3), after(2)),
        (C, after(5), after(6), after(5), after(3)),
        (A, after(6), None, after(6), after(5)),
    ]
    assert force_at(found, after(0)) is None
    assert force_at(found, after(3)) is found[1]
    assert "nothing later" in found[0].words(after(2.5))
    assert "before and after" in found[0].words(after(1.5))


def test_what_is_approved_is_what_a_named_revision_holds() -> None:
    """With all that it was made upon; what is only on the branch is written."""
    newest = [approval(4, "d", "c"), approval(3, "c", "a", "b"), approval(2, "b", "a"), approval(1, "a")]
    kinds = {piece.commit: piece.kind for piece in approved(newest, ["c", "elsewhere"])}
    assert kinds == {"d": Kind.WRITTEN, "c": Kind.APPROVED, "b": Kind.APPROVED, "a": Kind.APPROVED}
    listed = forces([record(1, baseline="a"), record(4, baseline="c"), record(5, baseline="elsewhere")])
    parts = [(force.commit, [piece.commit for piece in pieces]) for force, pieces in brought(newest, listed)]
    assert parts == [("a", ["a"]), ("c", ["b", "c"]), ("elsewhere", [])]
