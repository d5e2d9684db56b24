"""What is handed over, checked as a stranger would: by the commands of its own README, with git, OpenSSH and a shell."""

import asyncio
import csv
import hashlib
import io
import json
import os
import re
import subprocess
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from estates import asleft
from proofs import Past, Told, line_of, live_through, new_key, rewrite

STRANGER = {"PATH": os.environ["PATH"], "GIT_CONFIG_NOSYSTEM": "1", "LC_ALL": "C", "TZ": "Asia/Tokyo"}


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> Past:
    """Give a home with a past, which no test changes."""
    return asyncio.run(live_through(tmp_path_factory.mktemp("past")))


def exported(past: Past, out: Path, *options: str, code: int = 0) -> Path:
    """Export, and give where to."""
    told = asleft("export", "--home", past.home, *options, out)
    assert told.code == code, (told.out, told.err)
    return out


def commands(readme: Path) -> str:
    """Give all shell commands of a README, in their order."""
    return "\n".join(re.findall(r"```sh\n(.*?)```", readme.read_text("utf-8"), re.DOTALL))


def check(folder: Path) -> tuple[int, str]:
    """Run the README's commands as somebody who has never heard of this program; give status and what was found."""
    home = folder / "stranger"
    home.mkdir()
    done = subprocess.run(
        ["/bin/sh", "-e", "-c", commands(folder / "README.md")],
        cwd=folder,
        env={**STRANGER, "HOME": str(home)},
        capture_output=True,
        text=True,
        check=False,
    )
    return done.returncode, "\n".join(
        line for line in done.stdout.splitlines() if "NOT" in line
    ) + done.stderr


def test_two_exports_are_the_same_bytes(lived: Past, tmp_path: Path) -> None:
    """Folder and zip, also after git has packed the records anew."""
    one, two = exported(lived, tmp_path / "one"), tmp_path / "two"
    names = sorted(file.name for file in one.iterdir())
    assert names == [
        "README.md",
        "SHA256SUMS",
        "account.csv",
        "account.html",
        "account.txt",
        "agent-signers",
        "baseline.bundle",
        "confirmations.tsv",
        "proof.json",
        "proof.txt",
        "records.bundle",
    ]
    first = exported(lived, tmp_path / "one.zip").read_bytes()
    (tmp_path / "packed").mkdir()
    packed = lived.copy(tmp_path / "packed")
    packed.git("repack", "-adfq", "--depth=5", "--window=3")
    exported(packed, two)
    assert [(two / name).read_bytes() == (one / name).read_bytes() for name in names] == [True] * len(names)
    assert exported(packed, tmp_path / "two.zip").read_bytes() == first
    with zipfile.ZipFile(tmp_path / "two.zip") as archive:
        assert archive.namelist() == names
        assert {hashlib.sha256(archive.read(name)).digest() for name in names} == {
            hashlib.sha256((one / name).read_bytes()).digest() for name in names
        }
    proof = json.loads((one / "proof.json").read_text())
    assert (proof["schema"], proof["holds"], proof["last"]) == ("asleft-proof", True, lived.commits()[-1])


def test_the_commands_of_the_readme_hold_for_what_nobody_touched(lived: Past, tmp_path: Path) -> None:
    """They run to their end, and find nothing."""
    out = exported(lived, tmp_path / "out")
    assert check(out) == (0, "")
    signatures = (out / "signatures.txt").read_text()
    assert signatures.count("Good") == len(lived.commits()) - 1
    clone = subprocess.run(
        ["git", "-C", str(out / "records"), "rev-list", "--reverse", "HEAD"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert clone.stdout.split() == lived.commits()
    assert len((out / "confirmations.tsv").read_text().splitlines()) == 3


async def test_without_a_key_the_readme_says_so_and_holds(tmp_path: Path) -> None:
    """Records that nobody signed."""
    past = await live_through(tmp_path, signed=False)
    out = exported(past, tmp_path / "out")
    assert "The agent had no key" in (out / "README.md").read_text()
    assert not (out / "agent-signers").exists()
    assert check(out) == (0, "")


def test_a_part_ends_where_it_was_asked_to(lived: Past, tmp_path: Path) -> None:
    """The bundle holds the chain from its first commit until there, and checks hold for it."""
    commits = lived.commits()
    out = exported(lived, tmp_path / "out", "--from", commits[4], "--to", commits[-3])
    assert check(out) == (0, "")
    assert json.loads((out / "proof.json").read_text())["commits"] == len(commits) - 7


def test_what_is_there_is_not_written_over(lived: Past, tmp_path: Path) -> None:
    """Nor is anything left behind."""
    (tmp_path / "out").mkdir()
    told = asleft("export", "--home", lived.home, tmp_path / "out")
    assert (told.code, told.err.count("something is there already")) == (2, 1)
    assert [file.name for file in tmp_path.iterdir()] == ["out"]


def other_page(told: Told, _: Path) -> None:
    """Have the orders write something else."""
    told.files = {
        path: data.replace(b'\\"value\\":\\"locked\\"', b'\\"value\\":\\"open\\"')
        for path, data in told.files.items()
    }


def unsigned(told: Told, _: Path) -> None:
    """Leave one signature out."""
    if told.place == 6:
        told.key = None


def other_key(told: Told, key: Path) -> None:
    """Sign one commit with another key."""
    if told.place == 6:
        told.key = key


def early(told: Told, _: Path) -> None:
    """Date one commit before the last."""
    if told.place == 9:
        told.at -= 3600


def other_signature(told: Told, _: Path) -> None:
    """Put the signature of one person in the place of another's."""
    names = sorted(path for path in told.files if re.search(r"/[0-9a-f]+\.[a-z-]+\.sig$", path))
    if len(names) > 1:
        told.files[names[0]] = told.files[names[1]]


@pytest.mark.parametrize(
    "edit, expected",
    [
        (other_page, "NOT what was confirmed"),
        (unsigned, "NOT every commit is signed"),
        (other_key, "NOT every commit is signed"),
        (early, "NOT in order of time"),
        (other_signature, "NOT signed: signed/"),
    ],
)
def test_a_tampered_bundle_is_found_by_the_commands(
    lived: Past, tmp_path: Path, edit: Callable[[Told, Path], None], expected: str
) -> None:
    """By git, ssh-keygen and sha256sum alone."""
    (tmp_path / "copy").mkdir()
    past = lived.copy(tmp_path / "copy")
    other = new_key(tmp_path, "other")
    rewrite(past, lambda told: edit(told, other))
    _, said = check(exported(past, tmp_path / "out", code=6))
    assert expected in said
    assert all(line.startswith((expected, "NOT its name")) for line in said.splitlines()), said


def test_a_bundle_that_was_altered_is_found_by_git(lived: Past, tmp_path: Path) -> None:
    """One bit in its middle."""
    out = exported(lived, tmp_path / "out")
    data = bytearray((out / "records.bundle").read_bytes())
    data[len(data) // 2] ^= 1
    (out / "records.bundle").write_bytes(data)
    status, said = check(out)
    assert status != 0
    assert "fatal" in said


def test_the_account_says_what_git_says(lived: Past, tmp_path: Path) -> None:
    """Orders by the trailers of the commits, with who confirmed them; its three forms tell of the same ones."""
    out = exported(lived, tmp_path / "out")
    rows = list(csv.DictReader(io.StringIO((out / "account.csv").read_text("utf-8"), newline="")))
    orders = [row for row in rows if row["section"] == "order" and row["state"] == "restored"]
    done = lived.git("log", "--reverse", "--format=%H", "--grep=^[^:]*: restored ", "main").split()
    assert [row["commit"] for row in orders] == done
    assert done
    for row in orders:
        trailers = lived.git(
            "show", "--no-patch", "--format=%(trailers:key=Confirmed-By,valueonly)", row["commit"]
        )
        assert row["people"] == "; ".join(trailers.split("\n")).strip("; ")
        assert row["order"] in (out / "account.txt").read_text("utf-8")
        assert row["order"] in (out / "account.html").read_text("utf-8")
    last = lived.commits()[-1]
    assert f"records at {last[:10]}" in (out / "account.html").read_text("utf-8")


def test_a_part_is_accounted_for_alone(lived: Past, tmp_path: Path) -> None:
    """What was recorded before it, or after it, is not in the account; git counts the same."""
    commits = lived.commits()
    (done, *_) = lived.git("log", "--reverse", "--format=%H", "--grep=^[^:]*: restored ", "main").split()
    later = exported(lived, tmp_path / "later", "--from", done)
    assert done not in (later / "account.csv").read_text("utf-8")
    before = exported(lived, tmp_path / "before", "--to", commits[commits.index(done) - 1])
    assert "\norder," not in (before / "account.csv").read_text("utf-8")
    assert (check(later), check(before)) == ((0, ""), (0, ""))


def one_more(out: Path) -> None:
    """Have it count an order that there was not."""
    text = (out / "README.md").read_text("utf-8")
    more, found = re.subn(r"(wc -l \| grep -qx ' \*)\d+", r"\g<1>99", text, count=1)
    assert found == 1
    (out / "README.md").write_text(more, "utf-8")


def no_such_commit(out: Path) -> None:
    """Have the account name a commit that nobody made."""
    text = (out / "account.csv").read_text("utf-8")
    (out / "account.csv").write_text(re.sub(r"[0-9a-f]{40}", "0123456789" * 4, text, count=1), "utf-8")


@pytest.mark.parametrize(
    "falsify, expected",
    [(one_more, "NOT as many orders carried out"), (no_such_commit, "NOT in records or baseline")],
)
def test_a_falsified_account_is_found_by_the_commands(
    lived: Past, tmp_path: Path, falsify: Callable[[Path], None], expected: str
) -> None:
    """By its digest, and by what git counts."""
    out = exported(lived, tmp_path / "out")
    falsify(out)
    _, said = check(out)
    assert "NOT as it was handed over" in said
    assert expected in said


GUIDE = (Path(__file__).resolve().parents[2] / "shared" / "guide" / "auditor.md").read_text("utf-8")
BY_HAND = re.findall(
    r"```sh\n(.*?)```", GUIDE.partition("\n### By hand")[2].partition("\n### ")[0], re.DOTALL
)


def by_hand(past: Past, folder: Path) -> str:
    """Run the commands of the auditor's guide over a home, and give what they found."""
    folder.mkdir()
    listed = past.git("ls-tree", "-r", "--name-only", "main").splitlines()
    path = next(one for one in listed if one.endswith("idris-quill.sig"))
    order = path.rpartition("/")[2].partition(".")[0]
    page = past.git("show", f"main:orders/{path.split('/')[1]}/{order}.yaml")
    revision = re.search(r"by: idris-quill\n(?:    .*\n)*?    baseline: \"?([0-9a-f]{40})", page)
    assert revision
    (folder / "SIGNERS").write_text(line_of("agent", past.keys["agent"], "git"))
    script = "\n".join(BY_HAND)
    for word, meant in {
        "HOME": str(past.home),
        "YEAR": path.split("/")[1],
        "ORDER": order,
        "PERSON": "idris-quill",
        "REVISION": revision[1],
        "PRINCIPAL": "idris",
    }.items():
        script = re.sub(rf"\b{word}\b", meant, script)
    done = subprocess.run(
        ["/bin/sh", "-c", script],
        cwd=folder,
        env={**STRANGER, "HOME": str(folder)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert order in done.stdout
    return done.stderr + "\n".join(line for line in done.stdout.splitlines() if "NOT" in line)


def test_the_guide_says_how_it_is_done_by_hand(lived: Past, tmp_path: Path) -> None:
    """Its commands find nothing in what nobody touched, and an unsigned commit, a late clock and a strange signature."""
    assert len(BY_HAND) == 2
    assert by_hand(lived, tmp_path / "one") == ""
    (tmp_path / "copy").mkdir()
    past = lived.copy(tmp_path / "copy")

    def edit(told: Told) -> None:
        if told.place == 6:
            told.key = None
        if told.place == 12:
            told.at -= 3600
        wren = next((path for path in told.files if re.search(r"/[0-9a-f]+\.wren-halloway\.sig$", path)), "")
        idris = wren.replace("wren-halloway", "idris-quill")
        if wren and idris in told.files:
            told.files[idris] = told.files[wren]

    rewrite(past, edit)
    said = by_hand(past, tmp_path / "two")
    for words in ("NOT every commit is signed", "NOT in order of time", "NOT signed"):
        assert words in said
