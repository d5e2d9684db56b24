"""New estates and parts of them: valid as written, safe, and never over what is there."""

import json
import re
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator
from ruamel.yaml import YAML

from asleft.daemon.review import check_estate
from asleft.domain.estate import Estate, StationId
from asleft.domain.problems import Level
from asleft.source.profiles import shipped_folder
from asleft.source.schemas import KINDS, schema_text
from estates import asleft, commit, git

EXAMPLE = re.compile(r"^( *)# ( *[a-z][a-z-]*:(?: .*)?)$", re.MULTILINE)


def begun(folder: Path) -> Path:
    """Begin an estate with one of everything, as a newcomer would."""
    estate = folder / "stages"
    told = asleft("new", "estate", estate, "--name", "Quillfen Stages", "--person", "Wren Halloway")
    assert (told.code, told.err) == (0, "")
    at = ("--estate", estate)
    for words in (
        ("site", "quillfen-hall"),
        ("role", "drums"),
        ("station", "quillfen-hall/drums", "--role", "drums"),
        ("station", "quillfen-hall/bass"),
        ("occasion", "rehearsal"),
    ):
        told = asleft("new", *words, *at)
        assert (told.code, told.err) == (0, "")
    git(estate, "init", "--quiet", "--initial-branch=main")
    return estate


def checked(estate: Path) -> Estate:
    """Commit all, and give the estate, which has no error."""
    commit(estate, "Begin")
    found = check_estate(estate)
    assert [problem for problem in found.problems if problem.level is Level.ERROR] == []
    assert found.estate is not None
    return found.estate


def files(folder: Path) -> dict[str, bytes]:
    """Give every file below a folder."""
    return {
        file.relative_to(folder).as_posix(): file.read_bytes()
        for file in folder.rglob("*")
        if file.is_file() and ".git" not in file.parts
    }


def address(estate: Path, station: str) -> str:
    """Give the address in a new station's file."""
    site, _, name = station.partition("/")
    text = (estate / "sites" / site / "stations" / f"{name}.yaml").read_text("utf-8")
    found = re.search(r"address: (\S+)}", text)
    assert found is not None
    return found[1]


def edit(file: Path, old: str, new: str) -> None:
    """Change a text in a file, which has it."""
    text = file.read_text("utf-8")
    assert old in text
    file.write_text(text.replace(old, new), "utf-8")


def test_everything_that_is_begun_passes_the_check(tmp_path: Path) -> None:
    """One of each kind, committed as written, has no error, and `asleft check` ends with 0."""
    folder = begun(tmp_path)
    estate = checked(folder)
    assert estate.name == "Quillfen Stages"
    assert {str(station) for station in estate.stations} == {"quillfen-hall/drums", "quillfen-hall/bass"}
    assert estate.stations[StationId("quillfen-hall", "drums")].role == "drums"
    assert {key: person.name for key, person in estate.people.items()} == {"wren-halloway": "Wren Halloway"}
    assert asleft("check", folder).code == 0


def test_defaults_are_safe(tmp_path: Path) -> None:
    """As begun, menus are locked, limiters on, remote sessions closed, no gain is added, and no unit is written to."""
    for station in checked(begun(tmp_path)).stations.values():
        values = station.values
        assert values["panel.menus"] == "locked"
        assert values["headphones.limiter"] is True
        assert values["headphones.gain"] == 0
        assert values["service.remote-session"] == "closed"
        assert station.serial == ""


def test_without_a_person_nobody_may_confirm(tmp_path: Path) -> None:
    """Nobody gets a right whom nobody named."""
    folder = tmp_path / "stages"
    assert asleft("new", "estate", folder, "--name", "Stages").code == 0
    git(folder, "init", "--quiet", "--initial-branch=main")
    assert checked(folder).people == {}


def test_what_stays_commented_is_valid_too(tmp_path: Path) -> None:
    """Every commented example, with its hash taken off, still passes the check."""
    folder = begun(tmp_path)
    assert asleft("new", "occasion", "performance", "--estate", folder).code == 0
    freed = 0
    for file in folder.rglob("*.yaml"):
        if file.name != "people.yaml":
            head, _, rest = file.read_text("utf-8").partition("\n")
            rest, count = EXAMPLE.subn(r"\1\2", rest)
            file.write_text(f"{head}\n{rest}", "utf-8")
            freed += count
    edit(folder / "sites/quillfen-hall/stations/drums.yaml", "QS41-2101", "QS41-2102")
    assert freed >= 14
    assert checked(folder).stations[StationId("quillfen-hall", "bass")].serial == "QS41-2101"


def test_editors_find_a_schema_that_fits(tmp_path: Path) -> None:
    """The first line of each file leads to a schema in the estate itself, and the file is valid by it."""
    folder = begun(tmp_path)
    kinds = []
    for file in sorted(folder.rglob("*.yaml")):
        first = file.read_text("utf-8").partition("\n")[0]
        schema = file.parent / first.removeprefix("# yaml-language-server: $schema=")
        assert schema.resolve().parent == folder / ".schemas"
        tree = YAML(typ="safe", pure=True).load(file.read_text("utf-8"))
        assert list(Draft202012Validator(json.loads(schema.read_text("utf-8"))).iter_errors(tree)) == []
        kinds.append(schema.stem)
    assert sorted(set(kinds)) == ["estate", "occasion", "people", "role", "site", "station"]


def test_nothing_is_ever_written_over(tmp_path: Path) -> None:
    """What is begun twice is refused, in words that name the file, and no byte changes."""
    folder = begun(tmp_path)
    (folder / ".schemas" / "site.json").write_text("{}", "utf-8")
    before = files(folder)
    at = ("--estate", folder)
    for words in (
        ("estate", folder, "--name", "Other"),
        ("site", "quillfen-hall", *at),
        ("role", "drums", *at),
        ("station", "quillfen-hall/drums", *at),
        ("occasion", "rehearsal", *at),
    ):
        told = asleft("new", *words)
        assert (told.code, told.out) == (6, "")
        assert "is there already" in told.err
    assert asleft("new", "site", "tarnwick-yard", *at).code == 0
    assert {path: text for path, text in files(folder).items() if path in before} == before


def test_a_link_into_nothing_is_not_written_through(tmp_path: Path) -> None:
    """A symbolic link in a file's place counts as the file, wherever it points."""
    folder = begun(tmp_path)
    (folder / "roles" / "bass.yaml").symlink_to(tmp_path / "elsewhere")
    assert asleft("new", "role", "bass", "--estate", folder).code == 6
    assert not (tmp_path / "elsewhere").exists()


@pytest.mark.parametrize(
    "words,said",
    [
        (("site", "Quillfen Hall"), "is no name"),
        (("site", "../over"), "is no name"),
        (("site", "yard", "--time-zone", "Europe/Quillfen"), "is not a time zone"),
        (("site", "yard", "--name", "a\x1b[2Jb"), "U+001B"),
        (("role", "-drums"), "No such option"),
        (("role", "drums_2"), "is no name"),
        (("occasion", "get in"), "is no name"),
        (("station", "drums"), "names no station"),
        (("station", "nowhere/drums"), "asleft new site nowhere"),
        (("station", "quillfen-hall/drums/2"), "is no name"),
        (("station", "quillfen-hall/keys", "--role", "keys"), "asleft new role keys"),
        (("station", "quillfen-hall/keys", "--role", "../estate"), "is no name"),
    ],
)
def test_what_cannot_begin_is_told(tmp_path: Path, words: tuple[str, ...], said: str) -> None:
    """A wrong name, a site or role that is not there: told with what to do, and nothing is written."""
    folder = begun(tmp_path)
    before = files(folder)
    told = asleft("new", *words, "--estate", folder)
    assert told.code in {2, 6}
    assert told.out == ""
    assert said in told.err
    assert "\x1b" not in told.err
    assert files(folder) == before


def test_an_estate_must_be_there(tmp_path: Path) -> None:
    """Parts begin only in an estate."""
    for words in (("site", "hall"), ("role", "drums"), ("station", "hall/drums"), ("occasion", "rehearsal")):
        told = asleft("new", *words, "--estate", tmp_path)
        assert told.code == 6
        assert "estate.yaml" in told.err
    assert files(tmp_path) == {}


@pytest.mark.parametrize(
    "name", ["Yard: the 'small' one", 'The "Hall" #1', "on", "null", "Tarnwick é", "a\\nb", "- a", "7"]
)
def test_any_name_reads_back(tmp_path: Path, name: str) -> None:
    """A name that YAML would take for something else stands in quotes."""
    folder = tmp_path / "stages"
    assert asleft("new", "estate", folder, f"--name={name}").code == 0
    assert asleft("new", "site", "hall", f"--name={name}", "--estate", folder).code == 0
    git(folder, "init", "--quiet", "--initial-branch=main")
    estate = checked(folder)
    assert (estate.name, estate.sites["hall"].title) == (name, name)


def test_sites_get_subnets_that_do_not_overlap(tmp_path: Path) -> None:
    """Each new site has the next subnet that no other site reaches into, however wide that one is."""
    folder = begun(tmp_path)
    edit(folder / "sites/quillfen-hall/site.yaml", "subnet: 10.20.1.0/24", "subnet: 10.20.0.0/22")
    for file in (folder / "sites/quillfen-hall/stations").iterdir():
        edit(file, "/24}", "/22}")
    for name in ("tarnwick-yard", "brackle-chapel"):
        assert asleft("new", "site", name, "--estate", folder).code == 0
    subnets = [str(site.addresses.subnet) for site in checked(folder).sites.values()]
    assert subnets == ["10.20.5.0/24", "10.20.0.0/22", "10.20.4.0/24"]


def test_a_station_gets_the_lowest_free_address(tmp_path: Path) -> None:
    """Gaps are filled; the gateway, reserved ranges and what any station has are passed over; a full range is told."""
    folder = begun(tmp_path)
    assert address(folder, "quillfen-hall/drums") == "10.20.1.10/24"
    assert address(folder, "quillfen-hall/bass") == "10.20.1.11/24"
    site = folder / "sites/quillfen-hall/site.yaml"
    edit(site, "10.20.1.10-10.20.1.99", "10.20.1.10-10.20.1.16")
    edit(site, "  # gateway: 10.20.1.1\n", "  gateway: 10.20.1.12\n")
    edit(
        site,
        "  # reserved: {mixers and stage boxes: 10.20.1.2-10.20.1.9}",
        "  reserved: {boxes: 10.20.1.13-10.20.1.14}",
    )
    (folder / "sites/quillfen-hall/stations/drums.yaml").unlink()
    for name, expected in (("keys", "10.20.1.10/24"), ("brass", "10.20.1.15/24"), ("choir", "10.20.1.16/24")):
        assert asleft("new", "station", f"quillfen-hall/{name}", "--estate", folder).code == 0
        assert address(folder, f"quillfen-hall/{name}") == expected
    told = asleft("new", "station", "quillfen-hall/organ", "--estate", folder)
    assert told.code == 6
    assert "no address is left in 10.20.1.10-10.20.1.16" in told.err


def test_a_station_follows_the_profile_of_its_estate(tmp_path: Path) -> None:
    """Where the estate has a model of its own, the address stands where that model is reached at."""
    folder = begun(tmp_path)
    own = (shipped_folder("profiles") / "stage-station.yaml").read_text("utf-8")
    own = own.replace("network.address:", "control.port.address:")
    (folder / "profiles").mkdir()
    (folder / "profiles" / "own.yaml").write_text(
        own.replace("reached-at: network.address", "reached-at: control.port.address"), "utf-8"
    )
    edit(folder / "estate.yaml", "profile: stage-station", "profile: own")
    for name in ("drums", "bass"):
        (folder / "sites/quillfen-hall/stations" / f"{name}.yaml").unlink()
    assert asleft("new", "station", "quillfen-hall/organ", "--estate", folder).code == 0
    organ = checked(folder).stations[StationId("quillfen-hall", "organ")]
    assert (organ.address, organ.values["label"]) == ("10.20.1.10", "Organ")


def test_long_names_give_labels_that_fit(tmp_path: Path) -> None:
    """A label is cut to what the model shows, and keeps the end, where such names differ."""
    folder = begun(tmp_path)
    for last in "ab":
        name = f"quillfen-hall/the-longest-name-for-a-station-{last}"
        assert asleft("new", "station", name, "--estate", folder).code == 0
    labels = [str(station.values["label"]) for station in checked(folder).stations.values()]
    assert len(set(labels)) == 4
    assert max(map(len, labels)) <= 24


@pytest.mark.parametrize(
    "order,expected",
    [
        ("occasions: []", "occasions: [get-in]"),
        ("occasions: [rehearsal]  # weak", "occasions: [rehearsal, get-in]  # weak"),
        ("occasions:\n  - rehearsal # weak\n# end", "occasions:\n  - rehearsal # weak\n  - get-in\n# end"),
        ("occasions:\n- 'rehearsal'", "occasions:\n- 'rehearsal'\n- get-in"),
        ("occasions: [get-in, rehearsal]", "occasions: [get-in, rehearsal]"),
        ("# none", "# none\n\noccasions: [get-in]\n"),
    ],
)
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_an_occasion_is_put_last_in_the_order(tmp_path: Path, order: str, expected: str, end: str) -> None:
    """estate.yaml names a new occasion as the weakest; comments, quotes and line ends stay."""
    head = "format: asleft-estate-1\nname: Stages\nprofile: stage-station\n"
    file = tmp_path / "estate.yaml"
    file.write_bytes((head + order).replace("\n", end).encode())
    told = asleft("new", "occasion", "get-in", "--estate", tmp_path)
    assert (told.code, told.err) == (0, "")
    assert file.read_bytes().decode() == (head + expected).replace("\n", end)
    assert (tmp_path / "occasions/get-in.yaml").exists()


@pytest.mark.parametrize("order", ["occasions: [\n  rehearsal\n]", "occasions: rehearsal", "occasions: null"])
def test_an_order_that_is_hard_to_edit_is_left_alone(tmp_path: Path, order: str) -> None:
    """Where adding to the order would be a guess, nothing is written, and it is said where to write what."""
    file = tmp_path / "estate.yaml"
    file.write_text(f"format: asleft-estate-1\nname: Stages\nprofile: stage-station\n{order}\n", "utf-8")
    before = files(tmp_path)
    told = asleft("new", "occasion", "get-in", "--estate", tmp_path)
    assert told.code == 6
    assert "estate.yaml:4" in told.err
    assert files(tmp_path) == before


def test_a_schema_is_printed_or_all_are_written(tmp_path: Path) -> None:
    """`asleft schema KIND` prints one, `--into` writes all, anything else is wrong usage."""
    assert asleft("schema", "station").out == schema_text("station")
    told = asleft("schema", "--into", tmp_path / ".schemas")
    assert told.code == 0
    assert {file.stem for file in (tmp_path / ".schemas").iterdir()} == set(KINDS)
    for words in ((), ("sation",), ("site", "--into", tmp_path)):
        assert asleft("schema", *words).code == 2
