"""Rules about audio over the network."""

from collections.abc import Mapping
from fractions import Fraction

import pytest

from asleft.domain.kinds import Value
from asleft.domain.problems import Level, Problem
from asleft.domain.rules.streams import RULES, check_site
from asleft.domain.streams import Link, Network, StreamFormat
from domain.patched import station, stations, view

STREAM = 2_928_000  # stereo L24, 1 ms, on the wire (RFC 3190; RFC 3550, 768, 791; IEEE 802.3)


def told(network: Network | None, **changed: Mapping[str, Value]) -> list[Problem]:
    """Give what is wrong with a network."""
    return list(check_site(view(None, stations(**changed), network=network)))


def test_a_good_network_breaks_nothing() -> None:
    """A site with room on its links is not complained about, nor is one that declares no network."""
    assert told(Network(links={"all": Link(bits_per_second=10**9)})) == []
    assert told(None) == []


@pytest.mark.parametrize(
    "streams_that_fit,rule",
    # Two mixes come down, one pair goes up; a warning begins beyond four fifths (common practice, no source).
    [
        (Fraction(5, 2), None),
        (Fraction(249, 100), "streams.nearly"),
        (Fraction(2), "streams.nearly"),
        (Fraction(199, 100), "streams.full"),
    ],
)
def test_how_full_a_link_may_be(streams_that_fit: Fraction, rule: str | None) -> None:
    """A link up to four fifths of its share is well, up to the share a warning, beyond it an error."""
    network = Network(
        share=Fraction(1, 2), links={"stage": Link(bits_per_second=int(STREAM * streams_that_fit * 2))}
    )
    found = told(network)
    assert [problem.rule for problem in found] == ([rule] if rule else [])
    assert all("2 streams to the stations" in problem.what for problem in found)


def test_both_directions_are_told_apart() -> None:
    """What comes from the stations does not add to what goes to them."""
    up: Mapping[str, Value] = {"outputs.network": "room microphones", "mix.heard": "Mix 3"}
    there = {name: station(name, up) for name in ("a", "b", "c")}
    network = Network(links={"stage": Link(bits_per_second=STREAM * 2)})
    looked_at = view(None, there, network=network)
    found = list(check_site(looked_at))
    assert [(problem.rule, problem.level) for problem in found] == [("streams.full", Level.ERROR)]
    assert (
        "'stage' carries 3 streams from the stations, 150.0 % of its speed; the site allows 75 %"
        in found[0].what
    )
    assert found[0].line == looked_at.site.origin("streams", "links", "stage").line


@pytest.mark.parametrize(
    "form,said",
    [
        (StreamFormat(sample_rate=22_050), "no sample rate of 22050 Hz"),
        (StreamFormat(channels=8, samples=192), "4608 bytes"),  # AES67: 1440 at most
    ],
)
def test_a_format_that_is_none(form: StreamFormat, said: str) -> None:
    """A format that AES67 does not know is an error, and no link is reckoned with it."""
    (problem,) = told(Network(format=form, links={"all": Link(bits_per_second=1)}))
    assert problem.rule == "streams.format"
    assert said in problem.what


def test_a_link_that_names_nobody() -> None:
    """A station that is not at the site is told with the name that was meant."""
    network = Network(links={"a": Link(bits_per_second=10**9, stations=("drums", "base", "choir"))})
    (problem,) = told(network)
    assert (problem.rule, problem.fix) == ("streams.no-station", "did you mean 'bass'?")
    assert "'base'" in problem.what


def test_a_station_behind_no_link() -> None:
    """Where there are several links, who is behind none is named; where one link has everybody, nobody is missing."""
    one, other = Link(bits_per_second=10**9, stations=("drums",)), Link(bits_per_second=10**9)
    only_drums = Network(links={"a": one, "b": one})
    (problem,) = told(only_drums)
    assert (problem.rule, problem.level) == ("streams.unlinked", Level.HINT)
    assert problem.what == "behind no link, and so not counted: bass, choir"
    assert told(Network(links={"a": one, "b": other})) == []
    assert told(Network(links={"a": one})) == []


def test_many_stations_behind_no_link_are_counted() -> None:
    """A long list is cut and its rest counted."""
    there = {f"s{at}": station(f"s{at}", {}) for at in range(9)}
    link = Link(bits_per_second=10**9, stations=("s0",))
    (problem,) = check_site(view(None, there, network=Network(links={"a": link, "b": link})))
    assert problem.what.endswith("s1, s2, s3, s4, s5, s6 and 2 more")


def test_every_rule_has_a_name_of_its_own() -> None:
    """Ids are of this room and differ."""
    ids = [rule.id for rule in RULES]
    assert len(set(ids)) == len(ids) == 5
    assert all(rule.id.startswith("streams.") for rule in RULES)
