"""The records repository, with real git: what is written reads back by git alone, and no failure moves the head."""

import os
import random
import subprocess
import sys
import threading
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from asleft.domain.errors import AsleftError
from asleft.ports.records import Entry
from asleft.records.repository import (
    CannotSign,
    PathRefused,
    Records,
    RecordsBroken,
    RecordsFull,
    RecordsMissing,
    RecordsMoved,
)

WHEN = datetime(2026, 3, 1, 21, 30, tzinfo=timezone(timedelta(hours=1)))
STATION = "as-found/quay/drums.yaml"
NOBODY = "0" * 40

# What a person's own configuration might say, chosen so that each line would change or stop a writing.
HOSTILE = """
[user]
    name = Somebody Else
    email = else@trust.example
    signingKey = nothing
[commit]
    gpgSign = true
    template = {home}/none
[gpg]
    format = x509
    program = false
[gpg "ssh"]
    program = false
[core]
    hooksPath = {home}/hooks
    quotePath = true
    pager = false
    commentChar = S
[init]
    defaultBranch = elsewhere
    templateDir = {home}/template
    defaultObjectFormat = sha256
[log]
    showSignature = true
    mailmap = true
[diff]
    external = false
    noprefix = true
[color]
    ui = always
[trailer]
    separators = "="
[i18n]
    commitEncoding = latin1
    logOutputEncoding = latin1
"""


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Give each test a home whose git configuration is hostile, and nothing of the developer's own."""
    for name in [name for name in os.environ if name.startswith(("GIT_", "SSH_"))]:
        monkeypatch.delenv(name)
    folder = tmp_path / "home"
    (folder / "hooks").mkdir(parents=True)
    (folder / "template" / "hooks").mkdir(parents=True)
    for hook in ("hooks/reference-transaction", "template/hooks/reference-transaction"):
        (folder / hook).write_text("#!/bin/sh\nexit 1\n")
        (folder / hook).chmod(0o755)
    (folder / ".gitconfig").write_text(HOSTILE.format(home=folder))
    monkeypatch.setenv("HOME", str(folder))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(folder / "xdg"))
    return folder


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Give the folder of fresh records."""
    place = tmp_path / "records"
    Records.create(place, agent_name="asleft at Quay", agent_email="asleft@trust.example", when=WHEN)
    return place


@pytest.fixture
def records(folder: Path) -> Records:
    """Give fresh records."""
    return Records.open(folder)


def run(folder: Path, *command: str, stdin: str | None = None, rc: int = 0) -> str:
    """Ask git itself, with an empty configuration; give its output, and what it complained of where it should fail."""
    plain = {"GIT_CONFIG_GLOBAL": "/dev/null", "GIT_CONFIG_NOSYSTEM": "1", "PATH": os.environ["PATH"]}
    done = subprocess.run(
        ["git", *command],
        cwd=folder,
        env=plain,
        check=False,
        capture_output=True,
        encoding="utf-8",
        input=stdin,
    )
    assert done.returncode == rc, done.stderr
    return done.stderr if rc else done.stdout.rstrip("\n")


def sound(folder: Path) -> bool:
    """Tell whether git finds nothing wrong, and nothing staged or left lying about."""
    run(folder, "fsck", "--strict", "--full")
    left = [path.name for path in [*folder.iterdir(), *folder.glob("objects/pack/*")]]
    refs = run(folder, "for-each-ref", "--format=%(refname)")
    return refs == "refs/heads/main" and not [
        name for name in left if "crash" in name or name.startswith("tmp")
    ]


def commit(
    records: Records,
    content: str = "menus: open\n",
    *,
    subject: str = "quay/drums: menus",
    body: str = "",
    trailers: Sequence[tuple[str, str]] = (),
) -> str:
    """Record one station as it was found."""
    files = {STATION: content.encode()}
    done = records.commit(files, subject=subject, body=body, trailers=trailers, when=WHEN)
    assert done is not None
    return done


def test_new_records_say_what_they_are(folder: Path, records: Records) -> None:
    """The first commit, on main and by the agent, holds a README in plain words."""
    assert run(folder, "symbolic-ref", "HEAD") == "refs/heads/main"
    who = run(folder, "log", "--format=%an <%ae> %cn <%ce> %ai %s")
    person = "asleft at Quay <asleft@trust.example>"
    assert who == f"{person} {person} 2026-03-01 21:30:00 +0100 records: made"
    readme = records.read("README.md")
    assert readme is not None
    assert b"Nothing in it is ever rewritten" in readme
    assert records.paths() == ["README.md"]
    assert sound(folder)


def test_records_are_made_in_an_empty_folder_only(tmp_path: Path) -> None:
    """What stands somewhere already is never built upon."""
    (tmp_path / "there").mkdir()
    (tmp_path / "there" / "x").write_text("mine")
    with pytest.raises(RecordsBroken):
        Records.create(tmp_path / "there", agent_name="a", agent_email="a@trust.example", when=WHEN)
    assert [path.name for path in (tmp_path / "there").iterdir()] == ["x"]


def test_a_name_that_git_could_not_take_is_made_fit(tmp_path: Path) -> None:
    """Brackets and line breaks in the agent's name and mail address do not break the commit."""
    place = tmp_path / "records"
    Records.create(place, agent_name="a\ncommitter <x>", agent_email="<a@b.example>\n", when=WHEN)
    assert run(place, "log", "--format=%an|%ae") == "a\\ncommitter x|a@b.example\\n"
    assert sound(place)


def test_a_folder_without_records_is_said_so(tmp_path: Path) -> None:
    """No folder, a plain folder and a repository with a work tree each have their error."""
    with pytest.raises(RecordsMissing):
        Records.open(tmp_path / "none")
    (tmp_path / "plain").mkdir()
    with pytest.raises(RecordsMissing):
        Records.open(tmp_path / "plain")
    run(tmp_path, "init", "--quiet", "tree")
    with pytest.raises(RecordsBroken):
        Records.open(tmp_path / "tree")
    run(tmp_path, "init", "--quiet", "--bare", "bare")
    with pytest.raises(RecordsBroken):
        Records.open(tmp_path / "bare")


def test_records_whose_head_is_damaged_are_broken(folder: Path, records: Records) -> None:
    """A head whose commit cannot be read is told at the door, with a remedy."""
    head = records.head()
    damaged = folder / "objects" / head[:2] / head[2:]
    damaged.chmod(0o644)
    damaged.write_bytes(b"")
    with pytest.raises(RecordsBroken) as caught:
        Records.open(folder)
    assert (caught.value.where, bool(caught.value.todo)) == (str(folder), True)


def damage(folder: Path, name: str) -> None:
    """Take one loose object away."""
    one = run(folder, "rev-parse", name)
    (folder / "objects" / one[:2] / one[2:]).unlink()


def test_a_lost_file_is_not_taken_for_one_that_never_was(folder: Path, records: Records) -> None:
    """A file that the tree names and git cannot read is damage, said so; other files are still read."""
    commit(records)
    damage(folder, f"main:{STATION}")
    with pytest.raises(RecordsBroken, match="drums"):
        records.read(STATION)
    assert records.read("README.md") is not None


def test_a_history_that_breaks_off_does_not_pass_for_one_that_ends(folder: Path, records: Records) -> None:
    """Where an older commit is gone, the entries before it are given, and then an error."""
    done = [commit(records, f"n: {n}\n") for n in range(3)]
    damage(folder, done[0])
    history = records.history(limit=1)
    assert [entry.commit for entry in history] == [done[2]]
    with pytest.raises(RecordsBroken):
        list(records.history())


def test_a_commit_is_told_by_git_alone(folder: Path, records: Records) -> None:
    """Files, subject, body and trailers read back by git's own commands, the commit being the new head."""
    before = records.head()
    done = records.commit(
        {STATION: b"menus: open\n", "orders/2026/ab12.yaml": b"by: rio\n"},
        subject="quay/drums: access.menus locked → open",
        body="first line\n\nsecond: line",
        trailers=[("Site", "quay"), ("Station", "drums"), ("Reason", "Übung: 18:00")],
        when=WHEN,
    )
    assert done == records.head() == run(folder, "rev-parse", "main")
    assert run(folder, "rev-parse", "main^") == before
    assert run(folder, "show", f"main:{STATION}") == "menus: open"
    message = run(folder, "log", "-1", "--format=%B")
    assert message == (
        "quay/drums: access.menus locked → open\n\n  first line\n\n  second: line\n\n"
        "Site: quay\nStation: drums\nReason: Übung: 18:00"
    )
    trailers = "Site: quay\nStation: drums\nReason: Übung: 18:00"
    assert run(folder, "interpret-trailers", "--parse", stdin=message) == trailers
    assert run(folder, "log", "-1", "--format=%(trailers:only,unfold)").rstrip("\n") == trailers
    assert run(folder, "log", "-1", "--format=%(trailers:key=Station,valueonly)").rstrip("\n") == "drums"
    assert run(folder, "log", "-1", "--format=%an %ai %ci").endswith(
        "2026-03-01 21:30:00 +0100 2026-03-01 21:30:00 +0100"
    )
    assert sound(folder)


def test_the_life_of_a_station_is_one_log(folder: Path, records: Records) -> None:
    """`git log -p` over a station's file shows what changed at each commit and nothing else."""
    commit(records, "a: 1\nmenus: locked\n", subject="quay/drums: first seen")
    done = commit(records, "a: 1\nmenus: open\n", subject="quay/drums: menus locked → open")
    patch = run(folder, "log", "-1", "-p", "--format=%s", "--", STATION)
    assert "-menus: locked\n+menus: open" in patch
    assert records.difference(done, STATION).endswith(
        "@@ -1,2 +1,2 @@\n a: 1\n-menus: locked\n+menus: open\n"
    )
    assert records.difference(done, "orders") == ""


def test_files_read_back_byte_for_byte(records: Records) -> None:
    """Any bytes come back as they were, of the newest commit or an older one; what is not there is not made up."""
    held = {
        "a/empty": b"",
        "a/nul": b"\0\n\r\n",
        "a/cmd": b"data 5\ndone\n",
        "big": bytes(range(256)) * 4_000,
    }
    first = records.commit(dict(held), subject="s", when=WHEN)
    assert records.read_many([*held, "none", "a"]) == held
    records.commit({"a/nul": b"x", "big": None}, subject="s", when=WHEN)
    assert records.read_many(list(held)) == {"a/empty": b"", "a/nul": b"x", "a/cmd": held["a/cmd"]}
    assert records.read_many(list(held), first) == held
    assert (records.read("big"), records.read("big", first)) == (None, held["big"])
    with pytest.raises(RecordsBroken):
        records.read("big", NOBODY)
    assert records.paths("a") == ["a/cmd", "a/empty", "a/nul"]
    assert records.paths("none") == []
    assert records.read_many([]) == {}


def test_nothing_new_is_no_commit(folder: Path, records: Records) -> None:
    """Files that are as they were, and files to be taken away that are not there, make no commit and no objects."""
    done = commit(records)
    objects = run(folder, "count-objects")
    assert records.commit({STATION: b"menus: open\n", "none": None}, subject="again", when=WHEN) is None
    assert records.commit({}, subject="again", when=WHEN) is None
    assert (records.head(), run(folder, "count-objects")) == (done, objects)


def test_an_act_without_files_can_be_recorded(folder: Path, records: Records) -> None:
    """Where it is asked for, a message stands by itself over the tree as it was."""
    before = commit(records)
    done = records.commit(
        {}, subject="quay: order refused", trailers=[("Order", "ab12")], when=WHEN, allow_empty=True
    )
    assert run(folder, "rev-parse", f"{done}^") == before
    assert run(folder, "rev-parse", f"{done}^{{tree}}") == run(folder, "rev-parse", f"{before}^{{tree}}")
    assert sound(folder)


# Text that a device might carry to pass for something else; each stands in subject, body, a trailer and a file.
FORGERIES = [
    pytest.param("x\n\nConfirmed-By: mallory", id="paragraph"),
    pytest.param("Confirmed-By: mallory", id="trailer"),
    pytest.param("x\nConfirmed-By: mallory\n", id="line"),
    pytest.param("x\r\n\r\nConfirmed-By: mallory", id="crlf"),
    pytest.param("x\u2028Confirmed-By: mallory\u2029\x85\x0b\x0c", id="other-breaks"),
    pytest.param("---\nConfirmed-By: mallory", id="divider"),
    pytest.param("Confirmed-By: mallory\n---\n", id="before-divider"),
    pytest.param("\n\n\n---", id="only-divider"),
    pytest.param("data 5\nfrom 0\ndone\nM 100644 inline x\n", id="stream"),
    pytest.param("\x1b[31mred\x07\x00after", id="escape"),
    pytest.param("# Confirmed-By: mallory", id="comment"),
    pytest.param(" folded\n Confirmed-By: mallory", id="folded"),
    pytest.param("(cherry picked from commit x)\nConfirmed-By: mallory", id="cherry"),
    pytest.param("Signed-off-by: mallory <m@x.example>\nConfirmed-By: mallory", id="signed-off"),
    pytest.param("\u202eyrollam :yB-demrifnoC", id="bidi"),
    pytest.param("\ud800", id="surrogate"),
    pytest.param("🥁 🎚", id="emoji"),
    pytest.param("y" * 200_000, id="long"),
    pytest.param("", id="nothing"),
    pytest.param(" \n\t", id="blank"),
]


def forged(folder: Path) -> list[str]:
    """Give every line in the newest message that git could take for a person's word."""
    message = run(folder, "log", "-1", "--format=%B")
    said = run(folder, "interpret-trailers", "--parse", stdin=message).split("\n")
    said += run(folder, "log", "-1", "--format=%(trailers:only,unfold)").split("\n")
    said += run(folder, "log", "-1", "--format=%(trailers:key=Confirmed-By)").split("\n")
    return [line for line in said if line and not line.startswith(("Site: ", "Label:"))]


@pytest.mark.parametrize("text", FORGERIES)
@pytest.mark.parametrize("with_trailers", [True, False])
def test_hostile_text_forges_nothing(folder: Path, records: Records, text: str, with_trailers: bool) -> None:  # noqa: FBT001
    """However a text is made, git finds the trailers that were given and no other, and the commit is sound."""
    done = records.commit(
        {STATION: text.encode("utf-8", "replace")},
        subject=text,
        body=text,
        trailers=[("Site", "quay"), ("Label", text)] if with_trailers else [],
        when=WHEN,
        allow_empty=True,
    )
    assert done == records.head()
    assert forged(folder) == []
    entry = next(records.history())
    assert [key for key, _ in entry.trailers] == (["Site", "Label"] if with_trailers else [])
    shown = [entry.subject, *entry.body.split("\n"), *(value for _, value in entry.trailers)]
    assert all(line.isprintable() and len(line) < 5_000 for line in shown)
    message = run(folder, "log", "-1", "--format=%B")
    given = "\n".join(f"{key}: {value}".rstrip() for key, value in entry.trailers)
    assert run(folder, "interpret-trailers", "--parse", stdin=message).replace(" \n", "\n").rstrip() == given
    assert sound(folder)


@given(subject=st.text(), body=st.text(), value=st.text(), data=st.binary())
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_text_at_all_reads_back_as_one_commit(
    folder: Path, subject: str, body: str, value: str, data: bytes
) -> None:
    """Whatever is written, history gives one more entry, with the one trailer and the file as it was."""
    records = Records.open(folder)
    before = records.head()
    records.commit(
        {"x": data}, subject=subject, body=body, trailers=[("Label", value)], when=WHEN, allow_empty=True
    )
    (entry,) = records.history(since_commit=before)
    assert [key for key, _ in entry.trailers] == ["Label"]
    assert entry.subject
    assert records.read("x") == data


@pytest.mark.parametrize("key", ["", "A B", "A:", "A\n", "-a", "Ä"])
def test_a_key_is_never_foreign(records: Records, key: str) -> None:
    """A trailer's key is the program's own word; anything else is a mistake in the program."""
    with pytest.raises(ValueError, match="key"):
        records.commit({}, subject="s", trailers=[(key, "x")], when=WHEN, allow_empty=True)


@pytest.mark.parametrize(
    "path",
    [
        "",
        "/a",
        "a/",
        "a//b",
        "../a",
        "a/../b",
        "a/./b",
        ".git/config",
        "a/.GIT/x",
        ".gitmodules",
        "a b",
        "a\nD b",
        "ä",
        '"a"',
        "a" * 2_000,
        "a\0b",
        ":/a",
        "-a/../b",
    ],
)
def test_a_path_that_could_lead_astray_is_refused(folder: Path, records: Records, path: str) -> None:
    """Nothing is recorded under such a path, read from it or asked about it."""
    head = records.head()
    with pytest.raises(PathRefused):
        records.commit({path: b"x"}, subject="s", when=WHEN)
    with pytest.raises(PathRefused):
        records.read(path)
    with pytest.raises(PathRefused):
        list(records.history(path))
    assert records.head() == head
    assert sound(folder)


def test_a_file_never_takes_the_place_of_a_folder(records: Records) -> None:
    """By itself git would drop a whole folder for a file of its name; here that is refused, both ways and within one commit."""
    records.commit({"a/b/c": b"1"}, subject="s", when=WHEN)
    head = records.head()
    for files in ({"a/b": b"2"}, {"a/b/c/d": b"2"}, {"x": b"1", "x/y": b"2"}):
        with pytest.raises(PathRefused):
            records.commit(dict(files), subject="s", when=WHEN)
    assert records.head() == head
    assert records.commit({"a/b/c": None, "a/b": b"2"}, subject="s", when=WHEN) is not None
    assert records.paths() == ["README.md", "a/b"]


def test_history_tells_each_act_newest_first(records: Records) -> None:
    """Entries hold all that was said, and can be bounded by path, number and commit."""
    first = commit(records, subject="quay/drums: one")
    second = records.commit(
        {"as-found/quay/bass.yaml": b"x", "orders/2026/o.yaml": b"y"},
        subject="quay/bass: two",
        body="a line\n\n  an indented one",
        trailers=[("Site", "quay"), ("Order", "o")],
        when=WHEN + timedelta(hours=1),
    )
    third = records.commit({}, subject="three", when=WHEN, allow_empty=True)
    entries = list(records.history())
    assert [entry.commit for entry in entries[:3]] == [third, second, first]
    assert [entry.files for entry in entries] == [
        (),
        ("as-found/quay/bass.yaml", "orders/2026/o.yaml"),
        (STATION,),
        ("README.md",),
    ]
    assert entries[1] == Entry(
        commit=str(second),
        at=WHEN + timedelta(hours=1),
        subject="quay/bass: two",
        body="a line\n\n  an indented one",
        trailers=(("Site", "quay"), ("Order", "o")),
        files=("as-found/quay/bass.yaml", "orders/2026/o.yaml"),
    )
    assert [entry.commit for entry in records.history(STATION)] == [first]
    assert [(entry.commit, entry.files) for entry in records.history("as-found/quay", limit=1)] == [
        (second, ("as-found/quay/bass.yaml",))
    ]
    assert [entry.commit for entry in records.history(since_commit=first)] == [third, second]
    assert [entry.commit for entry in records.history(limit=1)] == [third]
    assert list(records.history("none")) == []


def test_history_can_be_left_early(records: Records) -> None:
    """A reader that stops after one entry leaves no process behind."""
    for n in range(3):
        commit(records, f"n: {n}\n")
    history = records.history()
    next(history)
    history.close()  # type: ignore[attr-defined]  # what the port calls an iterator is a generator here
    assert len(list(records.history())) == 4


def test_the_graph_changes_no_answer(folder: Path, records: Records) -> None:
    """After upkeep, once and once more, history reads the same and git finds nothing wrong."""
    commit(records)
    before = list(records.history(STATION))
    records.maintain()
    commit(records, "menus: locked\n")
    records.maintain()
    assert list(records.history(STATION))[1:] == before
    run(folder, "commit-graph", "verify")
    assert sound(folder)


def test_descent_is_told(folder: Path, records: Records) -> None:
    """The head descends from itself and from what came before it, and from nothing else."""
    first = records.head()
    second = commit(records)
    assert [records.is_descendant(one) for one in (first, second, NOBODY)] == [True, True, False]
    run(folder, "update-ref", "refs/heads/main", first)
    assert not records.is_descendant(second)


def test_a_head_that_is_not_the_expected_one_is_not_written_over(folder: Path, records: Records) -> None:
    """A commit meant for another head is refused before anything is written."""
    stale = records.head()
    head = commit(records)
    with pytest.raises(RecordsMoved):
        records.commit({STATION: b"x"}, subject="s", when=WHEN, expected_head=stale)
    assert records.head() == head
    assert records.commit({STATION: b"x"}, subject="s", when=WHEN, expected_head=head) == records.head()
    assert sound(folder)


def git_that(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: str, script: str) -> None:
    """Put a git first on the path that runs a script before it does one command, and is git itself for any other."""
    real = subprocess.run(
        ["sh", "-c", "command -v git"], check=True, capture_output=True, text=True
    ).stdout.strip()
    wrapper = tmp_path / "bin" / "git"
    wrapper.parent.mkdir(exist_ok=True)
    wrapper.write_text(f'#!/bin/sh\nif [ "$1" = {command} ]; then\n{script}\nfi\nexec {real} "$@"\n')
    wrapper.chmod(0o755)
    monkeypatch.setenv("PATH", f"{wrapper.parent}{os.pathsep}{os.environ['PATH']}")


@pytest.mark.parametrize("command", ["fast-import", "update-ref"])
def test_a_writer_that_comes_between_wins_and_the_other_loses_cleanly(
    folder: Path, records: Records, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: str
) -> None:
    """A head that moves after it was read, at whichever step, is never written over."""
    theirs = run(
        folder,
        "-c",
        "user.name=x",
        "-c",
        "user.email=x@x.example",
        "commit-tree",
        "-p",
        "main",
        "-m",
        "x",
        "main^{tree}",
    )
    (folder / "theirs").write_text(f"{theirs}\n")
    git_that(tmp_path, monkeypatch, command, f"cp {folder}/theirs {folder}/refs/heads/main")
    with pytest.raises(RecordsMoved) as caught:
        records.commit({STATION: b"ours"}, subject="s", when=WHEN)
    assert "nothing was recorded" in caught.value.what
    assert records.head() == theirs
    assert records.paths() == ["README.md"]
    assert sound(folder)


def test_two_writers_at_once_lose_nothing_that_was_promised(folder: Path) -> None:
    """Of many commits made at the same time, each either stands in one unbroken line or was refused in words."""
    promised: list[str] = []
    refused: list[AsleftError] = []
    start = threading.Barrier(2)

    def write(name: str) -> None:
        records = Records.open(folder)
        start.wait()
        for n in range(12):
            try:
                done = records.commit({f"{name}/{n}": b"x"}, subject=f"{name} {n}", when=WHEN)
            except (RecordsMoved, RecordsFull) as wrong:
                refused.append(wrong)
            else:
                promised.append(str(done))

    writers = [threading.Thread(target=write, args=(name,)) for name in ("one", "two")]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    line = [entry.commit for entry in Records.open(folder).history()]
    assert sorted(promised) == sorted(line[:-1])
    assert len(promised) + len(refused) == 24
    assert promised
    assert sound(folder)


# A limit on the size of a file (RLIMIT_FSIZE, setrlimit(2): EFBIG, or SIGXFSZ where that is not ignored) stands in for
# a full disk: git meets it in the middle of writing, as it would meet ENOSPC.
FULL = [
    pytest.param("trap '' XFSZ; ulimit -f 8", id="refused"),
    pytest.param("ulimit -f 8", id="killed"),
    pytest.param("echo 'fatal: write error: No space left on device' >&2; exit 128", id="said"),
    pytest.param("kill -KILL $$", id="struck-down"),
    pytest.param("head -c 20000 >/dev/null", id="cut-off"),
]
NOISE = random.Random(7).randbytes(300_000)  # noqa: S311 - bytes that do not pack small, the same each time


@pytest.mark.parametrize("script", FULL)
@pytest.mark.parametrize("signed", [False, True])
def test_a_full_disk_at_git_leaves_all_as_it_was(
    folder: Path,
    tmp_path: Path,
    key: Path,
    monkeypatch: pytest.MonkeyPatch,
    script: str,
    signed: bool,  # noqa: FBT001
) -> None:
    """Where fast-import cannot write, nothing is recorded, the head stays, and the next record goes through."""
    records = Records.open(folder, signing_key=key if signed else None)
    head = commit(records)
    with monkeypatch.context() as patched:
        git_that(tmp_path, patched, "fast-import", script)
        with pytest.raises(RecordsFull) as caught:
            records.commit({STATION: NOISE}, subject="s", when=WHEN)
    assert "nothing was recorded" in caught.value.what
    assert caught.value.where == str(folder)
    assert str(caught.value).isprintable()
    assert records.head() == head
    assert sound(folder)
    assert records.commit({STATION: NOISE}, subject="s", when=WHEN) == records.head()
    assert records.read(STATION) == NOISE


@pytest.mark.parametrize("command", ["update-ref", "commit-tree"])
def test_a_full_disk_at_the_last_step_leaves_all_as_it_was(
    folder: Path, tmp_path: Path, key: Path, monkeypatch: pytest.MonkeyPatch, command: str
) -> None:
    """A disk that fills up between the objects and the head is a full disk too."""
    records = Records.open(folder, signing_key=key)
    head = records.head()
    git_that(tmp_path, monkeypatch, command, "echo 'fatal: No space left on device' >&2; exit 128")
    with pytest.raises(RecordsFull, match="disk is full"):
        commit(records)
    assert records.head() == head
    assert sound(folder)


def test_a_full_disk_at_our_own_hand_leaves_all_as_it_was(folder: Path) -> None:
    """Where already the stream for git finds no room, the writer says the same and goes on living."""
    script = f"""
import resource
from asleft.records.repository import Records, RecordsFull
from pathlib import Path
from datetime import UTC, datetime
records = Records.open(Path({str(folder)!r}))
resource.setrlimit(resource.RLIMIT_FSIZE, (65536, 65536))
try:
    records.commit({{"a": bytes(range(256)) * 4000}}, subject="s", when=datetime.now(UTC))
except RecordsFull as wrong:
    print(wrong.what)
print(records.head())
"""
    head = Records.open(folder).head()
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", script], check=True, capture_output=True, text=True
    )
    what = "the disk is full; nothing was recorded and the records stand where they stood"
    assert (done.stdout.split("\n"), done.stderr) == ([what, head, ""], "")
    assert sound(folder)


@pytest.fixture
def key(tmp_path: Path) -> Path:
    """Give a throwaway signing key."""
    place = tmp_path / "key"
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", "agent", "-f", place], check=True)
    return place


@pytest.fixture
def signers(tmp_path: Path, key: Path) -> Path:
    """Give the file of those who may sign, in the form of ssh-keygen(1), ALLOWED SIGNERS."""
    place = tmp_path / "signers"
    place.write_text(f'agent@trust.example namespaces="git" {key.with_suffix(".pub").read_text()}')
    return place


def test_a_signed_record_verifies(folder: Path, key: Path, signers: Path) -> None:
    """A commit by the agent's key is good, by the name its line gives (standards.md E8: G, fully, rc 0)."""
    records = Records.open(folder, signing_key=key)
    parent = records.head()
    done = commit(records, trailers=[("Site", "quay")], body="a\nb")
    trust = ("-c", f"gpg.ssh.allowedSignersFile={signers}")
    run(folder, *trust, "verify-commit", done)
    assert run(folder, *trust, "log", "-1", "--format=%G? %GT %GS", done) == "G fully agent@trust.example"
    assert run(folder, "log", "-1", "--format=%P %T", done).split()[0] == parent
    assert run(folder, "log", "-1", "--format=%(trailers:only)").strip() == "Site: quay"
    assert run(folder, "log", "-1", "--format=%an %ai|%cn %ci") == (
        "asleft at Quay 2026-03-01 21:30:00 +0100|asleft at Quay 2026-03-01 21:30:00 +0100"
    )
    assert next(records.history()).body == "a\nb"
    assert sound(folder)


def test_an_unsigned_record_does_not_verify(folder: Path, records: Records, signers: Path) -> None:
    """Without a key a commit has no signature (standards.md E8: N, undefined, rc 1)."""
    done = commit(records)
    trust = ("-c", f"gpg.ssh.allowedSignersFile={signers}")
    run(folder, *trust, "verify-commit", done, rc=1)
    assert run(folder, *trust, "log", "-1", "--format=%G? %GT", done) == "N undefined"


def test_a_signed_and_an_unsigned_record_say_the_same(folder: Path, key: Path) -> None:
    """The signature is all that differs between the two ways of writing."""
    records = Records.open(folder)
    plain = records.commit({"a": b"1"}, subject="s\n", body="b: é\n", trailers=[("K", "v")], when=WHEN)
    again = Records.open(folder, signing_key=key)
    run(folder, "update-ref", "refs/heads/main", f"{plain}^")
    signed = again.commit({"a": b"1"}, subject="s\n", body="b: é\n", trailers=[("K", "v")], when=WHEN)
    assert signed != plain
    raw = run(folder, "cat-file", "commit", str(signed))
    head, _, rest = raw.partition("gpgsig ")
    assert head + rest.partition("-----END SSH SIGNATURE-----\n")[2] == run(
        folder, "cat-file", "commit", str(plain)
    )


@pytest.mark.parametrize("fault", ["missing", "locked", "rubbish"])
def test_a_key_that_does_not_sign_records_nothing(
    folder: Path, key: Path, tmp_path: Path, fault: str
) -> None:
    """A key that is gone, asks for a passphrase or is no key ends in words; nobody is asked and the head stays."""
    if fault == "missing":
        key = tmp_path / "none"
    elif fault == "locked":
        subprocess.run(
            ["ssh-keygen", "-q", "-p", "-P", "", "-N", "five words", "-f", key],
            check=True,
            stdout=subprocess.DEVNULL,
        )
    else:
        key.write_text("rubbish\n")
        key.with_suffix(".pub").unlink()
    records = Records.open(folder, signing_key=key)
    head = records.head()
    with pytest.raises(CannotSign) as caught:
        commit(records)
    assert (records.head(), bool(caught.value.todo)) == (head, True)
    assert sound(folder)
    assert commit(Records.open(folder)) != head


def test_what_surrounds_a_hook_does_not_lead_astray(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Variables that git sets for a hook of another repository turn no record there."""
    other = tmp_path / "other"
    run(tmp_path, "init", "--quiet", "--bare", str(other))
    for name, value in {
        "GIT_DIR": str(other),
        "GIT_OBJECT_DIRECTORY": str(other / "objects"),
        "GIT_INDEX_FILE": str(other / "index"),
        "GIT_CONFIG_PARAMETERS": "'commit.gpgsign=true'",
        "GIT_AUTHOR_NAME": "Somebody Else",
        "GIT_COMMITTER_DATE": "2001-01-01T00:00:00Z",
    }.items():
        monkeypatch.setenv(name, value)
    commit(Records.open(folder))
    assert run(folder, "log", "-1", "--format=%an %cI") == "asleft at Quay 2026-03-01T21:30:00+01:00"
    assert run(other, "count-objects") == "0 objects, 0 kilobytes"
    assert sound(folder)


def test_history_cannot_be_pushed_away(folder: Path, records: Records, tmp_path: Path) -> None:
    """A push that rewrites or removes the branch is refused by the records themselves."""
    commit(records)
    run(tmp_path, "clone", "--quiet", str(folder), "copy")
    copy = tmp_path / "copy"
    rewritten = run(copy, "push", "--force", "origin", "HEAD~1:refs/heads/main", rc=1)
    removed = run(copy, "push", "origin", ":refs/heads/main", rc=1)
    assert "denying non-fast-forward" in rewritten
    assert "denying ref deletion" in removed
    assert len(list(records.history())) == 2


def test_a_time_without_a_zone_is_a_mistake(records: Records) -> None:
    """What time it was must not be open to guessing."""
    with pytest.raises(ValueError, match="zone"):
        records.commit({"a": b"x"}, subject="s", when=WHEN.replace(tzinfo=None))
    done = records.commit({"a": b"x"}, subject="s", when=WHEN.astimezone(UTC))
    assert next(records.history()).at == WHEN
    assert done == records.head()


def test_many_files_are_one_commit(folder: Path, records: Records) -> None:
    """A round over thousands of stations is one commit, and the next writes only what changed."""
    held = {f"as-found/site-{n % 40}/station-{n}.yaml": b"label: %d\n" % n for n in range(4_000)}
    records.commit(dict(held), subject="round", when=WHEN)
    assert records.read_many(sorted(held)) == held
    changed = {**held, "as-found/site-7/station-7.yaml": b"label: x\n"}
    records.commit(dict(changed), subject="round", when=WHEN)
    assert next(records.history()).files == ("as-found/site-7/station-7.yaml",)
    assert sound(folder)
