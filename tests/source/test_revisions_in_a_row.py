"""Reading one revision after another gives what reading each of them afresh gives."""

import random
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import pytest

from asleft.domain.estate import Estate, StationId
from asleft.domain.problems import Problem
from asleft.source.baseline import GitBaseline
from asleft.source.checkout import MAX_BLOB, Commits
from asleft.source.door import Unreadable
from asleft.source.estate import EstateReader, read_estate
from asleft.source.profiles import shipped_folder, shipped_profiles
from asleft.source.reading import FileRead, read_file
from estates import commit, git, plant

DRUMS = "sites/quillfen-hall/stations/drums.yaml"


def shipped_files() -> dict[str, bytes]:
    root = shipped_folder("estate")
    return {str(path.relative_to(root)): path.read_bytes() for path in root.rglob("*") if path.is_file()}


def seen(estate: Estate | None) -> object:
    """Give all of an estate that can be compared: layers and calendars hold functions."""
    if estate is None:
        return None
    stations = {
        name: (
            one.serial,
            one.role,
            one.profile.name,
            one.firmware,
            dict(one.values),
            dict(one.origins),
            one.file,
            one.worn,
        )
        for name, one in estate.stations.items()
    }
    sites = {
        name: (one.title, one.port, one.addresses, one.patch, one.network)
        for name, one in estate.sites.items()
    }
    occasions = [(one.name, one.performance, dict(one.layer.settings)) for one in estate.occasions]
    return (
        estate.name,
        list(stations),
        stations,
        list(sites),
        sites,
        estate.routing,
        estate.people,
        occasions,
        estate.concessions,
        estate.weights,
    )


EDITS = [
    (DRUMS, b"serial: QS41-2107", b"serial: QS41-2114"),
    (DRUMS, b"role: drums", b"role: bass"),
    (DRUMS, b"role: drums", b"role: nobody"),
    (DRUMS, b"  label: Drums\n", b"  label: Drums\n  headphones: null\n"),
    (DRUMS, b"127.20.1.11/24", b"127.20.1.12/24"),
    (DRUMS, b"settings:", b"setings:"),
    ("roles/drums.yaml", b"deep", b"warm"),
    ("roles/drums.yaml", b"deep", b"no such tone"),
    ("estate.yaml", b"gain: 0 dB", b"gain: +12 dB"),
    ("estate.yaml", b"name: Quillfen", b"nom: Quillfen"),
    ("estate.yaml", b"limits: {level: 115 dB}", b"limits: {level: 90 dB}"),
    ("people.yaml", b"maud-tarrant", b"wren-tarrant"),
    ("sites/brackle-chapel/site.yaml", b"Europe/Lisbon", b"Europe/Nowhere"),
    ("sites/brackle-chapel/site.yaml", b"127.20.3.10-", b"127.20.3.17-"),
    ("sites/brackle-chapel/calendar.ics", b"CATEGORIES:blackout", b"CATEGORIES:whiteout"),
    ("occasions/recording.yaml", b"local input", b"mix before fader"),
    ("sites/quillfen-hall/site.yaml", b"From bass]", b"From nobody]"),
]


def next_files(files: Mapping[str, bytes], chance: random.Random) -> dict[str, bytes]:
    """Change, remove, bring back or add one file."""
    original, after = shipped_files(), dict(files)
    kind = chance.randrange(4)
    if kind == 0:
        after.pop(chance.choice(sorted(after)))
    elif kind == 1:
        path = chance.choice(sorted(original))
        after[path] = original[path]
    elif kind == 2:
        after[f"sites/tarnwick-yard/stations/extra-{chance.randrange(3)}.yaml"] = (
            b"format: asleft-station-1\nrole: drums\nsettings:\n  label: Extra\n"
            b"  network: {address: 127.20.2.%d/24}\n  mix: {heard: Mix 9}\n" % chance.randrange(10, 62)
        )
    else:
        path, old, new = chance.choice(EDITS)
        if path in after:
            after[path] = (
                after[path].replace(old, new) if old in after[path] else after[path].replace(new, old)
            )
    return after


@pytest.mark.parametrize("seed", range(12))
def test_a_reader_that_goes_on_sees_what_a_fresh_one_sees(seed: int) -> None:
    """Whatever changes from one revision to the next, what was kept never shows through."""
    chance, shipped = random.Random(seed), shipped_profiles()  # noqa: S311 any walk will do
    reader, files = EstateReader(shipped), shipped_files()
    before: dict[str, bytes] = {}
    for step in range(15):
        blobs = {path: str(hash(data)) for path, data in files.items()}

        def fetch(wanted: Mapping[str, str], files: Mapping[str, bytes] = files) -> Iterator[FileRead]:
            return (read_file(path, blob, files[path]) for path, blob in wanted.items())

        changed = {path for path in files.keys() | before.keys() if files.get(path) != before.get(path)}
        estate, problems = reader.read("c" * 40, blobs, fetch, changed if step else None)
        fresh, told = read_estate(files, commit="c" * 40, shipped=shipped)
        assert problems == told
        assert seen(estate) == seen(fresh)
        before, files = files, next_files(files, chance)


BASS = "sites/quillfen-hall/stations/bass.yaml"
GALLERY = "sites/quillfen-hall/stations/gallery.yaml"
CHOIR = "sites/brackle-chapel/stations/choir.yaml"
DRUMMERS = (
    DRUMS,
    "sites/tarnwick-yard/stations/drums.yaml",
    "sites/brackle-chapel/stations/percussion.yaml",
)
SITE = "sites/quillfen-hall/site.yaml"
Edit = tuple[str, bytes, bytes]
"""A file, what stands in it, and what is to stand there; a file that is not there comes with what is to stand in it."""


def edited(files: Mapping[str, bytes], edits: Sequence[Edit]) -> dict[str, bytes]:
    after = dict(files)
    for path, old, new in edits:
        assert (old in after[path]) if path in after else not old
        after[path] = after[path].replace(old, new) if path in after else new
    return after


@pytest.mark.parametrize(
    "edits,rule",
    [
        # A station loses its address, and another one gets that and its label: they are not there twice.
        (
            [
                (DRUMS, b"127.20.1.11/24", b"127.20.1.99/24"),
                (DRUMS, b"network: {address: 127.20.1.99/24}", b"network: {address: null}"),
                (BASS, b"label: Bass", b"label: Drums"),
            ],
            "station.address",
        ),
        ([(DRUMS, b"  network: {address: 127.20.1.11/24}\n", b"")], "station.address"),
        ([(DRUMS, b"  mix: {heard: Mix 1}\n", b"  mix: {heard: Mix 1}\n  label-of: x\n")], "setting.unknown"),
        ([(DRUMS, b"role: drums\n", b"role: drums\nprofile: headphone-distributor\n")], "hearing.unlimited"),
        # The only stations of a model become ones of another, so that a role names what no model in use has.
        (
            [
                (CHOIR, b"  output-8: {mute: on}\n", b""),
                (CHOIR, b"profile: headphone-distributor\n", b""),
                (GALLERY, b"profile: headphone-distributor\n", b""),
            ],
            "setting.unknown",
        ),
        ([(DRUMS, b"role: drums", b"role: nobody")], "station.role"),
        ([("roles/nobody.yaml", b"", b"format: asleft-role-1\nmeaning: None\n")], "whole.orphan-role"),
        # What all stations of a role name alike belongs in it, until it says the same.
        (
            [
                *((path, b"settings:\n", b"settings:\n  tone: {preset: warm}\n") for path in DRUMMERS),
                ("roles/drums.yaml", b"tone: {preset: deep}", b"tone: {preset: warm}"),
            ],
            "whole.lift",
        ),
        ([(DRUMS, b"label: Drums", b"label: bASS")], "label.twice"),
        ([(DRUMS, b"127.20.1.11/24", b"127.20.1.12/24")], "address.twice"),
        ([(DRUMS, b"QS41-2107", b"QS41-2114")], "serial.twice"),
        ([(SITE, b"127.20.1.10-", b"127.20.1.17-")], "address.range"),
    ],
)
def test_what_comes_to_be_wrong_is_told_and_no_longer_when_it_is_mended(
    edits: Sequence[Edit], rule: str
) -> None:
    """After each edit, after a line above it that changes nothing, and after each is taken back, in the same reader."""
    shipped, now = shipped_profiles(), shipped_files()
    rows = [now]
    for at in range(len(edits)):
        rows.append(edited(rows[-1], edits[at : at + 1]))
    first = edits[0][0]
    if rows[-1][first].startswith(b"format"):
        rows.append({**rows[-1], first: b"# looked at\n" + rows[-1][first]})
    rows.extend([*reversed(rows[:-1]), edited(now, edits), now])
    reader, before, told = EstateReader(shipped), dict[str, bytes](), list[set[str]]()
    for files in rows:
        blobs = {path: str(hash(data)) for path, data in files.items()}

        def fetch(wanted: Mapping[str, str], files: Mapping[str, bytes] = files) -> Iterator[FileRead]:
            return (read_file(path, blob, files[path]) for path, blob in wanted.items())

        changed = {path for path in files.keys() | before.keys() if files.get(path) != before.get(path)}
        estate, problems = reader.read("c" * 40, blobs, fetch, changed if before else None)
        fresh, afresh_told = read_estate(files, commit="c" * 40, shipped=shipped)
        assert problems == afresh_told
        assert seen(estate) == seen(fresh)
        told.append({problem.rule for problem in problems})
        before = files
    assert rule in set[str]().union(*told) - told[0]
    assert told[-1] == told[0]


def test_a_site_that_comes_later_stands_in_its_place() -> None:
    """Sites and their stations go by name, whichever came first; what the others share is told of the new one, too."""
    shipped, files = shipped_profiles(), shipped_files()
    alder = {
        "sites/alder-room/site.yaml": files["sites/tarnwick-yard/site.yaml"].replace(
            b"127.20.2.", b"127.20.9."
        ),
        "sites/alder-room/stations/one.yaml": b"format: asleft-station-1\nserial: QS41-9001\nsettings:\n"
        b"  label: One\n  network: {address: 127.20.9.11/24}\n  mix: {heard: Mix 9}\n",
    }
    reader = EstateReader(shipped)
    told: list[list[str]] = []
    for now in (files, {**files, **alder}, files):
        blobs = {path: str(hash(data)) for path, data in now.items()}

        def fetch(wanted: Mapping[str, str], now: Mapping[str, bytes] = now) -> Iterator[FileRead]:
            return (read_file(path, blob, now[path]) for path, blob in wanted.items())

        estate, problems = reader.read("c" * 40, blobs, fetch, alder.keys() if told else None)
        fresh, afresh_told = read_estate(now, commit="c" * 40, shipped=shipped)
        assert (seen(estate), problems) == (seen(fresh), afresh_told)
        assert estate is not None
        assert list(estate.sites) == sorted(estate.sites)
        told.append(list(estate.sites))
    assert told[1] == ["alder-room", *told[0]]
    assert told[2] == told[0]


def afresh(folder: Path, head: str) -> tuple[Estate | None, list[Problem]]:
    baseline = GitBaseline(Commits.open(folder), shipped_profiles(), branch=None, follows_remote=False)
    estate, problems = baseline.load(head)
    baseline.close()
    return estate, list(problems)


@pytest.mark.parametrize("prefix", ["", "stages/trust"])
def test_commits_in_a_row(tmp_path: Path, prefix: str) -> None:
    """Through real git: files changed, added, gone, moved, made too large, and a folder that becomes a file."""
    folder = tmp_path / prefix
    folder.mkdir(parents=True, exist_ok=True)
    if not prefix:
        plant(folder)
    else:
        plant(tmp_path / "other")
        git(tmp_path, "init", "--quiet", "--initial-branch=main")
        (tmp_path / "other" / ".git").rename(tmp_path / "gone")
        (tmp_path / "other").rename(folder / "moved")
        for one in (folder / "moved").iterdir():
            one.rename(folder / one.name)
        (folder / "moved").rmdir()
        commit(tmp_path, "Begin")
    baseline = GitBaseline(Commits.open(folder), shipped_profiles(), branch=None, follows_remote=False)

    def agrees() -> Estate | None:
        head = baseline.newest().commit
        estate, problems = baseline.load(head)
        fresh, told = afresh(folder, head)
        assert list(problems) == told
        assert seen(estate) == seen(fresh)
        return estate

    first = agrees()
    assert first is not None
    drums = folder / DRUMS
    drums.write_text(drums.read_text().replace("label: Drums", "label: Kit"))
    commit(tmp_path, "Rename")
    second = agrees()
    assert second is not None
    keys, kit = StationId("quillfen-hall", "keys-left"), StationId("quillfen-hall", "drums")
    assert second.stations[keys] is first.stations[keys]  # what did not change is not made anew
    assert second.stations[kit].values["label"] == "Kit"
    (folder / "sites/tarnwick-yard").rename(folder / "sites/yard")
    commit(tmp_path, "Move a site")
    agrees()
    drums.write_bytes(b"#" * (MAX_BLOB + 1))
    (folder / "notes.bin").write_bytes(b"\0" * (MAX_BLOB + 1))
    commit(tmp_path, "Too large")
    assert agrees() is None
    drums.unlink()
    drums.mkdir()
    (drums / "inner.yaml").write_text("a: b\n")
    commit(tmp_path, "A folder instead")
    agrees()
    git(tmp_path, "checkout", "--quiet", "HEAD~4", "--", str(folder))
    commit(tmp_path, "Back")
    agrees()
    with pytest.raises(Unreadable):
        baseline.load("f" * 40)
    agrees()
    baseline.close()
