"""A site that is judged again by what moved is told the same as one that is judged for the first time."""

from collections.abc import Iterator, Mapping
from dataclasses import replace
from itertools import chain

import pytest

from asleft.domain.estate import AsLeft, Estate
from asleft.domain.hearing import Worn
from asleft.domain.kinds import NotAValue, Value
from asleft.domain.layers import Layer, Origin
from asleft.domain.occasions import Occasion
from asleft.domain.problems import Problem
from asleft.domain.profile import Setting
from asleft.domain.recording import Recording
from asleft.domain.rules import book, whole
from asleft.domain.rules.rule import SERIAL, WORN, SiteView, moves
from asleft.domain.rules.whole import RoleCount
from asleft.domain.streams import Link, Network
from asleft.source.estate import read_estate
from asleft.source.profiles import shipped_folder, shipped_profiles
from domain.patched import view

TEXTS = ("on", "off", "-60 dB", "0 dB", "+12 dB", "127.20.1.12/24", "127.20.9.9/24", "127.20.1.254", "Mix 3")
STREAM = 2_928_000  # stereo L24, 1 ms, on the wire (RFC 3190; RFC 3550, 768, 791; IEEE 802.3)
LOUD = Worn(sensitivity_mw=110, impedance=16, voltage=1, source_impedance=10)


@pytest.fixture(scope="module")
def estate() -> Estate:
    """Give the shipped estate, whose sites have patches, streams, a recording, occasions and headphones."""
    root = shipped_folder("estate")
    files = {str(path.relative_to(root)): path.read_bytes() for path in root.rglob("*") if path.is_file()}
    found, _ = read_estate(files, commit="c" * 40, shipped=shipped_profiles())
    assert found is not None
    return found


def view_of(estate: Estate, site: str) -> SiteView:
    stations = {one.station.name: one for one in estate.stations.values() if one.station.site == site}
    return SiteView(
        site=estate.sites[site],
        stations=stations,
        limits=estate.limits,
        concessions=estate.concessions,
        occasions=estate.occasions,
    )


def another(site: SiteView, station: AsLeft) -> SiteView:
    """Give the site with one station in the place of what it was."""
    return replace(site, stations={**site.stations, station.station.name: station})


def told(judged: book.Judged) -> set[Problem]:
    return set(judged.problems())


def typed(setting: Setting) -> Iterator[Value]:
    """Give values that a setting can have: its own, and what it makes of some texts of other kinds."""
    if setting.factory is not None:
        yield setting.factory
    for text in chain(TEXTS, setting.kind.allowed().replace(",", " ").split()):
        try:
            yield setting.kind.parse(text)
        except NotAValue:
            continue


def changed(station: AsLeft, others: Mapping[str, AsLeft]) -> Iterator[AsLeft]:
    """Give the station with one thing of it another: each setting in turn, gone or of many values; serial; headphones."""
    for setting in station.profile.managed():
        values = {**station.values}
        values.pop(setting.name, None)
        if setting.name != station.profile.reached_at:  # a station without an address is none
            yield replace(station, values=values)
        theirs = (one.values[setting.name] for one in others.values() if setting.name in one.values)
        for value in chain(theirs, typed(setting)):
            yield replace(station, values={**values, setting.name: value})
    for serial in ("", "QS41-0000", *(one.serial for one in others.values())):
        yield replace(station, serial=serial)
    for worn in (None, LOUD, replace(LOUD, impedance=0.0)):
        yield replace(station, worn=worn)


@pytest.mark.parametrize("name", ["quillfen-hall", "tarnwick-yard", "brackle-chapel"])
def test_whatever_moves_is_judged(estate: Estate, name: str) -> None:
    """One thing after the other becomes another and then what it was: nothing is missed, and nothing stays behind."""
    site = view_of(estate, name)
    at_first = told(book.judge_site(site))
    found: set[str] = set()
    for station in list(site.stations.values())[:2]:
        for other in changed(station, site.stations):
            there = another(site, other)
            judged = book.judge_site(there, before=book.judge_site(site), moved=moves(station, other))
            afresh = book.judge_site(there)
            assert told(judged) == told(afresh)
            assert (judged.addressing, judged.whole) == (afresh.addressing, afresh.whole)
            found.update(problem.rule for problem in told(judged) - at_first)
            back = book.judge_site(site, before=judged, moved=moves(other, station))
            assert told(back) == at_first
    assert {"label.twice", "address.twice", "address.range", "serial.twice", "hearing.values"} <= found


@pytest.mark.parametrize(
    "name,setting,value,rule",
    [
        ("choir", "mix.heard", "Mix 2", "streams.full"),
        ("bass", "mix.heard", "Mix 15", "patch.no-mix"),
        ("drums", "outputs.network", "off", "recording.nothing"),
        ("drums", "outputs.line", "room microphones", "patch.unheard"),
    ],
)
def test_signals_are_judged_where_nothing_was_wrong(name: str, setting: str, value: str, rule: str) -> None:
    """What rules about signals find in one value is told, though they had found nothing before."""
    layer = Layer(
        name="occasion recording", file="occasions/recording.yaml", settings={}, line_of=lambda _: 1
    )
    looked_at = view(
        network=Network(links={"stage": Link(bits_per_second=STREAM * 10 // 3)}),
        recording=Recording(disk_bytes=500 * 10**9, hours=3),
    )
    looked_at = replace(
        looked_at, occasions=(Occasion(name="recording", meaning="", performance=False, layer=layer),)
    )
    judged = book.judge_site(looked_at)
    assert rule not in {problem.rule for problem in told(judged)}
    was = looked_at.stations[name]
    now = replace(
        was,
        values={**was.values, setting: value},
        origins={**was.origins, setting: Origin(layer=f"station {name}", file=was.file, line=9)},
    )
    there = another(looked_at, now)
    again = book.judge_site(there, before=judged, moved=moves(was, now))
    assert told(again) == told(book.judge_site(there))
    assert rule in {problem.rule for problem in told(again)}


def test_two_labels_are_counted_apart(estate: Estate) -> None:
    """Three stations come to have one label, and leave it one by one: it is told as long as two have it."""
    site = view_of(estate, "quillfen-hall")
    stations = list(site.stations.values())[:3]
    judged, counts = book.judge_site(site), list[int]()
    for label in ("One", "oNE", "Two"):
        for station in stations:
            was = site.stations[station.station.name]
            now = replace(was, values={**was.values, "label": label if label != "Two" else was.station.name})
            site = another(site, now)
            judged = book.judge_site(site, before=judged, moved=moves(was, now))
            assert told(judged) == told(book.judge_site(site))
            counts.append(sum(problem.rule == "label.twice" for problem in told(judged)))
    assert counts == [0, 1, 2, 2, 2, 2, 1, 0, 0]


def test_a_line_that_moved_is_told_where_it_is(estate: Estate) -> None:
    """What was wrong already is blamed on its line of now, though no value is another."""
    site = view_of(estate, "quillfen-hall")
    first, second, *_ = site.stations.values()
    twice = replace(second, values={**second.values, "label": first.values["label"]})
    site = another(site, twice)
    judged = book.judge_site(site)
    down = {name: replace(origin, line=origin.line + 7) for name, origin in twice.origins.items()}
    lower = replace(twice, origins=down)
    assert moves(twice, lower) == []
    again = book.judge_site(another(site, lower), before=judged, moved=())
    lines = [one.line for judged in (judged, again) for one in told(judged) if one.rule == "label.twice"]
    assert lines == [twice.origins["label"].line, twice.origins["label"].line + 7]


def test_what_moved_is_named(estate: Estate) -> None:
    """A value that is another, one that came, one that is gone, the serial and the headphones; not what is alike."""
    station = next(iter(view_of(estate, "quillfen-hall").stations.values()))
    values = {name: value for name, value in station.values.items() if name != "label"}
    other = replace(station, values={**values, "mix.heard": "Mix 15"}, serial="QS41-0000", worn=LOUD)
    there = {(one.name, one.before, one.after) for one in moves(station, other)}
    assert there == {
        ("label", station.values["label"], None),
        ("mix.heard", station.values["mix.heard"], "Mix 15"),
        (SERIAL, station.serial, "QS41-0000"),
        (WORN, station.worn, LOUD),
    }
    back = {(one.name, one.after, one.before) for one in moves(other, station)}
    assert back == there
    assert moves(station, replace(station)) == []


def count() -> RoleCount:
    return RoleCount(2, {("tone.preset", "deep"): 2}, dict(list(shipped_profiles().items())[:2]))


def test_sums_are_alike_where_they_are_told_alike() -> None:
    """The same counts are alike; others are not, nor are models in another order, by which a value is shown."""
    one = {"drums": count()}
    assert whole.alike(one, {"drums": count()})
    assert not whole.alike(one, {})
    assert not whole.alike(one, {"drums": replace(count(), stations=3)})
    turned = replace(count(), profiles=dict(reversed(count().profiles.items())))
    assert one == {"drums": turned}
    assert not whole.alike(one, {"drums": turned})
