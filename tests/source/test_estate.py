"""Whole estates: the shipped one, and everything that can be wrong with one."""

from datetime import timedelta
from pathlib import Path

import pytest

from asleft.domain.estate import Right, StationId
from asleft.domain.problems import Level, Problem
from asleft.domain.profile import Concern
from asleft.source.estate import read_estate
from asleft.source.profiles import shipped_folder, shipped_profiles

COMMIT = "e" * 40
FILES = {
    "estate.yaml": """\
format: asleft-estate-1
name: Quay Stages
profile: stage-station
firmware:
  stage-station: ["2.4.1"]
settings:
  headphones:
    gain: 0 dB
    limiter: on
  panel:
    menus: locked
""",
    "people.yaml": """\
format: asleft-people-1
people:
  wren-halloway:
    name: Wren Halloway
    rights: [look, confirm]
    sites: [quay]
  idris-quill:
    name: Idris Quill
    rights: [confirm]
""",
    "roles/drums.yaml": """\
format: asleft-role-1
meaning: Drummer
settings:
  headphones:
    gain: +12 dB
  tone:
    preset: deep
""",
    "sites/quay/site.yaml": """\
format: asleft-site-1
name: Quay
time-zone: Europe/Berlin
addresses:
  subnet: 127.20.9.0/24
  stations: 127.20.9.10-127.20.9.60
  live: no
reach: {port: 7310}
settings:
  network:
    gateway: 127.20.9.1
  tone:
    preset: warm
""",
    "sites/quay/stations/drums.yaml": """\
format: asleft-station-1
serial: QS41-2107
role: drums
settings:
  label: Drums
  network:
    address: 127.20.9.11/24
""",
    "sites/quay/stations/keys.yaml": """\
format: asleft-station-1
serial: QS41-2108
settings:
  label: Keys
  network:
    address: 127.20.9.12/24
  tone:
    preset: null
""",
}
LIMITED = "".join(f"  output-{number}: {{limiter: on}}\n" for number in range(1, 9))
DRUMS, KEYS = "sites/quay/stations/drums.yaml", "sites/quay/stations/keys.yaml"
SITE, ROLE = "sites/quay/site.yaml", "roles/drums.yaml"


def problems_of(files: dict[str, str]) -> list[Problem]:
    estate, problems = read_estate(
        {path: text.encode() for path, text in files.items()}, commit=COMMIT, shipped=shipped_profiles()
    )
    assert (estate is None) == any(problem.level is Level.ERROR for problem in problems)
    return problems


def changed(path: str, old: str, new: str) -> dict[str, str]:
    assert old in FILES[path]
    return {**FILES, path: FILES[path].replace(old, new, 1)}


def test_the_shipped_estate_is_clean() -> None:
    """The estate that comes with asleft has no problem of any weight."""
    root = shipped_folder("estate")
    files = {str(path.relative_to(root)): path.read_bytes() for path in root.rglob("*.yaml")}
    estate, problems = read_estate(files, commit=COMMIT, shipped=shipped_profiles())
    assert problems == []
    assert estate is not None
    assert len(estate.stations) == 24
    assert len({as_left.role for as_left in estate.stations.values() if as_left.role}) >= 6
    assert len(estate.by_serial()) == 24
    assert {as_left.profile.name for as_left in estate.stations.values()} == {
        "stage-station",
        "headphone-distributor",
    }
    assert Path("people.yaml").name in files


def test_a_sound_estate() -> None:
    """Files become sites, people and stations, every value typed and with the line that named it."""
    estate, problems = read_estate(
        {path: text.encode() for path, text in FILES.items()}, commit=COMMIT, shipped=shipped_profiles()
    )
    assert problems == []
    assert estate is not None
    assert (estate.name, estate.commit, estate.orders.lapse) == ("Quay Stages", COMMIT, timedelta(minutes=15))
    assert str(estate.sites["quay"].search) == "127.20.9.10-127.20.9.60"
    assert estate.people["wren-halloway"].may(Right.CONFIRM, "quay")
    assert not estate.people["wren-halloway"].may(Right.APPROVE, "quay")
    drums = estate.stations[StationId("quay", "drums")]
    assert drums.address == "127.20.9.11"
    assert drums.firmware == ("2.4.1",)
    assert drums.values == {
        "headphones.gain": 12.0,
        "headphones.limiter": True,
        "panel.menus": "locked",
        "tone.preset": "warm",
        "network.gateway": "127.20.9.1",
        "network.address": "127.20.9.11/24",
        "label": "Drums",
    }
    assert {name: str(origin) for name, origin in drums.origins.items()} == {
        "headphones.gain": "roles/drums.yaml:5",
        "headphones.limiter": "estate.yaml:9",
        "panel.menus": "estate.yaml:11",
        "tone.preset": "sites/quay/site.yaml:13",
        "network.gateway": "sites/quay/site.yaml:11",
        "network.address": "sites/quay/stations/drums.yaml:7",
        "label": "sites/quay/stations/drums.yaml:5",
    }


def test_layers_from_the_weakest_to_the_strongest() -> None:
    """Estate, role, site, station: each overrules the one before, whatever the setting."""
    texts = ["flat", "warm", "clear", "deep"]
    tree = {
        path: text.replace("  tone:\n    preset: deep\n", "").replace("  tone:\n    preset: warm\n", "")
        for path, text in FILES.items()
    }
    for path, text in zip(("estate.yaml", ROLE, SITE, DRUMS), texts, strict=True):
        tree[path] += f"  tone:\n    preset: {text}\n"
        estate, problems = read_estate(
            {name: content.encode() for name, content in tree.items()},
            commit=COMMIT,
            shipped=shipped_profiles(),
        )
        assert problems == []
        assert estate is not None
        drums = estate.stations[StationId("quay", "drums")]
        assert drums.values["tone.preset"] == text
        assert drums.origins["tone.preset"].file == path
    assert [layer.name for layer in drums.layers] == ["estate", "role drums", "site quay", "station drums"]


def test_null_takes_a_setting_away() -> None:
    """A station can take away what the estate approved; then nothing is approved for it."""
    estate, _ = read_estate(
        {path: text.encode() for path, text in FILES.items()}, commit=COMMIT, shipped=shipped_profiles()
    )
    assert estate is not None
    assert "tone.preset" not in estate.stations[StationId("quay", "keys")].values


@pytest.mark.parametrize(
    "path,old,new,line,what,fix",
    [
        ("estate.yaml", "name: Quay Stages", "nam: Quay Stages", 2, "'nam' is not a key", "did you mean 'name'?"),
        ("estate.yaml", "asleft-estate-1", "asleft-estate-2", 1, "asleft-estate-2", "write 'asleft-estate-1'"),
        ("estate.yaml", "profile: stage-station", "profile: stage-staton", 3, "there is no profile 'stage-staton'", "did you mean 'stage-station'?"),
        ("estate.yaml", "  stage-station: [", "  stage-sation: [", 5, "there is no profile 'stage-sation'", "stage-station"),
        ("estate.yaml", "gain: 0 dB", "gain: 6 dB", 8, "headphones.gain: +6 dB is between two steps", "allowed: -12 dB, 0 dB, +12 dB"),
        ("estate.yaml", "limiter: on", "limiter: yes", 9, "'yes' is neither on nor off", "write on or off"),
        ("estate.yaml", "    gain: 0", "    gian: 0", 8, "'headphones.gian' is no setting", "did you mean 'headphones.gain'?"),
        ("estate.yaml", "    gain: 0", "    volume: 0", 8, "'headphones.volume' is the player's own", "take the line out"),
        ("estate.yaml", "  panel:\n    menus: locked", "  panel: locked", 10, "'panel' is a group of settings", ""),
        ("estate.yaml", "  panel:\n    menus: locked", "  panel.menus: locked", 10, "'panel.menus' is written with a dot", "nest it: panel: {menus: …}"),
        ("estate.yaml", "menus: locked", "menus: [locked]", 11, "a list stands here", "a setting is one value"),
        ("estate.yaml", "menus: locked", "menus:", 11, "nothing stands after the colon", "write null"),
        ("people.yaml", "confirm]", "confrim]", 5, "confrim", "'confirm'"),
        ("people.yaml", "sites: [quay]", "sites: [quai]", 6, "there is no site 'quai'", "did you mean 'quay'?"),
        ("people.yaml", "wren-halloway", "Wren Halloway", 3, "is no name", "another name"),
        (ROLE, "preset: deep", "preset: deepest", 7, "tone.preset: 'deepest' is not one", "did you mean 'deep'?"),
        (SITE, "Europe/Berlin", "Europe/Brelin", 3, "'Europe/Brelin' is not a time zone", "IANA"),
        (SITE, "Europe/Berlin", "Europe", 3, "'Europe' is not a time zone", "IANA"),
        (SITE, "Europe/Berlin", "../../etc/passwd", 3, "is not a time zone", "IANA"),
        (SITE, "subnet: 127.20.9.0/24", "subnet: 127.20.9.5/24", 5, "is an address inside a subnet", "127.20.9.0/24"),
        (SITE, "127.20.9.10-", "127.20.9.999-", 6, "'127.20.9.999' is not an IPv4 address", "four numbers"),
        (SITE, "127.20.9.10-", "127.20.9.010-", 6, "leading zero", "without leading zeros"),
        (SITE, "127.20.9.10-127.20.9.60", "127.20.9.60-127.20.9.10", 6, "runs backwards", "lower address first"),
        (SITE, "127.20.9.10-127.20.9.60", "127.20.9.10", 6, "is not a range", "the first and the last"),
        (SITE, "9.60", "10.60", 6, "leaves the subnet 127.20.9.0/24", "keep it inside"),
        (SITE, "port: 7310", "port: 70000", 8, "port", ""),
        (SITE, "port: 7310", "prot: 7310", 8, "'reach.prot' is not a key", "did you mean 'port'?"),
        (DRUMS, "role: drums", "role: drum", 3, "there is no role 'drum'", "did you mean 'drums'?"),
        (DRUMS, "role: drums", "profile: headphone-distribtor", 3, "there is no profile 'headphone-distribtor'", "did you mean 'headphone-distributor'?"),
        (DRUMS, "role: drums", "role: Drums", 3, "'Drums' is no name", ""),
        (DRUMS, "127.20.9.11/24", "127.20.9.12/24", 6, "127.20.9.12 is the address of quay/drums too", "another address"),
        (DRUMS, "QS41-2107", "QS41-2108", 1, "serial QS41-2108 is the unit of quay/drums too", "one place only"),
        (DRUMS, "127.20.9.11/24", "127.20.9.99/24", 7, "127.20.9.99 is outside the station range", "widen it"),
        (DRUMS, "127.20.9.11/24", "127.20.9.11", 7, "has no prefix length", "127.20.9.11/24"),
        (DRUMS, "127.20.9.11/24", "127.20.9.11/29", 11, "the gateway 127.20.9.1 cannot be reached", "use an address in 127.20.9.8/29"),
        (DRUMS, "127.20.9.11/24", "null", 1, "no layer names network.address", "write network.address"),
        (DRUMS, "label: Drums", "label: Drums\n  label: Kit", 6, "'label' stands twice: on line 5 and on line 6", "keep one"),
        (DRUMS, "label: Drums", "label: &x Drums", 5, "an anchor, &x", "remove it"),
        (DRUMS, "label: Drums", "label: *x", 5, "", ""),
        (DRUMS, "label: Drums", 'label: "\\e[2J"', 5, "U+001B", "remove it"),
        (DRUMS, "label: Drums", "label: abcdefghijklmnopqrstuvwxyz", 5, "26 characters are too many", "24"),
        (DRUMS, "label: Drums", "output-1: {gain: 0 dB}", 5, "'output-1.gain' is no setting of this model", ""),
        (DRUMS, "label: Drums", "service: {uptime: 5 s}", 5, "'service.uptime' is told by the station itself", "take the line out"),
        (DRUMS, "settings:", "setings:", 4, "'setings' is not a key", "did you mean 'settings'?"),
    ],
)  # fmt: skip
def test_broken_estates(path: str, old: str, new: str, line: int, what: str, fix: str) -> None:
    """Each thing that is wrong is told at its file and line, in a sentence, with what would be right."""
    problems = problems_of(changed(path, old, new))
    assert problems == sorted(problems)
    told = [problem for problem in problems if what in problem.what and fix in problem.fix]
    assert told, problems
    assert line in [problem.line for problem in told], problems
    assert all(problem.fix and problem.what.isprintable() for problem in problems)


@pytest.mark.parametrize("path", ["estate.yaml", ROLE, SITE, DRUMS])
def test_an_empty_group_is_told_wherever_it_stands(path: str) -> None:
    """Estate, role, site and station: a group that names nothing is a slip, and no error."""
    [problem] = problems_of(changed(path, "settings:\n", "settings:\n  service: {}\n"))
    assert (problem.rule, problem.level, problem.file) == ("whole.layer-empty", Level.HINT, path)
    assert "service" in problem.what


def test_one_cause_is_one_problem() -> None:
    """A mistyped profile does not make every setting of the estate unknown."""
    problems = problems_of(changed("estate.yaml", "profile: stage-station", "profile: stage-staton"))
    assert [problem.where for problem in problems] == ["estate.yaml:3"]


@pytest.mark.parametrize(
    "taken,where,what",
    [
        ("estate.yaml", "estate.yaml:1", "this commit has no estate.yaml"),
        ("roles/drums.yaml", "sites/quay/stations/drums.yaml:3", "there is no role 'drums'"),
        ("sites/quay/site.yaml", "sites/quay/stations/drums.yaml:1", "the site 'quay' has no site.yaml"),
    ],
)
def test_missing_files(taken: str, where: str, what: str) -> None:
    """A file that others rest on is missed where it is needed."""
    problems = problems_of({path: text for path, text in FILES.items() if path != taken})
    assert (where, what) in [(problem.where, problem.what) for problem in problems]


def test_a_site_with_too_few_people() -> None:
    """Whoever may confirm is counted at each site; it is told at the people, and weighed as any rule is."""
    alone = changed("people.yaml", "rights: [confirm]", "rights: [look]")
    (problem,) = problems_of(alone)
    assert (problem.rule, problem.level, problem.where) == ("orders.alone", Level.WARNING, "people.yaml:2")
    assert "many stations" not in problem.what
    more = {**alone, "estate.yaml": alone["estate.yaml"] + "orders: {many: 1}\n"}
    assert "many stations" in problems_of(more)[0].what
    less = {**alone, "estate.yaml": alone["estate.yaml"] + "orders: {two-people: []}\n"}
    assert [one.rule for one in problems_of(less)] == ["orders.always"]
    off = "checks: {orders.alone: {level: off, reason: one person does it all}}\n"
    assert problems_of({**alone, "estate.yaml": alone["estate.yaml"] + off}) == []


def test_what_orders_are_asked_and_whom_concerns_narrow() -> None:
    """Rows of estate.yaml and people.yaml reach the estate; a concern that two lack is told."""
    files = changed("people.yaml", "rights: [confirm]", "rights: [confirm]\n    concerns: [network, access]")
    files["estate.yaml"] += "orders: {margin-minutes: 10, signed-confirmations: no}\n"
    estate, problems = read_estate(
        {path: text.encode() for path, text in files.items()}, commit=COMMIT, shipped=shipped_profiles()
    )
    assert estate is not None
    assert (estate.orders.margin, estate.orders.signed) == (timedelta(minutes=10), False)
    assert estate.people["idris-quill"].concerns == {Concern.NETWORK, Concern.ACCESS}
    assert not estate.people["idris-quill"].may_confirm("quay", {Concern.HEARING})
    assert estate.people["wren-halloway"].may_confirm("quay", Concern)
    assert [(one.rule, one.what.rpartition(": ")[2]) for one in problems] == [
        ("orders.alone", "a hearing rise, a factory state")
    ]


def test_who_cannot_sign_is_told_at_their_own_line() -> None:
    """Where only signed confirmations count."""
    files = {**FILES, "estate.yaml": FILES["estate.yaml"] + "orders: {signed-confirmations: yes}\n"}
    problems = problems_of(files)
    assert [(one.rule, one.where) for one in problems] == [
        ("orders.nobody", "people.yaml:2"),
        ("orders.unsigned", "people.yaml:3"),
        ("orders.unsigned", "people.yaml:7"),
    ]


def test_without_people_nobody_may_confirm() -> None:
    """An estate without people can be looked at; that nobody may confirm is told."""
    (problem,) = problems_of({path: text for path, text in FILES.items() if path != "people.yaml"})
    assert (problem.level, problem.what) == (Level.WARNING, "nobody may confirm a restore")


@pytest.mark.parametrize(
    "path,rule,level",
    [
        ("sites/Quay/site.yaml", "file.name", Level.ERROR),
        ("sites/quay/stations/-x.yaml", "file.name", Level.ERROR),
        ("roles/Big Drums.yaml", "file.name", Level.ERROR),
        ("sites/quay/stations/a.yml", "file.no-place", Level.WARNING),
        ("notes.yaml", "file.no-place", Level.WARNING),
        ("calendar.ics", "file.no-place", Level.WARNING),
    ],
)
def test_files_in_odd_places(path: str, rule: str, level: Level) -> None:
    """A file that will not be read is told, not passed over."""
    (problem,) = problems_of({**FILES, path: "a: b\n"})
    assert (problem.file, problem.line, problem.rule, problem.level) == (path, 1, rule, level)


@pytest.mark.parametrize("path", ["README.md", "LICENSE", ".gitlab.yaml", "sites/quay/plan.pdf"])
def test_files_that_are_nobodys_business(path: str) -> None:
    """Other files may stand beside an estate."""
    assert problems_of({**FILES, path: "\x00"}) == []


def test_aliases_are_refused() -> None:
    """An alias in a file is told at its line."""
    problems = problems_of(
        {**FILES, DRUMS: FILES[DRUMS].replace("Drums\n", "&x Drums\n  mix: {heard: *x}\n")}
    )
    assert {"yaml.anchor", "yaml.alias"} <= {problem.rule for problem in problems}


def test_settings_of_another_model_in_shared_layers() -> None:
    """Estate, role and site may name settings of any model in use; a station's own file may not."""
    amplifier = (
        FILES[KEYS]
        .replace("settings:", "profile: headphone-distributor\nsettings:")
        .replace("  tone:\n    preset: null\n", "")
    )
    assert problems_of({**FILES, KEYS: amplifier + LIMITED}) == []
    for path in ("estate.yaml", ROLE, SITE):
        assert (
            problems_of(
                {**FILES, KEYS: amplifier + LIMITED, path: FILES[path] + "  output-1: {gain: 0 dB}\n"}
            )
            == []
        )
        assert (
            problems_of({**FILES, path: FILES[path] + "  output-1: {gain: 0 dB}\n"})[0].rule
            == "setting.unknown"
        )
    own = problems_of(
        {**FILES, KEYS: amplifier + LIMITED, DRUMS: FILES[DRUMS] + "  output-1: {gain: 0 dB}\n"}
    )
    assert [problem.where for problem in own] == [f"{DRUMS}:8"]


def test_an_own_profile_takes_the_place_of_a_shipped_one() -> None:
    """A profile in the estate is used instead of the shipped one, and told where it is wrong."""
    shipped = (shipped_folder("profiles") / "stage-station.yaml").read_text(encoding="utf-8")
    assert problems_of({**FILES, "profiles/stage-station.yaml": shipped}) == []
    shorter = shipped.replace("values: [open, locked]", "values: [open, shut]")
    (problem, *_) = problems_of({**FILES, "profiles/stage-station.yaml": shorter})
    assert problem.file in {"estate.yaml", "profiles/stage-station.yaml"}


def test_a_list_is_never_taken_for_its_text() -> None:
    """A list in one station's file and the text that looks like it in another's are two values."""
    files = changed(DRUMS, "label: Drums", "label: \"['x']\"")
    files[KEYS] = files[KEYS].replace("label: Keys", "label: [x]")
    assert [problem.where for problem in problems_of(files)] == [f"{KEYS}:4"]


def test_two_hundred_errors_are_all_told() -> None:
    """Every wrong line of a large estate is told at once."""
    files = changed(SITE, "127.20.9.60", "127.20.9.200")
    expected = set()
    for number in range(10, 60):
        path = f"sites/quay/stations/s{number}.yaml"
        files[path] = (
            f"format: asleft-station-1\nserial: T-{number}\nsettings:\n  network: {{address: 127.20.9.{number}/24}}\n"
            "  headphones:\n    gain: 5 dB\n    limiter: maybe\n    gian: 0 dB\n    volume: 0 dB\n"
        )
        expected |= {(path, line) for line in (6, 7, 8, 9)}
    files = {path: text for path, text in files.items() if path not in {DRUMS, KEYS}}
    problems = [problem for problem in problems_of(files) if problem.level is Level.ERROR]
    assert len(expected) == 200
    assert {(problem.file, problem.line) for problem in problems} == expected
    assert len(problems) == 200
    assert problems == sorted(problems)


@pytest.mark.parametrize("path", list(FILES))
@pytest.mark.parametrize(
    "data", [b"", b"\xff\xfe", b"[]", b"a", b"null", b"{", b"settings: []", b"? [a]\n: b", b"\x00" * 9]
)
def test_no_bytes_crash_the_reader(path: str, data: bytes) -> None:
    """Whatever stands in a file, the answer is a list of problems."""
    files = {**{name: text.encode() for name, text in FILES.items()}, path: data}
    estate, problems = read_estate(files, commit=COMMIT, shipped=shipped_profiles())
    assert estate is None
    assert any(problem.file == path for problem in problems)
