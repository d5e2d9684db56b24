"""`asleft addresses` from end to end: the plan as table, CSV and JSON, and addresses given as edits."""

import csv
import io
import json
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner, Result

from asleft.cli.addresses import add_to
from asleft.cli.output import csv_lines
from asleft.daemon.allot import NotAllotted, allot_addresses
from asleft.domain.allotment import TooFewAddresses
from asleft.domain.errors import AsleftError
from asleft.source.edits import NotEdited
from asleft.work.approved import BaselineUnusable
from asleft.work.ordering import NoStation
from estates import commit, git

FILES = {
    "estate.yaml": """\
format: asleft-estate-1
name: Quay Stages
profile: stage-station
settings:
  panel: {menus: locked}
""",
    "people.yaml": """\
format: asleft-people-1
people:
  wren-halloway: {name: Wren Halloway, rights: [look], sites: [quay]}
""",
    "roles/drums.yaml": "format: asleft-role-1\nmeaning: Drummer\nsettings: {tone: {preset: deep}}\n",
    "sites/quay/site.yaml": """\
format: asleft-site-1
name: Quay
time-zone: Europe/Berlin
addresses:
  subnet: 127.20.9.0/24
  gateway: 127.20.9.1
  stations: 127.20.9.10-127.20.9.30
  reserved: {"mixers, all": 127.20.9.2-127.20.9.9}
  live: no
reach: {port: 7310}
settings:
  network: {gateway: 127.20.9.1}
""",
    "sites/quay/stations/drums.yaml": """\
format: asleft-station-1
serial: QS41-2107
role: drums
settings:
  label: "=Drums"
  network: {address: 127.20.9.11/24}
""",
    "sites/quay/stations/keys.yaml": """\
# Keys stand by the door.
format: asleft-station-1
serial: QS41-2108
settings:
  label: 'Say "hi", keys'  # as taped on
  network:
    address: 127.20.9.10/24
""",
}
BASS = """\
# Bass comes in May.
format: asleft-station-1
serial: QS41-2114
settings:
  label: Bass   # not taped yet
  mix: {heard: Mix 2}
  # the address follows
"""
ALTO = "format: asleft-station-1\r\nserial: QS41-2115\r\nsettings:\r\n  label: Alto\r\n  network: {addressing: static}\r\n"
STATIONS = "sites/quay/stations"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Give a committed estate with one site and two stations."""
    put(tmp_path, FILES)
    git(tmp_path, "init", "--quiet", "--initial-branch=main")
    commit(tmp_path, "Approve the quay")
    return tmp_path


def put(folder: Path, files: dict[str, str]) -> None:
    for path, text in files.items():
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        (folder / path).write_bytes(text.encode())


def want(folder: Path) -> None:
    """Add two stations without an address."""
    put(folder, {f"{STATIONS}/bass.yaml": BASS, f"{STATIONS}/alto.yaml": ALTO})


def told(*args: object) -> Result:
    app = typer.Typer()
    add_to(app)
    result = CliRunner().invoke(app, [str(arg) for arg in args])
    if isinstance(result.exception, AsleftError):
        raise result.exception
    return result


def test_the_plan_for_people(folder: Path) -> None:
    """A table says who has which address, what is reserved, and folds what is free."""
    result = told("quay", "--estate", folder)
    assert result.exit_code == 0
    lines = [line.split("  ") for line in result.output.splitlines()]
    assert result.output.startswith(
        "Quay: subnet 127.20.9.0/24, gateway 127.20.9.1, stations 127.20.9.10-127.20.9.30, 19 free.\n"
    )
    cells = [[cell.strip() for cell in line if cell.strip()] for line in lines[2:]]
    assert cells == [
        ["address", "for", "label", "serial", "model"],
        ["127.20.9.1", "gateway"],
        ["127.20.9.2 - 127.20.9.9", "reserved: mixers, all"],
        ["127.20.9.10", "keys", 'Say "hi", keys', "QS41-2108", "stage-station"],
        ["127.20.9.11", "drums", "=Drums", "QS41-2107", "stage-station"],
        ["127.20.9.12 - 127.20.9.30", "free (19)"],
    ]


def test_the_plan_as_rfc_4180(folder: Path) -> None:
    """Records end with CR LF, commas and quotes are quoted and quotes doubled (RFC 4180 section 2, rules 1, 5 to 7)."""
    result = told("quay", "--estate", folder, "--csv")
    assert result.exit_code == 0
    assert result.stdout_bytes == (
        b"first,last,count,use,what,station,label,serial,model\r\n"
        b"127.20.9.1,127.20.9.1,1,gateway,,,,,\r\n"
        b'127.20.9.2,127.20.9.9,8,reserved,"mixers, all",,,,\r\n'
        b'127.20.9.10,127.20.9.10,1,station,,keys,"Say ""hi"", keys",QS41-2108,stage-station\r\n'
        b"127.20.9.11,127.20.9.11,1,station,,drums,'=Drums,QS41-2107,stage-station\r\n"
        b"127.20.9.12,127.20.9.30,19,free,,,,,\r\n"
    )


@pytest.mark.parametrize("cell", ["=1", "+1", "-1", "@x", "x=1", "", 'a"b', "a,b", " a "])
def test_no_cell_is_a_formula(cell: str) -> None:
    """What a spreadsheet would take for a formula begins with an apostrophe; all else is read back as it was."""
    (line,) = csv_lines([[cell, "end"]])
    assert line.endswith("\r")
    ((first, end),) = list(csv.reader(io.StringIO(line + "\n", newline=""), strict=True))
    assert (first, end) == (f"'{cell}" if cell[:1] and cell[0] in "=+-@" else cell, "end")


def test_the_plan_as_json(folder: Path) -> None:
    """One JSON document holds the plan and its rows."""
    value = json.loads(told("quay", "--estate", folder, "--json").output)
    assert (value["schema"], value["version"], value["subnet"]) == ("asleft-addresses", 1, "127.20.9.0/24")
    assert (value["free"], value["live"], value["router"], value["without-address"]) == (19, False, None, [])
    assert [row["use"] for row in value["rows"]] == ["gateway", "reserved", "station", "station", "free"]
    assert value["rows"][3] == {
        "first": "127.20.9.11", "last": "127.20.9.11", "count": 1, "use": "station", "what": None,
        "station": "drums", "label": "=Drums", "serial": "QS41-2107", "model": "stage-station",
    }  # fmt: skip


def test_free_addresses_are_written_into_the_work_tree(folder: Path) -> None:
    """Stations without an address get the lowest free ones by name; each file gains one line or pair, comments stay."""
    want(folder)
    commit(folder, "Plan two more")
    head = git(folder, "rev-parse", "HEAD")
    result = told("quay", "--estate", folder, "--allot")
    assert result.exit_code == 0
    assert result.output.splitlines() == [
        f"{STATIONS}/alto.yaml:5  127.20.9.12/24",
        f"{STATIONS}/bass.yaml:7  127.20.9.13/24",
        "",
        "2 addresses are written into the work tree; nothing is committed.",
        f"Next: git -C {folder} diff, then commit, then asleft check {folder}",
    ]
    assert git(folder, "rev-parse", "HEAD") == head
    assert git(folder, "diff", "--numstat").splitlines() == [
        f"1\t1\t{STATIONS}/alto.yaml",
        f"1\t0\t{STATIONS}/bass.yaml",
    ]
    assert (folder / STATIONS / "bass.yaml").read_text() == BASS.replace(
        "  mix: {heard: Mix 2}\n", "  mix: {heard: Mix 2}\n  network: {address: 127.20.9.13/24}\n"
    )
    assert (folder / STATIONS / "alto.yaml").read_bytes().decode() == ALTO.replace(
        "static}", "static, address: 127.20.9.12/24}"
    )
    commit(folder, "Give them addresses")
    rows = json.loads(told("quay", "--estate", folder, "--json").output)["rows"]
    assert [row["station"] for row in rows if row["station"]] == ["keys", "drums", "alto", "bass"]


def test_giving_again_changes_nothing(folder: Path) -> None:
    """Uncommitted addresses count as taken, and where nobody wants one nothing is written."""
    want(folder)
    first = json.loads(told("quay", "--estate", folder, "--allot", "--json").output)
    assert [(one["station"], one["address"], one["line"]) for one in first["written"]] == [
        ("alto", "127.20.9.12/24", 5),
        ("bass", "127.20.9.13/24", 7),
    ]
    plan = told("quay", "--estate", folder)
    assert f"not in the plan: {STATIONS}/alto.yaml, {STATIONS}/bass.yaml\n" in plan.stderr
    assert "127.20.9.12 - 127.20.9.30" in plan.stdout
    before = git(folder, "status", "--porcelain")
    assert (
        told("quay", "--estate", folder, "--allot").output
        == "Every station of quay has an address; nothing is written.\n"
    )
    assert git(folder, "status", "--porcelain") == before


def test_where_addresses_come_from_a_layer_or_are_taken_away(folder: Path) -> None:
    """An address of a role counts; one that the station's own file takes away with null is wanted."""
    put(folder, {
        "roles/drums.yaml": "format: asleft-role-1\nmeaning: Drummer\nsettings: {network: {address: 127.20.9.12/24}}\n",
        f"{STATIONS}/second.yaml": "format: asleft-station-1\nrole: drums\nsettings: {label: Second}\n",
        f"{STATIONS}/third.yaml": "format: asleft-station-1\nrole: drums\nsettings: {network: {address: null}}\n",
    })  # fmt: skip
    (given,) = allot_addresses(folder, "quay")
    assert (given.station, given.address, given.line) == ("third", "127.20.9.13/24", 3)


def test_a_profile_of_the_estate_says_where_the_address_stands(folder: Path) -> None:
    """The name of the setting is the profile's, and the file keeps its rights."""
    shipped = Path(__file__).parents[2] / "shared/profiles/stage-station.yaml"
    text = shipped.read_text("utf-8").replace("network.address", "control.address")
    own = "format: asleft-station-1\nprofile: own-station\nsettings: {label: Own}\n"
    put(folder, {"profiles/own-station.yaml": text, f"{STATIONS}/own.yaml": own})
    (folder / STATIONS / "own.yaml").chmod(0o640)
    allot_addresses(folder, "quay")
    file = folder / STATIONS / "own.yaml"
    assert "settings: {label: Own, control: {address: 127.20.9.12/24}}\n" in file.read_text()
    assert file.stat().st_mode & 0o777 == 0o640
    assert sorted(one.name for one in file.parent.iterdir()) == ["drums.yaml", "keys.yaml", "own.yaml"]


@pytest.mark.parametrize(
    "path,old,new,error,what",
    [
        ("sites/quay/site.yaml", "10-127.20.9.30", "10-127.20.9.12", TooFewAddresses, "2 stations want an address, 1 of"),
        ("sites/quay/site.yaml", "subnet: 127.20.9.0", "subnet: 127.20.9.4", NotAllotted, "inside a subnet"),
        ("sites/quay/site.yaml", "reach:", "reahc:", NotAllotted, "reach"),
        (f"{STATIONS}/drums.yaml", "11/24", "011/24", NotAllotted, "leading zero"),
        (f"{STATIONS}/drums.yaml", "role: drums", "role: [", NotAllotted, "YAML cannot be read"),
        (f"{STATIONS}/drums.yaml", "role: drums", "role: drum", NotAllotted, "no such file"),
        (f"{STATIONS}/drums.yaml", "role: drums", "profile: drums", NotAllotted, "no profile 'drums'"),
        (f"{STATIONS}/bass.yaml", "settings:", "settings: &x", NotAllotted, "anchor"),
        (f"{STATIONS}/bass.yaml", "  mix: {heard: Mix 2}", "  network: 5", NotEdited, "'settings.network' is a text"),
    ],
)  # fmt: skip
def test_all_or_nothing(
    folder: Path, path: str, old: str, new: str, error: type[AsleftError], what: str
) -> None:
    """Where one file is in the way, which one is told, and none is written."""
    want(folder)
    text = (folder / path).read_text()
    assert old in text
    put(folder, {path: text.replace(old, new)})
    before = {file: file.read_bytes() for file in folder.rglob("*.yaml")}
    with pytest.raises(error, match=what) as caught:
        allot_addresses(folder, "quay")
    assert caught.value.where.startswith(path) or error is not NotEdited
    assert caught.value.where
    assert {file: file.read_bytes() for file in folder.rglob("*.yaml")} == before


def test_a_link_out_of_the_estate_is_not_followed(
    folder: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """A station file that is a symbolic link is neither read nor written."""
    elsewhere = tmp_path_factory.mktemp("elsewhere") / "bass.yaml"
    elsewhere.write_text(BASS)
    (folder / STATIONS / "bass.yaml").symlink_to(elsewhere)
    with pytest.raises(NotAllotted, match="no such file"):
        allot_addresses(folder, "quay")
    assert elsewhere.read_text() == BASS


@pytest.mark.parametrize("options", [(), ("--allot",)])
def test_sites_that_there_are_not(folder: Path, options: tuple[str, ...]) -> None:
    """A mistyped site is answered with the nearest one; a path is no site."""
    for name in ("quai", "../quay", "quay/../quay"):
        with pytest.raises(NoStation, match="there is no site") as caught:
            told(name, "--estate", folder, *options)
        assert "quay" in caught.value.todo


def test_an_estate_with_errors_has_no_plan(folder: Path) -> None:
    """The plan is of an estate that can be used; the first error is told."""
    put(folder, {f"{STATIONS}/keys.yaml": FILES[f"{STATIONS}/keys.yaml"].replace("9.10/", "9.11/")})
    commit(folder, "Take the drummer's address")
    with pytest.raises(BaselineUnusable, match=r"127\.20\.9\.11 is the address of quay/drums too"):
        told("quay", "--estate", folder)


@pytest.mark.parametrize("options", [("--csv", "--json"), ("--csv", "--allot")])
def test_options_that_exclude_one_another(folder: Path, options: tuple[str, str]) -> None:
    """CSV is of the plan alone."""
    assert told("quay", "--estate", folder, *options).exit_code == 2
