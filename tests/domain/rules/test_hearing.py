"""Rules about hearing: levels and times over the limit, limiters that are off, values that cannot be."""

from collections.abc import Mapping
from dataclasses import replace
from ipaddress import IPv4Address, IPv4Network

import pytest

from asleft.domain.addressing import AddressRange
from asleft.domain.estate import AsLeft, StationId
from asleft.domain.hearing import CAUTION, Limits, Worn
from asleft.domain.kinds import Value
from asleft.domain.layers import Origin
from asleft.domain.problems import Problem
from asleft.domain.profile import Ear, Profile
from asleft.domain.rules.hearing import RULES, check_site
from asleft.domain.rules.rule import SiteView
from asleft.domain.site import AddressPlan, Site
from asleft.source.profiles import shipped_profiles
from domain.made import LEFT, profile

# 110 dB/mW, 16 ohm, 1 V behind 10 ohm: 123.74 dB at 0 dB (worked out from the definitions of IEC 60268-7).
LOUD = Worn(sensitivity_mw=110, impedance=16, voltage=1, source_impedance=10)
EAR = Ear(
    name="", gain="headphones.gain", limiter="headphones.limiter", limiter_level="headphones.limiter-level"
)
STAGE = replace(profile(), ears=(EAR,))
EIGHT = replace(
    shipped_profiles()["headphone-distributor"],
    ears=tuple(
        Ear(name=f"output {at}", gain=f"output-{at}.gain", limiter=f"output-{at}.limiter", limiter_level="")
        for at in range(1, 9)
    ),
)


def station(
    name: str,
    changed: Mapping[str, Value | None] | None = None,
    *,
    worn: Worn | None = None,
    model: Profile = STAGE,
    named: Mapping[str, Value] = LEFT,
) -> AsLeft:
    """Give a station whose gain is named in line 9 of the estate and everything else in lines of its own file."""
    values = {key: value for key, value in {**named, **(changed or {})}.items() if value is not None}
    file = f"sites/quay/stations/{name}.yaml"
    origins = {
        key: Origin(layer="estate", file="estate.yaml", line=9)
        if key.endswith("gain")
        else Origin(layer=f"station {name}", file=file, line=at)
        for at, key in enumerate(values, 2)
    }
    return AsLeft(
        station=StationId("quay", name),
        serial=f"QS41-{name}",
        role="",
        profile=model,
        firmware=(),
        values=values,
        origins=origins,
        layers=(),
        file=file,
        worn=worn,
    )


def check(*stations: AsLeft, worn: Worn | None = None, limits: Limits | None = None) -> list[Problem]:
    """Check a site of these stations, whose hearing section has a line for every key."""
    plan = AddressPlan(
        subnet=IPv4Network("127.20.1.0/24"),
        gateway=None,
        stations=AddressRange(first=IPv4Address("127.20.1.10"), last=IPv4Address("127.20.1.60")),
    )
    lines = {"sensitivity": 21, "impedance": 22, "voltage": 23, "source-impedance": 24}
    site = Site(
        name="quay",
        title="Quay",
        time_zone="Europe/Berlin",
        port=7310,
        addresses=plan,
        worn=worn,
        line_of=lambda path: lines.get(str(path[-1]), 20),
    )
    view = SiteView(
        site=site,
        stations={one.station.name: one for one in stations},
        limits=limits or Limits(),
        concessions=(),
    )
    return sorted(check_site(view))


def test_every_breach_is_a_rule_of_the_room() -> None:
    """All ids are told in the room's table, and begin with its name."""
    assert len({rule.id for rule in RULES}) == len(RULES) == 5
    assert all(rule.id.startswith("hearing.") for rule in RULES)


def test_a_quiet_site_is_not_told_of() -> None:
    """Within the limits, and where nothing is known, nothing is said."""
    assert check(station("drums"), worn=LOUD, limits=Limits(level=115, minutes=5)) == []
    assert check(station("drums"), limits=Limits(level=1, minutes=9999)) == []
    assert check(station("drums"), worn=Worn(sensitivity_mw=110), limits=Limits(level=1)) == []
    assert check(station("drums"), worn=LOUD) == []


def test_a_level_over_the_limit_is_told_at_the_line_of_the_gain() -> None:
    """The highest level, the limiter counted, is held against the limit; stations of one line share one sentence."""
    gain: dict[str, Value | None] = {"headphones.gain": 0.0}
    [problem] = check(
        *(station(name, gain) for name in ("bass", "drums", "keys", "voice")),
        worn=LOUD,
        limits=Limits(level=110),
    )
    assert (problem.rule, problem.level, problem.where) == ("hearing.level", "warning", "estate.yaml:9")
    # 123.74 dB less the 9 dB of the limiter.
    assert problem.what == (
        "bass, drums, keys and 1 more: up to 114.7 dB SPL can reach the ear at the approved gain of 0 dB "
        "(limiter counted, 9 dB below the highest), 4.7 dB above the limit of 110 dB"
    )
    assert problem.fix.endswith(CAUTION)


def test_without_its_limiter_a_station_is_louder() -> None:
    """A limiter that is off takes nothing away, and is told of by itself."""
    problems = check(station("drums", {"headphones.limiter": False}), worn=LOUD, limits=Limits(level=111))
    assert [one.rule for one in problems] == ["hearing.level", "hearing.unlimited"]
    assert "111.7 dB SPL" in problems[0].what
    assert "(limiter off)" in problems[0].what


def test_a_time_shorter_than_the_limit_is_told() -> None:
    """At 106 dB the 3 dB rule allows 3 min 45 s (NIOSH 98-126 table 1-1), which is less than five minutes."""
    worn = Worn(sensitivity_v=118, voltage=1)
    quiet: dict[str, Value | None] = {"headphones.limiter-level": 0.0}
    [problem] = check(station("drums", quiet), worn=worn, limits=Limits(minutes=5))
    assert problem.rule == "hearing.time"
    assert "106.0 dB SPL" in problem.what
    assert "3 min 45 s a day" in problem.what
    assert "the limit of 5 min" in problem.what
    assert check(station("drums", quiet), worn=worn, limits=Limits(minutes=3.75)) == []


def test_a_step_far_above_the_limit_is_hinted_at() -> None:
    """Approved at -12 dB within the limit, a step of 24 dB more is told where it ends more than 12 dB above it."""
    [problem] = check(station("drums"), worn=LOUD, limits=Limits(level=112))
    assert (problem.rule, problem.level) == ("hearing.step", "hint")
    assert "+12 dB can be set" in problem.what
    assert "126.7 dB SPL, 14.7 dB above" in problem.what
    assert check(station("drums"), worn=LOUD, limits=Limits(level=114.8)) == []


@pytest.mark.parametrize(
    "limiter,words", [(False, "off in the normal state"), (None, "no layer names the limiter")]
)
def test_a_limiter_that_is_not_on_is_told(limiter: Value | None, words: str) -> None:
    """A limiter is on in the normal state; off is told at its line, not named at the station's file."""
    [problem] = check(station("drums", {"headphones.limiter": limiter}))
    assert (problem.rule, problem.level) == ("hearing.unlimited", "warning")
    assert words in problem.what
    assert problem.file == "sites/quay/stations/drums.yaml"
    assert (problem.line == 1) == (limiter is None)


def test_an_output_without_a_limiter_has_none_to_be_off() -> None:
    """Nothing is asked of an ear that has no limiter."""
    bare = replace(STAGE, ears=(replace(EAR, limiter="", limiter_level=""),))
    assert check(station("drums", {"headphones.limiter": False}, model=bare)) == []


def test_the_outputs_of_one_amplifier_share_a_sentence() -> None:
    """Eight outputs that nobody names are one problem, and all are named in it."""
    [problem] = check(station("choir", model=EIGHT, named={"network.address": "127.20.1.12/24"}))
    assert problem.what.startswith("choir, output 1, output 2, output 3,")
    assert "output 8" in problem.what


def test_outputs_approved_alike_in_lines_of_their_own_share_a_sentence() -> None:
    """Eight limiters that are off in eight lines of one file are one problem, at the first of these lines."""
    off: dict[str, Value] = {f"output-{at}.limiter": False for at in range(1, 9)}
    [problem] = check(station("choir", model=EIGHT, named=off))
    assert (problem.rule, problem.line) == ("hearing.unlimited", 2)
    assert "output 1, output 2" in problem.what


def test_a_gain_that_no_layer_names_counts_as_the_highest() -> None:
    """Where the gain is left to the station, its loudest step is held against the limit."""
    problems = check(station("drums", {"headphones.gain": None}), worn=LOUD, limits=Limits(level=120))
    assert [one.rule for one in problems] == ["hearing.level"]
    assert "126.7 dB SPL can reach the ear at the highest gain" in problems[0].what


def test_a_stations_own_headphones_go_before_the_sites() -> None:
    """One station with less sensitive headphones is within a limit that the site's would break."""
    gain: dict[str, Value | None] = {"headphones.gain": 0.0}
    own = station("drums", gain, worn=Worn(sensitivity_mw=95))
    problems = check(own, station("keys", gain), worn=LOUD, limits=Limits(level=112))
    assert [one.what.partition(":")[0] for one in problems] == ["keys"]


@pytest.mark.parametrize(
    "worn,line,words",
    [
        (replace(LOUD, sensitivity_mw=141), 21, "a sensitivity of 141 dB/mW"),
        (Worn(sensitivity_v=12), 21, "a sensitivity of 12 dB/V"),
        (replace(LOUD, impedance=0), 22, "an impedance of 0 ohm"),
        (replace(LOUD, voltage=230), 23, "a voltage of 230 V"),
        (replace(LOUD, source_impedance=-1), 24, "a source-impedance of -1 ohm"),
    ],
)
def test_values_that_cannot_be_are_errors_at_their_line(worn: Worn, line: int, words: str) -> None:
    """A figure that no headphones have is an error, and no level is computed from it."""
    [problem] = check(station("drums"), worn=worn, limits=Limits(level=1))
    assert (problem.rule, problem.level) == ("hearing.values", "error")
    assert problem.where == f"sites/quay/site.yaml:{line}"
    assert problem.what.startswith(words)


def test_a_stations_own_impossible_value_is_told_at_its_line() -> None:
    """The line is the one that the reader gave, else the head of the station's file."""
    origin = Origin(layer="station drums", file="sites/quay/stations/drums.yaml", line=7)
    [told] = check(station("drums", worn=Worn(voltage=0, origin=origin)))
    assert told.where == "sites/quay/stations/drums.yaml:7"
    [told] = check(station("drums", worn=Worn(voltage=0)))
    assert told.where == "sites/quay/stations/drums.yaml:1"
