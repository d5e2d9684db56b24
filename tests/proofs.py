"""A home whose records are worth proving: made by a real desk, signed by the agent, with confirmations signed by people."""

import os
import shutil
import sqlite3
import subprocess
from collections.abc import Callable, Mapping
from contextlib import closing
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

from asleft.daemon import assembly
from asleft.domain.canonical import canonical
from asleft.domain.orders import OrderState
from asleft.ports.signatures import NAMESPACE
from asleft.work.desk import OwnerDesk
from estates import HALL, IDRIS, WREN, Bench, commit
from stage import CREW, DRUMS, Time, a_stage, accepted, confirm_group, drawn

__all__ = [
    "Past",
    "Told",
    "forget_heads",
    "line_of",
    "live_through",
    "made",
    "new_key",
    "rewrite",
    "sign",
    "signing",
]

_PLAIN = {
    "GIT_CONFIG_GLOBAL": "/dev/null",
    "GIT_CONFIG_NOSYSTEM": "1",
    "PATH": os.environ["PATH"],
    "HOME": "/nonexistent",
}


@dataclass(frozen=True, kw_only=True)
class Past:
    """A home that lived through something.

    Args:
        home: The home.
        repository: Where its baseline comes from.
        keys: Private keys, by whose they are.
    """

    home: Path
    repository: Path
    keys: dict[str, Path]

    @property
    def records(self) -> Path:
        """Its records."""
        return self.home / "records"

    def git(self, *args: str, stdin: bytes | None = None, more: Mapping[str, str] | None = None) -> str:
        """Run git in the records as nobody in particular, and give what it says."""
        done = subprocess.run(
            ["git", *args],
            cwd=self.records,
            env={**_PLAIN, **(more or {})},
            input=stdin,
            capture_output=True,
            check=False,
        )
        assert done.returncode == 0, done.stderr.decode()
        return done.stdout.decode("utf-8", "surrogateescape")

    def copy(self, folder: Path) -> "Past":
        """Give a copy that may be tampered with; its baseline is its own clone."""
        shutil.copytree(self.home, folder / "home")
        return Past(home=folder / "home", repository=self.repository, keys=self.keys)

    def commits(self) -> list[str]:
        """Give the commits, oldest first."""
        return self.git("rev-list", "--reverse", "main").split()

    def subject(self, commit_id: str) -> str:
        """Give the subject of a commit."""
        return self.git("log", "-1", "--format=%s", commit_id).strip()

    def commit_of(self, words: str) -> str:
        """Give the first commit whose subject has some words."""
        return next(one for one in self.commits() if words in self.subject(one))


def new_key(folder: Path, name: str) -> Path:
    """Make a key of somebody."""
    key = folder / name
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", name, "-f", str(key)], check=True)
    return key


def sign(key: Path, document: bytes, folder: Path) -> str:
    """Sign what is confirmed, as a person does."""
    file = folder / "document"
    file.write_bytes(document)
    (folder / "document.sig").unlink(missing_ok=True)
    subprocess.run(
        ["ssh-keygen", "-q", "-Y", "sign", "-n", NAMESPACE, "-f", str(key), str(file)],
        check=True,
        capture_output=True,
    )
    return (folder / "document.sig").read_text("ascii")


def line_of(principal: str, key: Path, namespaces: str) -> str:
    """Give the line of an allowed-signers file."""
    kind, text, *_ = key.with_name(f"{key.name}.pub").read_text().split()
    return f'{principal} namespaces="{namespaces}" {kind} {text}\n'


async def live_through(folder: Path, *, signed: bool = True) -> Past:
    """Let a home live through rounds, orders of one and of two people, a group, a loan and a new baseline.

    Args:
        folder: Where.
        signed: Whether the agent has a key.
    """
    keys = {name: new_key(folder, name) for name in ("agent", WREN, IDRIS)}
    # The records begin when the home is made, by this computer's clock.
    clock = Time(assembly.now() + timedelta(minutes=1))
    with a_stage(folder, ("bass", "drums", "keys")) as bench:
        people = CREW.replace("name: Wren Halloway,", "name: Wren Halloway, signs-as: [wren],")
        people = people.replace("name: Idris Quill,", "name: Idris Quill, signs-as: [idris],")
        (bench.repository / "people.yaml").write_text(people)
        lines = [
            line_of("wren", keys[WREN], f"git,{NAMESPACE}"),
            line_of("idris", keys[IDRIS], f"git,{NAMESPACE}"),
        ]
        (bench.repository / "allowed-signers").write_text("".join(lines))
        estate = bench.repository / "estate.yaml"
        estate.write_text(
            estate.read_text().replace("  panel:", "  service: {remote-session: closed}\n  panel:")
        )
        commit(bench.repository, "Say who signs as whom, and close remote sessions")
        if signed:
            with (bench.home / "settings.yaml").open("a") as settings:
                settings.write(f"signing-key: {keys['agent']}\n")
        with bench.desk(clock=clock, patience=clock.patience, checks_signatures=True) as desk:
            await _act(bench, desk, clock, keys, folder)
    return Past(home=bench.home, repository=bench.repository, keys=keys)


async def _act(bench: Bench, desk: OwnerDesk, clock: Time, keys: dict[str, Path], folder: Path) -> None:
    await desk.round()
    await clock.sleep(60)
    bench.meddle(DRUMS, "headphones.limiter-level", "-20 dB")
    bench.meddle(DRUMS, "panel.menus", "open")
    await desk.round()
    # A rise at the ear: two people, each with a signature.
    (order,) = await drawn(desk)
    for by in (WREN, IDRIS):
        await clock.sleep(5)
        kept = await desk.confirm(
            order.id,
            by=by,
            reason="before doors",
            accepted=accepted(order),
            signature=sign(keys[by], canonical(order.body()), folder),
        )
    assert kept.state is OrderState.RESTORED, kept.outcome
    # Nobody is asked for two: one person.
    await clock.sleep(60)
    bench.meddle(f"{HALL}/keys", "panel.menus", "open")
    (order,) = await drawn(desk, f"{HALL}/keys")
    kept = await desk.confirm(order.id, by="sorrel-vane", reason="the lock", accepted=[])
    assert kept.state is OrderState.RESTORED, kept.outcome
    # A group, one confirmation.
    await clock.sleep(60)
    for name in ("bass", "drums"):
        bench.meddle(f"{HALL}/{name}", "panel.menus", "open")
    orders = await drawn(desk, f"{HALL}/bass", DRUMS)
    kepts = await confirm_group(desk, orders, WREN)
    assert {kept.state for kept in kepts} == {OrderState.RESTORED}
    # Another, signed: one signature over both orders.
    await clock.sleep(60)
    for name in ("bass", "drums"):
        bench.meddle(f"{HALL}/{name}", "panel.menus", "open")
    orders = await drawn(desk, f"{HALL}/bass", DRUMS)
    (name,) = {kept.group for kept in desk.orders() if kept.id in {order.id for order in orders}}
    group = desk.group(name)
    assert group is not None
    signature = sign(keys[WREN], canonical(group.body()), folder)
    kepts = await desk.confirm_group(name, by=WREN, reason="both", accepted=[], signature=signature)
    assert {kept.state for kept in kepts} == {OrderState.RESTORED}
    # Lent, and given back when its time is over as it was agreed; and one that nobody confirms in time.
    await clock.sleep(60)
    kept = await desk.lending.lend(
        DRUMS, "service.remote-session", "open", lasting=timedelta(hours=1), by=WREN, reason="the maker looks"
    )
    kept = await desk.confirm(kept.id, by=WREN, reason="agreed", accepted=accepted(kept.order))
    assert kept.state is OrderState.RESTORED, kept.outcome
    bench.meddle(f"{HALL}/keys", "panel.menus", "open")
    await drawn(desk, f"{HALL}/keys")
    await clock.sleep(3700)
    given_back = await desk.lending.close_due()
    assert [kept.state for kept in given_back] == [OrderState.RESTORED]
    await desk.round()
    # Somebody gets the right by a new revision, and has it from there on.
    await clock.sleep(60)
    bench.meddle(DRUMS, "panel.menus", "open")
    (order,) = await drawn(desk)
    bench.approve(
        "people.yaml", "Pell Osgood, rights: [look]", "Pell Osgood, rights: [look, acknowledge, confirm]"
    )
    kept = await desk.confirm(order.id, by="pell-osgood", reason="new here", accepted=[])
    assert kept.state is OrderState.RESTORED, kept.outcome
    await clock.sleep(60)
    bench.meddle(f"{HALL}/bass", "panel.key-dim", "80 %")
    await desk.round()


@dataclass
class Told:
    """One commit as it is written anew: its files, its message, when, and by which key it is signed."""

    place: int
    subject: str
    files: dict[str, bytes]
    message: str
    at: int
    key: Path | None


def rewrite(past: Past, edit: Callable[[Told], bool | None], *, heads: bool = False) -> list[str]:
    """Write the records anew from the first commit on, with git's plumbing, as somebody who has the agent's key can.

    Args:
        past: A copy that may be tampered with.
        edit: Changes a commit in place; False drops it.
        heads: Whether the heads that the ledger kept stay as they are; else that somebody took them out, too.

    Returns:
        The commits as they were, oldest first.
    """
    old = past.commits()
    parent = ""
    index = {"GIT_INDEX_FILE": str(past.home / "index")}
    for place, one in enumerate(old):
        raw = past.git("cat-file", "commit", one)
        listed = past.git("ls-tree", "-r", "-z", one).split("\0")
        blobs = {
            path: about.split(" ")[2]
            for about, _, path in (entry.partition("\t") for entry in listed if entry)
        }
        told = Told(
            place=place,
            subject=past.subject(one),
            files={path: past.git("cat-file", "blob", blob).encode() for path, blob in blobs.items()},
            message=raw.split("\n\n", 1)[1],
            at=int(past.git("log", "-1", "--format=%ct", one)),
            key=past.keys["agent"] if "\ngpgsig " in raw.split("\n\n", 1)[0] else None,
        )
        if edit(told) is False:
            continue
        (past.home / "index").unlink(missing_ok=True)
        rows = [
            f"100644 {past.git('hash-object', '-w', '--stdin', stdin=data).strip()}\t{path}\n"
            for path, data in sorted(told.files.items())
        ]
        past.git("update-index", "--add", "--index-info", stdin="".join(rows).encode(), more=index)
        tree = past.git("write-tree", more=index).strip()
        parent = made(past, tree, told.message, told.at, parent, key=told.key)
    past.git("update-ref", "refs/heads/main", parent)
    if not heads:
        forget_heads(past)
    return old


def made(past: Past, tree: str, message: str, at: int, *parents: str, key: Path | None) -> str:
    """Make a commit as the agent's own look."""
    who = {
        f"GIT_{role}_{part}": value
        for role in ("AUTHOR", "COMMITTER")
        for part, value in (
            ("NAME", "asleft agent"),
            ("EMAIL", "agent@asleft.invalid"),
            ("DATE", f"@{at} +0000"),
        )
    }
    after = [word for parent in parents if parent for word in ("-p", parent)]
    return past.git(
        *(signing(key) if key else []),
        "commit-tree",
        *(["-S"] if key else []),
        *after,
        tree,
        stdin=message.encode(),
        more=who,
    ).strip()


def signing(key: Path) -> list[str]:
    """Give what stands before a git command that signs with a key of OpenSSH (git-config(1), gpg.format)."""
    return ["-c", "gpg.format=ssh", "-c", f"user.signingKey={key}"]


def forget_heads(past: Past) -> None:
    """Take out of the ledger what it kept of heads."""
    with closing(sqlite3.connect(past.home / "ledger.sqlite")) as ledger:
        ledger.execute("DELETE FROM records_head")
        ledger.commit()
