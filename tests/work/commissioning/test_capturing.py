"""Capturing: whole sites of real stations written as they are found, proposed in real git, and read back as an estate."""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from ruamel.yaml import YAML

from asleft.daemon import assembly
from asleft.daemon.home import Home
from asleft.daemon.settings.settings import read_settings
from asleft.devices.ocp1.gateway import Ocp1Stations
from asleft.domain.errors import AsleftError
from asleft.domain.estate import Estate, StationId
from asleft.domain.hearing import CAUTION
from asleft.domain.kinds import Value
from asleft.domain.layers import flatten
from asleft.ledger.store import SqliteLedger
from asleft.simulator.manners import Manners
from asleft.simulator.station import Station
from asleft.source.profiles import shipped_profiles
from asleft.source.proposal_commits import Author, ProposalCommits
from asleft.source.proposals import GitProposals
from asleft.work.commissioning.capturing import Captured, capture
from asleft.work.commissioning.choosing import CannotCapture, Wish
from estates import HALL, IMPATIENT, Bench, a_bench, commit, git
from work.commissioning.grounds import ground_at

NOON = datetime(2026, 3, 3, 12, 0, tzinfo=UTC)  # a Tuesday on which nothing is on anywhere
BARN = "barn"
SITE = """\
format: asleft-site-1
name: Larks Barn
time-zone: Europe/Berlin
addresses:
  live: no
  subnet: 127.{octet}.9.0/24
  gateway: 127.{octet}.9.1
  stations: 127.{octet}.9.10-127.{octet}.9.30
reach: {{by: ocp1, port: {port}}}

# What every station here has.
settings:
  network: {{gateway: 127.{octet}.9.1}}
"""
NO_WISH = Wish(roles={}, names={})


@dataclass(frozen=True, kw_only=True)
class Barn:
    """A bench whose estate has one site more, with nobody in its files yet."""

    bench: Bench
    port: int
    net: str

    def put(
        self,
        last: int,
        *,
        model: str = "stage-station",
        serial: str | None = None,
        manners: Manners | None = None,
        **settings: str,
    ) -> Station:
        """Put a unit there, as somebody set it by hand; `_` stands for a dot and `__` for a hyphen."""
        profile = shipped_profiles()[model]
        estate = {
            name: as_left.values[name]
            for as_left in [self.bench.estate.stations[StationId(HALL, "choir-left")]]
            for name in profile.settings
            if name in as_left.values
        }
        texts = {key.replace("__", "-").replace("_", "."): text for key, text in settings.items()}
        typed = {name: profile.settings[name].kind.parse(text) for name, text in texts.items()}
        address = f"{self.net}.{last}"
        station = Station(
            profile=profile,
            serial=serial or f"QS41-{7000 + last}",
            firmware="2.4.1",
            address=address,
            port=self.port,
            values={
                **estate,
                "network.address": f"{address}/24",
                "network.gateway": f"{self.net}.1",
                "label": f"Place {last}",
                **typed,
            },
            manners=manners,
        )
        self.bench.fleet.call(station.switch_on)
        return station

    def off(self, *stations: Station) -> None:
        """Switch units off."""
        for station in stations:
            self.bench.fleet.call(station.switch_off)


@contextmanager
def a_barn(folder: Path) -> Iterator[Barn]:
    """Set a bench up, and add an empty site to its estate."""
    with a_bench(folder) as bench:
        drums = bench.estate.stations[StationId(HALL, "drums")].address
        octet, port = drums.split(".")[1], bench.estate.sites[HALL].port
        file = bench.repository / "sites" / BARN / "site.yaml"
        file.parent.mkdir()
        file.write_text(SITE.format(octet=octet, port=port), "utf-8")
        commit(bench.repository, "Add the barn")
        yield Barn(bench=bench, port=port, net=f"127.{octet}.9")


def estate_at(bench: Bench, revision: str) -> Estate:
    """Read the estate of a revision from the home's clone."""
    home = Home(bench.home)
    with closing(assembly.baseline_of(home, read_settings(home.settings))) as baseline:
        estate, problems = baseline.load(revision)
    assert estate is not None, problems
    return estate


async def captured_at(
    bench: Bench, site: str, wish: Wish = NO_WISH, *, now: datetime = NOON
) -> tuple[Captured, Estate]:
    """Capture a site as Wren, and give what became of it and the estate that it was done on."""
    home = Home(bench.home)
    settings = read_settings(home.settings)
    with (
        closing(assembly.baseline_of(home, settings)) as baseline,
        closing(SqliteLedger(home.ledger)) as ledger,
    ):
        baseline.refresh()
        base = baseline.newest().commit
        estate, problems = baseline.load(base)
        assert estate is not None, problems
        proposals = GitProposals(
            ProposalCommits(home.baseline, agent=Author(name="asleft agent", email="agent@asleft.invalid")),
            assembly.baseline_of(home, settings),
            shipped_profiles(),
        )
        with closing(proposals):
            captured = await capture(
                estate,
                ground_at(bench.repository),
                site,
                stations=Ocp1Stations(ledger, timings=IMPATIENT),
                proposals=proposals,
                by=estate.people["wren-halloway"],
                reason="Commissioned by hand",
                wish=wish,
                clock=lambda: now,
            )
    return captured, estate


def everything(station: Station) -> dict[str, Value]:
    """Give all managed settings of a unit."""
    return {setting.name: station.get(setting.name) for setting in station.profile.managed()}


def values_of(estate: Estate, site: str) -> dict[str, Mapping[str, Value]]:
    """Give what every station of a site is left with."""
    return {station.name: one.values for station, one in estate.stations.items() if station.site == site}


def others(estate: Estate, site: str) -> dict[StationId, Mapping[str, Value]]:
    """Give what every station of the other sites is left with."""
    return {station: one.values for station, one in estate.stations.items() if station.site != site}


def lines_of(bench: Bench, revision: str, files: Sequence[str]) -> int:
    """Count the lines of settings in files of a revision, read with ruamel.yaml and not by our reader."""
    texts = [git(bench.home / "baseline", "show", f"{revision}:{file}") for file in files]
    trees = [YAML(typ="safe").load(text) for text in texts]
    return sum(len(list(flatten(tree.get("settings") or {}))) for tree in trees)


async def test_a_whole_site_is_written_as_it_is_found(tmp_path: Path) -> None:
    """Six units nobody knew become six files, two roles and a site that resolve to exactly what was found.

    The numbers of lines are counted from the proposed files themselves.
    """
    with a_barn(tmp_path) as barn:
        drums = [
            barn.put(n, panel_display__dim="20 %", tone_preset="deep", mix_heard="Mix 4") for n in (11, 12)
        ]
        keys = [
            barn.put(n, panel_display__dim="20 %", tone_preset="flat", mix_heard="Mix 5") for n in (13, 14)
        ]
        rest = [
            barn.put(15, panel_display__dim="20 %", tone_preset="warm"),
            barn.put(16, model="headphone-distributor", serial="QD12-7016", panel_display__dim="20 %"),
        ]
        wish = Wish(
            roles={"kit": ["station-01", "station-02"], "keys": ["station-03", "organ"]},
            names={f"{barn.net}.14": "organ"},
        )
        captured, before = await captured_at(barn.bench, BARN, wish)
        found = {
            "station-01": drums[0],
            "station-02": drums[1],
            "station-03": keys[0],
            "organ": keys[1],
            "station-04": rest[0],
            "station-05": rest[1],
        }
        wanted = {name: everything(station) for name, station in found.items()}
        barn.off(*found.values())
        after = estate_at(barn.bench, captured.commit)
        assert values_of(after, BARN) == wanted
        assert others(after, BARN) == others(before, BARN)
        stations = {station.name: one for station, one in after.stations.items() if station.site == BARN}
        assert {name: one.serial for name, one in stations.items()} == {
            name: station.serial for name, station in found.items()
        }
        assert [stations[name].role for name in ("station-01", "organ", "station-04")] == ["kit", "keys", ""]
        assert stations["station-05"].profile.name == "headphone-distributor"
        assert dict(captured.new)["organ"] == f"{barn.net}.14"
        # "keys" is used at the hall, too, and stays as it is there; "kit" is the barn's alone.
        assert [file for file, _ in captured.files if file.startswith("roles/")] == ["roles/kit.yaml"]
        files = [file for file, _ in captured.files]
        assert captured.lines == lines_of(barn.bench, captured.commit, files)
        assert captured.lines < captured.plain
        site = {name: one for name, one in after.stations.items() if name.site == BARN}
        assert {str(one.origins["panel.display-dim"].layer) for one in site.values()} == {"site barn"}
        assert site[StationId(BARN, "station-01")].origins["mix.heard"].file == "roles/kit.yaml"


async def test_the_proposal_is_a_branch_and_nothing_is_approved_or_written(tmp_path: Path) -> None:
    """The followed branch stays where it was, the stations keep what they have, and the commit says by whom and why."""
    with a_barn(tmp_path) as barn:
        station = barn.put(11, headphones_gain="+12 dB")
        held = everything(station)
        main = git(barn.bench.repository, "rev-parse", "HEAD").strip()
        captured, _ = await captured_at(barn.bench, BARN)
        clone = barn.bench.home / "baseline"
        assert git(clone, "rev-parse", "main").strip() == main
        assert git(clone, "rev-parse", captured.branch).strip() == captured.commit
        assert captured.branch.startswith(f"asleft/capture-{BARN}")
        message = git(clone, "log", "-1", "--format=%an%n%B", captured.commit)
        assert message.startswith("Wren Halloway\nbarn: captured as found, 1 station")
        assert "Reason: Commissioned by hand" in message
        assert f"Baseline: {main}" in message
        assert everything(station) == held
        barn.off(station)


async def test_what_can_be_louder_than_the_estate_says_is_told_with_its_caution(tmp_path: Path) -> None:
    """+12 dB against the estate's 0 dB is a sixteenth of the allowed time by the 3 dB rule, and that is said.

    Ratio: standards.md, exchange rate of 3 dB (ISO 1999, IEC 61672): 2 to the power of 12/3 is 16.
    """
    with a_barn(tmp_path) as barn:
        station = barn.put(11, headphones_gain="+12 dB", headphones_limiter__level="-9 dB", input_gain="6 dB")
        captured, _ = await captured_at(barn.bench, BARN)
        barn.off(station)
    told = {one.setting: one for one in captured.louder}
    assert told.keys() == {"headphones.gain", "input.gain"}
    gain = told["headphones.gain"]
    assert (gain.found, gain.held_against) == ("+12 dB", "the estate says 0 dB")
    assert "+12 dB, a sixteenth" in gain.words
    assert told["input.gain"].held_against == "the estate says nothing, factory state is 0 dB"
    assert captured.caution == CAUTION


async def test_what_is_not_known_is_left_out_and_listed(tmp_path: Path) -> None:
    """Locked, missing and foreign settings are not written, one that wants a concession neither; no player's value is."""
    manners = Manners(
        locked_paths=frozenset({("Panel", "Display dim")}),
        missing_paths=frozenset({("Local input",)}),
    )
    with a_barn(tmp_path) as barn:
        first = barn.put(11, manners=manners, panel_menus="open", headphones_limiter__level="-7.5 dB")
        second = barn.put(12)
        barn.bench.fleet.call(first.meddle, "headphones.volume", -3.0)
        captured, _ = await captured_at(barn.bench, BARN)
        barn.off(first, second)
        after = estate_at(barn.bench, captured.commit)
    out = {(one.station, one.setting): one.why for one in captured.left_out}
    assert out["station-01", "panel.display-dim"] == "locked by another controller"
    assert out["station-01", "input.gain"] == "not offered by this station"
    assert out["station-01", "panel.menus"].startswith("open needs a concession")
    values = values_of(after, BARN)["station-01"]
    assert values["panel.menus"] == "locked"
    assert values["headphones.limiter-level"] == -7.5
    assert "input.gain" not in values
    assert not [name for name in values if not shipped_profiles()["stage-station"].settings[name].managed]
    assert not [
        line for _, diff in captured.files for line in diff.splitlines() if "volume" in line or "send" in line
    ]


async def test_a_site_that_is_described_already_needs_only_what_moved(tmp_path: Path) -> None:
    """At the hall two were meddled with: their files say so, everything else stays, and a second capture has nothing left."""
    with a_bench(tmp_path) as bench:
        drums, keys = StationId(HALL, "drums"), StationId(HALL, "keys-left")
        first, before = await captured_at(bench, HALL)
        bench.meddle(str(drums), "headphones.gain", "-12 dB")
        bench.meddle(str(keys), "panel.display-dim", "55 %")
        there = bench.beside(str(keys), 45)
        bench.meddle(str(keys), "network.address", f"{there}/24")
        captured, _ = await captured_at(bench, HALL)
        after = estate_at(bench, captured.commit)
        wanted = {name: dict(values) for name, values in values_of(before, HALL).items()}
        wanted["drums"]["headphones.gain"] = -12.0
        wanted["keys-left"] |= {"panel.display-dim": 55, "network.address": f"{there}/24"}
        assert values_of(after, HALL) == wanted
        assert others(after, HALL) == others(before, HALL)
        # The example's hall is as short as it can be: as left, there is nothing to propose.
        assert (first.branch, first.files) == ("", ())
        # What no longer differs is described: approved as it is, capturing again proposes nothing.
        git(
            bench.home / "baseline",
            "push",
            "--quiet",
            str(bench.repository),
            f"{captured.commit}:refs/heads/captured",
        )
        git(bench.repository, "merge", "--quiet", "--ff-only", "captured")
        again, _ = await captured_at(bench, HALL)
        assert (again.branch, again.files) == ("", ())
        assert again.lines == captured.lines


async def test_a_station_that_was_not_found_keeps_every_value(tmp_path: Path) -> None:
    """Nine of ten are set alike; the tenth is off: the site says it for the nine, and the tenth is as it was."""
    with a_bench(tmp_path) as bench:
        off = "gallery"
        for station, one in bench.estate.stations.items():
            if station.site == HALL and station.name != off:
                bench.meddle(str(station), "panel.display-dim", "33 %")
                bench.meddle(str(station), "panel.key-dim", "33 %")
                assert one.serial
        bench.fleet.call(bench.station(f"{HALL}/{off}").switch_off)
        captured, before = await captured_at(bench, HALL)
        after = estate_at(bench, captured.commit)
        assert values_of(after, HALL)[off] == values_of(before, HALL)[off]
        assert {
            values["panel.key-dim"] for name, values in values_of(after, HALL).items() if name != off
        } == {33}
        assert ("gallery", "", "not found; its file stays as it is") in [
            (one.station, one.setting, one.why) for one in captured.left_out
        ]
        drums = after.stations[StationId(HALL, "drums")]
        assert drums.origins["panel.key-dim"].layer == f"site {HALL}"


async def test_units_that_stand_in_the_place_of_others_are_left_to_a_person(tmp_path: Path) -> None:
    """An exchanged unit, one of another site and one serial twice are listed, and their stations stay as they are."""
    with a_bench(tmp_path) as bench:
        keys = bench.estate.stations[StationId("tarnwick-yard", "keys")]
        bench.fleet.call(bench.fleet.fleet.exchange, f"{HALL}/drums", serial="QS41-9001")
        more = [
            Station(
                profile=keys.profile,
                serial=serial,
                firmware="2.4.1",
                address=bench.beside(f"{HALL}/drums", last),
                port=bench.estate.sites[HALL].port,
                values={"network.address": f"{bench.beside(f'{HALL}/drums', last)}/24"},
            )
            for last, serial in ((50, keys.serial), (51, "QS41-2114"))
        ]
        for station in more:
            bench.fleet.call(station.switch_on)
        captured, before = await captured_at(bench, HALL)
        for station in more:
            bench.fleet.call(station.switch_off)
        out = {one.station: one.why for one in captured.left_out if not one.setting}
        address = before.stations[StationId(HALL, "drums")].address
        assert f"at the address of {HALL}/drums; exchange it" in out[address]
        assert "of another site" in out[bench.beside(f"{HALL}/drums", 50)]
        assert "several units tell the serial QS41-2114" in out["bass"]
        assert (captured.branch, captured.files) == ("", ())


async def test_what_an_occasion_sets_is_not_taken_for_the_normal_state(tmp_path: Path) -> None:
    """On a Thursday evening the choir rehearses at the chapel: what the rehearsal's layer names is not captured."""
    chapel = "brackle-chapel"
    thursday = datetime(2026, 3, 5, 20, 0, tzinfo=UTC)
    with a_bench(tmp_path) as bench:
        on = bench.estate.on(thursday)[chapel]
        (occasion,) = [one for one in bench.estate.occasions if one.name == on[0]]
        (name, *_) = [name for name, _ in occasion.layer.namings() if name.startswith("panel.")]
        station = StationId(chapel, "cantor")
        setting = bench.estate.stations[station].profile.settings[name]
        held = bench.estate.stations[station].values[name]
        shown = setting.kind.show
        value = next(
            one
            for one in (getattr(setting.kind, "values", ()) or ["77 %"])
            if setting.kind.parse(one) != held
        )
        bench.meddle(str(station), name, value)
        bench.meddle(str(station), "tone.preset", "deep")
        captured, _ = await captured_at(bench, chapel, now=thursday)
        after = estate_at(bench, captured.commit)
        assert shown(after.stations[station].values[name]) == shown(held)
        assert after.stations[station].values["tone.preset"] == "deep"
        assert (station.name, name, f"{occasion.name} is on, and sets it") in [
            (one.station, one.setting, one.why) for one in captured.left_out
        ]


async def test_stations_that_get_another_role_keep_what_they_have(tmp_path: Path) -> None:
    """Two go to a role of their own and one to a role that other sites use: every value stays, at the hall and elsewhere."""
    wish = Wish(roles={"choir": ["choir-left", "choir-right"], "drums": ["lead-voice"]}, names={})
    with a_bench(tmp_path) as bench:
        captured, before = await captured_at(bench, HALL, wish)
        after = estate_at(bench, captured.commit)
    assert values_of(after, HALL) == values_of(before, HALL)
    assert others(after, HALL) == others(before, HALL)
    roles = {station.name: one.role for station, one in after.stations.items() if station.site == HALL}
    assert (roles["choir-left"], roles["choir-right"], roles["lead-voice"]) == ("choir", "choir", "drums")
    choir = after.stations[StationId(HALL, "choir-left")]
    assert choir.origins["tone.preset"].file == "roles/choir.yaml"
    assert choir.origins["mix.heard"].file == "roles/choir.yaml"
    assert captured.left_out == ()


@pytest.mark.parametrize(
    "wish, said",
    [
        (Wish(roles={}, names={"127.0.0.9": "organ"}), "no new unit was found at"),
        (Wish(roles={}, names={"{net}.11": "Organ"}), "is not a name"),
        (Wish(roles={}, names={"{net}.11": "organ", "{net}.12": "organ"}), "the name 'organ' is taken"),
        (Wish(roles={"kit": ["nobody"]}, names={}), "there is no station 'nobody'"),
        (Wish(roles={"Kit": ["station-01"]}, names={}), "is not a name of a role"),
        (Wish(roles={"kit": ["station-01"], "keys": ["station-01"]}, names={}), "in two roles"),
    ],
)
async def test_a_wish_that_cannot_be_is_told_and_nothing_is_proposed(
    tmp_path: Path, wish: Wish, said: str
) -> None:
    """Names and roles that fit nothing end it before anything is written."""
    with a_barn(tmp_path) as barn:
        stations = [barn.put(11), barn.put(12)]
        names = {address.format(net=barn.net): name for address, name in wish.names.items()}
        try:
            with pytest.raises(CannotCapture, match=said):
                await captured_at(barn.bench, BARN, replace(wish, names=names))
        finally:
            barn.off(*stations)
        assert "asleft/" not in git(barn.bench.home / "baseline", "branch", "--list")


async def test_a_site_that_would_not_pass_the_check_is_not_proposed(tmp_path: Path) -> None:
    """A unit with an address outside its subnet's plan is told by the check, and no branch is left behind."""
    with a_barn(tmp_path) as barn:
        station = barn.put(11, network_gateway=f"{barn.net}.11")
        with pytest.raises(AsleftError, match="gateway"):
            await captured_at(barn.bench, BARN)
        barn.off(station)
        assert "asleft/" not in git(barn.bench.home / "baseline", "branch", "--list")
