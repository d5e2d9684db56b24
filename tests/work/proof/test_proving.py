"""The records of a real desk, proved as they are; and tampered with in every way, each of which is found and named.

Whoever tampers here has the agent's key and has taken what the ledger kept of heads out, unless a test is about that: so
each check must find by itself what it is for.
"""

import asyncio
import json
import re
import shutil
import zlib
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from estates import asleft
from proofs import Past, Told, forget_heads, live_through, made, new_key, rewrite, sign

CONFIRMED_BY = re.compile(r"^Confirmed-By: .*$", re.MULTILINE)


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> Past:
    """Give a home with a past, which no test changes."""
    return asyncio.run(live_through(tmp_path_factory.mktemp("past")))


@pytest.fixture
def past(lived: Past, tmp_path: Path) -> Past:
    """Give a copy of it that may be tampered with."""
    return lived.copy(tmp_path)


def prove(past: Past, *options: str, code: int) -> dict[str, Any]:
    """Prove a home, and give what is said."""
    told = asleft("prove", "--home", past.home, "--json", *options)
    assert told.code == code, (told.out, told.err)
    said: dict[str, Any] = json.loads(told.out)
    return said


def found(past: Past, check: str, words: str, *options: str) -> dict[str, Any]:
    """Prove a home that was tampered with, and give the finding of one check that has some words."""
    said = prove(past, *options, code=6)
    there = [one for one in said["findings"] if one["check"] == check and re.search(words, one["what"])]
    assert there, said["findings"]
    assert all(one["todo"] and re.fullmatch("[0-9a-f]{40}", one["commit"]) for one in said["findings"])
    finding: dict[str, Any] = there[0]
    return finding


def test_what_nobody_touched_is_proved(lived: Past) -> None:
    """Everything was looked at, and everything holds."""
    said = prove(lived, code=0)
    assert (said["holds"], said["findings"], said["notices"]) == (True, [], [])
    count = len(lived.commits())
    touched = [path.partition("/")[0] for path in lived.git("log", "--format=", "--name-only").splitlines()]
    looked = {row["check"]: row["looked-at"] for row in said["checks"]}
    assert looked == {
        "hash chain": count,
        # The first commit is made with the home, before there is a ledger that could keep it; it is not signed either.
        "nothing rewritten": count - 1,
        "signatures of the agent": count - 1,
        "orders as signed for": touched.count("orders"),
        "confirmations": 10,
        "writes": touched.count("as-found"),
        "clock": count,
        "copy at the remote": None,
    }
    text = asleft("prove", "--home", lived.home)
    assert text.code == 0
    assert text.out.startswith(f"Proved: {count} commits")


def test_a_part_of_the_records_is_proved_alone(lived: Past) -> None:
    """From one commit to another; what lies before is taken as it stands."""
    commits = lived.commits()
    said = prove(lived, "--from", commits[3][:10], "--to", commits[9], code=0)
    assert (said["commits"], said["since"], said["last"]) == (6, commits[3], commits[9])
    for wrong in (["--from", "main"], ["--from", "0000000"], ["--from", commits[9], "--to", commits[3]]):
        told = asleft("prove", "--home", lived.home, *wrong)
        assert (told.code, told.out) == (2, "")
        assert told.err.startswith("asleft: ")


async def test_records_without_a_key_are_proved_and_the_lack_is_said(tmp_path: Path) -> None:
    """Nobody signs: everything else is proved."""
    said = prove(await live_through(tmp_path, signed=False), code=0)
    assert said["notices"] == ["No key of the agent is known, so no signature was asked for."]
    assert (
        next(row for row in said["checks"] if row["check"] == "signatures of the agent")["looked-at"] is None
    )


def test_an_object_that_was_changed_in_place_is_found(past: Past) -> None:
    """Another value in a blob: its name no longer is the SHA-1 of what it holds."""
    commit = past.commit_of("panel.menus locked")
    blob = past.git("rev-parse", f"{commit}:as-found/quillfen-hall/keys.yaml").strip()
    file = past.records / "objects" / blob[:2] / blob[2:]
    data = zlib.decompress(file.read_bytes())
    assert b"menus: open" in data
    file.chmod(0o644)
    file.write_bytes(zlib.compress(data.replace(b"menus: open", b"menus: shut")))
    assert found(past, "hash chain", "not what its name says")["commit"] == commit
    found(past, "hash chain", f"git fsck of the records.*{blob}")


def test_an_object_that_is_gone_is_found(past: Past) -> None:
    """In the records and in the baseline."""
    tree = past.git("rev-parse", f"{past.commits()[5]}^{{tree}}").strip()
    (past.records / "objects" / tree[:2] / tree[2:]).unlink()
    found(past, "hash chain", f"git fsck of the records.*{tree}")
    packs = list((past.home / "baseline" / "objects" / "pack").glob("*.pack"))
    loose = [one for one in (past.home / "baseline" / "objects").glob("??/*") if one.is_file()]
    victim = (packs or loose)[0]
    victim.chmod(0o644)
    victim.write_bytes(b"nothing" * 10)
    told = asleft("prove", "--home", past.home)
    assert told.code in {6, 7}
    assert "baseline" in told.out + told.err


def test_a_dropped_commit_is_found_by_the_heads_that_were_kept(past: Past) -> None:
    """The newest three are cut off: each is named, although what is left is well-formed in itself."""
    commits = past.commits()
    past.git("update-ref", "refs/heads/main", commits[-4])
    said = prove(past, code=6)
    assert {one["commit"] for one in said["findings"]} == set(commits[-3:])
    assert {one["check"] for one in said["findings"]} == {"nothing rewritten"}
    forget_heads(past)
    assert "No heads were kept" in prove(past, code=0)["notices"][0]


def test_a_commit_of_another_hand_is_found(past: Past) -> None:
    """Signed with the agent's own key, even."""
    head = past.commits()[-1]
    at = int(past.git("log", "-1", "--format=%ct"))
    tree = past.git("rev-parse", f"{head}^{{tree}}").strip()
    commit = made(past, tree, "somebody: was here\n", at, head, key=past.keys["agent"])
    past.git("update-ref", "refs/heads/main", commit)
    assert found(past, "nothing rewritten", "did not write this commit")["commit"] == commit


def test_a_rewritten_history_is_found(past: Past) -> None:
    """A reason is put into other words long ago: every commit since is another, and the agent wrote none of them."""

    def edit(told: Told) -> None:
        told.message = told.message.replace("before doors", "after doors")
        told.files = {
            path: data.replace(b"before doors", b"after doors") for path, data in told.files.items()
        }

    old = rewrite(past, edit, heads=True)
    place = next(place for place, one in enumerate(old) if "one of two" in past.subject(one))
    said = prove(past, code=6)
    missing = [one["commit"] for one in said["findings"] if "no longer part" in one["what"]]
    assert missing == old[place : place + 20]
    assert f"{len(old) - place} commits are no longer there; the first 20 are named." in said["notices"]


@pytest.mark.parametrize("key", [None, "another"])
def test_a_commit_that_the_agent_did_not_sign_is_found(past: Past, tmp_path: Path, key: str | None) -> None:
    """One in the middle has no signature, or one by another key, and all after it are as they were."""
    other = new_key(tmp_path, "another") if key else None
    place = 7

    def edit(told: Told) -> None:
        if told.place == place:
            told.key = other

    rewrite(past, edit)
    finding = found(past, "signatures of the agent", "does not hold" if key else "is not signed")
    assert finding["commit"] == past.commits()[place]


def test_a_signature_over_another_message_is_found(past: Past) -> None:
    """The signature of one commit is put on another message."""
    head = past.commits()[-1]
    raw = past.git("cat-file", "commit", head).replace("panel.key-dim", "panel.key-dam")
    commit = past.git("hash-object", "-t", "commit", "-w", "--stdin", stdin=raw.encode()).strip()
    past.git("update-ref", "refs/heads/main", commit)
    forget_heads(past)
    assert found(past, "signatures of the agent", "does not hold")["commit"] == commit


def page_edit(old: str, new: str) -> Callable[[Told], None]:
    """Give an edit of every order's page, from where it has some text."""

    def edit(told: Told) -> None:
        told.files = {
            path: data.replace(old.encode(), new.encode()) if path.startswith("orders/") else data
            for path, data in told.files.items()
        }

    return edit


@pytest.mark.parametrize(
    "old, new, words",
    [
        ("    to: locked", "    to: open", "is not what was signed for"),
        ('\\"value\\":\\"locked\\"', '\\"value\\":\\"open\\"', "its digest is"),
        ("digest: ", "digest: 0", "its digest is 0"),
        ("site: quillfen-hall", "site: quillfen-hill", "'site' on the page"),
        ("outcome: written", "outcome: not begun", "was not written"),
    ],
)
def test_an_order_that_was_altered_is_found(past: Past, old: str, new: str, words: str) -> None:
    """On its page, in what is canonical, in its digest."""
    rewrite(past, page_edit(old, new))
    assert "order " in found(past, "orders as signed for", words)["what"]


def test_an_order_page_of_another_name_is_found(past: Past) -> None:
    """The same page under an id that is not its digest's."""

    def edit(told: Told) -> None:
        told.files = {
            re.sub(r"(orders/2\d{3}/)[0-9a-f]{4}", r"\g<1>0000", path): data
            for path, data in told.files.items()
        }

    rewrite(past, edit)
    found(past, "orders as signed for", "do not belong")


def test_a_trailer_that_was_altered_is_found(past: Past) -> None:
    """Somebody else stands there as who confirmed."""
    place = past.commits().index(past.commit_of("confirmed by Sorrel Vane"))

    def edit(told: Told) -> None:
        if told.place == place:
            told.message = CONFIRMED_BY.sub("Confirmed-By: Wren Halloway (wren-halloway)", told.message)

    rewrite(past, edit)
    assert found(past, "writes", "Confirmed-By")["commit"] == past.commits()[place]


@pytest.mark.parametrize(
    "words, trailer, instead, told",
    [
        ("keys: restored", "Reason", "because", "Confirmed-By and Reason"),
        ("keys: restored", "Baseline", "{first}", "trailer Baseline"),
        ("keys: restored", "Setting", "panel.key-dim", "trailers Setting"),
        ("keys: restored", "Station", "quillfen-hall/bass", "trailers Station"),
        ("keys: restored", "Order", "0123456789", "trailer names order 0123456789"),
        ("panel.menus locked → open", "Setting", "panel.key-dim", "no trailer Setting says so"),
        ("panel.menus locked → open", "Station", "quillfen-hall/bass", "no trailer says so"),
    ],
)
def test_every_trailer_that_was_altered_is_found(
    past: Past, words: str, trailer: str, instead: str, told: str
) -> None:
    """Whatever a trailer says of an order or of a round, its pages say, too."""
    place = past.commits().index(past.commit_of(words))
    first = past.git("log", "--reverse", "--format=%(trailers:key=Baseline,valueonly)", "main").split()[0]

    def edit(one: Told) -> None:
        if one.place == place:
            line = f"{trailer}: {instead.format(first=first[::-1])}"
            one.message, count = re.subn(rf"^{trailer}: .*$", line, one.message, flags=re.MULTILINE)
            assert count

    rewrite(past, edit)
    assert found(past, "writes", re.escape(told))["commit"] == past.commits()[place]


def test_two_commits_in_another_order_are_found(past: Past) -> None:
    """The second confirmation of an order is put before the first, each with all that its commit has."""
    old = past.commits()
    place = old.index(past.commit_of("one of two"))
    kept: dict[int, Told] = {}
    rewrite(past, lambda told: kept.update({told.place: Told(**vars(told))}))
    copies = {place: kept[place + 1], place + 1: kept[place]}

    def edit(told: Told) -> None:
        if told.place in copies:
            other = copies[told.place]
            told.files, told.message, told.at = other.files, other.message, other.at

    rewrite(past, edit)
    assert found(past, "clock", "before that of")["commit"] == past.commits()[place + 1]
    assert (
        found(past, "writes", "what had happened to it before was changed")["commit"]
        == past.commits()[place + 1]
    )


def test_a_dropped_confirmation_is_found(past: Past) -> None:
    """Its commit is left out, and the next one has it: the write then came without one on record."""
    rewrite(past, lambda told: "confirmed by Sorrel Vane" not in told.subject)
    finding = found(past, "writes", "no commit before this one has it confirmed")
    assert past.subject(finding["commit"]).startswith("quillfen-hall/keys: restored")


def test_a_dropped_round_is_found(past: Past) -> None:
    """What it found appears in the next commit, which does not tell of it."""
    rewrite(past, lambda told: "2 settings moved" not in told.subject)
    found(past, "writes", "stood|without saying so|was found")


def test_a_forged_confirmation_without_the_right_is_found(past: Past) -> None:
    """Page and trailers agree; people.yaml of that revision gives this person no right, or not for that."""

    def edit(told: Told) -> None:
        def forged(text: str) -> str:
            return text.replace("Sorrel Vane", "Pell Osgood").replace("sorrel-vane", "pell-osgood")

        told.message = forged(told.message)
        told.files = {path: forged(data.decode()).encode() for path, data in told.files.items()}

    rewrite(past, edit)
    finding = found(past, "confirmations", r"Pell Osgood \(pell-osgood\) confirmed it and may not confirm at")
    assert "confirmed by Pell" in past.subject(finding["commit"])


@pytest.mark.parametrize(
    "who, words",
    [
        ("Sorrel Vane (sorrel-vane)", "may not confirm what concerns hearing"),
        (
            "Wren Halloway (wren-halloway)",
            "alone confirmed it, and two people who may are asked for: hearing rise",
        ),
        ("Nobody Known (nobody-known)", "is not in people.yaml"),
    ],
)
def test_a_forged_second_person_is_found(past: Past, who: str, words: str) -> None:
    """A rise at the ear asks for two, each with the right."""
    name, _, key = who.removesuffix(")").partition(" (")

    def edit(told: Told) -> None:
        def forged(text: str) -> str:
            return text.replace("Idris Quill", name).replace("idris-quill", key)

        told.message = forged(told.message)
        told.files = {forged(path): forged(data.decode()).encode() for path, data in told.files.items()}

    rewrite(past, edit)
    found(past, "confirmations", re.escape(words))


def test_a_confirmation_signed_by_another_is_found(past: Past, tmp_path: Path) -> None:
    """The signature beside it is a good one of somebody else, or of something else, or is gone."""
    other = new_key(tmp_path, "other")

    def edit(told: Told) -> None:
        for path in list(told.files):
            if path.endswith("idris-quill.sig"):
                document = told.files[re.sub(r"\.idris-quill\.sig$", ".json", path)]
                told.files[path] = sign(other, document, tmp_path).encode()

    rewrite(past, edit)
    found(past, "confirmations", "the signature of Idris Quill does not hold")


def test_a_signed_document_that_is_not_the_order_is_found(past: Past) -> None:
    """What was signed is exchanged."""

    def edit(told: Told) -> None:
        for path in list(told.files):
            if path.startswith("signed/") and path.endswith(".json"):
                told.files[path] = told.files[path].replace(b"locked", b"open")

    rewrite(past, edit)
    found(past, "confirmations", "signed is not this order")


def test_a_write_without_an_order_is_found(past: Past) -> None:
    """Page and trailer of the order are taken out of the commit that restored."""

    def edit(told: Told) -> None:
        if "keys: restored" in told.subject:
            told.message = re.sub(r"^(Order|Confirmed-By|Reason): .*\n", "", told.message, flags=re.MULTILINE)

    rewrite(past, edit)
    finding = found(past, "writes", "tells of a write, and no order stands behind it")
    assert "keys: restored" in past.subject(finding["commit"])


def test_a_write_that_its_order_does_not_have_is_found(past: Past) -> None:
    """A page says something else than the order wrote; or it changed while the commit says nothing of that."""

    def other(told: Told) -> None:
        if "keys: restored" in told.subject:
            path = "as-found/quillfen-hall/keys.yaml"
            told.files[path] = told.files[path].replace(b"panel.key-dim: 40 %", b"panel.key-dim: 90 %")

    rewrite(past, other)
    finding = found(past, "writes", "changed panel.key-dim of quillfen-hall/keys without saying so")
    assert "keys: restored" in past.subject(finding["commit"])


def test_a_page_that_has_not_what_was_restored_is_found(past: Past) -> None:
    """As found says open where the order says locked."""

    def edit(told: Told) -> None:
        if "keys: restored" in told.subject:
            path = "as-found/quillfen-hall/keys.yaml"
            told.files[path] = told.files[path].replace(b"panel.menus: locked", b"panel.menus: some")

    rewrite(past, edit)
    found(past, "writes", "wrote panel.menus as locked, and as found is some")


def test_a_clock_that_runs_backwards_is_found(past: Past) -> None:
    """One commit is an hour early, or an order's life is."""
    place = 9

    def edit(told: Told) -> None:
        if told.place == place:
            told.at -= 3600

    rewrite(past, edit)
    assert found(past, "clock", "before that of")["commit"] == past.commits()[place]


@pytest.mark.parametrize(
    "event, shift, words",
    [("confirm", -7200, "time runs backwards in its life"), ("finish", 7200, "after this commit was made")],
)
def test_an_orders_life_against_the_clock_is_found(past: Past, event: str, shift: int, words: str) -> None:
    """A row of it is before the one above, or later than the commit that tells of it."""
    commit = past.commit_of("keys: restored")
    (path,) = (
        line
        for line in past.git("show", "--format=", "--name-only", commit).splitlines()
        if line.startswith("orders/")
    )

    def moved(match: re.Match[str]) -> str:
        at = datetime.fromisoformat(match[1]) + timedelta(seconds=shift)
        return f'  - at: "{at.isoformat().replace("+00:00", "Z")}"\n    event: {event}\n'

    def edit(told: Told) -> None:
        if path in told.files:
            page = told.files[path].decode()
            told.files[path] = re.sub(rf'  - at: "(\S+)"\n    event: {event}\n', moved, page).encode()

    rewrite(past, edit)
    found(past, "clock", words)


def test_a_signature_file_that_is_gone_is_found(past: Past) -> None:
    """The page says that it is signed, and nothing that could be checked is kept."""

    def edit(told: Told) -> None:
        told.files = {path: data for path, data in told.files.items() if not path.endswith("idris-quill.sig")}

    rewrite(past, edit)
    found(past, "confirmations", "the signature of idris-quill is not kept")


def test_a_revision_that_nobody_approved_is_found(past: Past) -> None:
    """The trailer names a commit that is not on the branch."""

    def edit(told: Told) -> None:
        told.message = re.sub(r"^Baseline: .*$", f"Baseline: {'ab' * 20}", told.message, flags=re.MULTILINE)

    rewrite(past, edit)
    found(past, "confirmations", "is not on the branch")


def test_a_branch_that_was_merged_in_is_found(past: Past) -> None:
    """The records are one line."""
    commits = past.commits()
    tree = past.git("rev-parse", f"{commits[-1]}^{{tree}}").strip()
    at = int(past.git("log", "-1", "--format=%ct"))
    aside = made(past, tree, "aside\n", at, commits[4], key=past.keys["agent"])
    merge = made(past, tree, "merge\n", at, commits[-1], aside, key=past.keys["agent"])
    past.git("update-ref", "refs/heads/main", merge)
    forget_heads(past)
    assert found(past, "hash chain", "one line without branches")["commit"] == merge


def test_what_was_taken_away_is_found(past: Past) -> None:
    """An order's page that is gone, and a station's."""
    for words in ("orders/", "as-found/quillfen-hall/bass"):
        copy = past.home.parent / words.replace("/", "-")
        shutil.copytree(past.home, copy)
        other = Past(home=copy, repository=past.repository, keys=past.keys)
        last = len(other.commits()) - 1

        def edit(told: Told, words: str = words, last: int = last) -> None:
            if told.place == last:
                told.files = {path: data for path, data in told.files.items() if not path.startswith(words)}

        rewrite(other, edit)
        found(other, "writes", "away, and nothing is ever taken away")


def test_a_signed_group_that_is_another_is_found(past: Past) -> None:
    """What was signed for a group has another order in it, or is no group of that name."""

    def edit(told: Told) -> None:
        for path in list(told.files):
            if re.search(r"/g[0-9a-f]{9}\.json$", path):
                told.files[path] = told.files[path].replace(b'"stop-share":0', b'"stop-share":1')

    rewrite(past, edit)
    found(past, "confirmations", "signed is no group with this order in it")


def test_the_end_of_a_loan_that_nobody_agreed_with_is_found(past: Past) -> None:
    """It was given back on the word of somebody who did not confirm the loan."""
    given = next(one for one in past.commits() if "given back" in past.subject(one))
    path = next(
        line for line in past.git("show", "--format=", "--name-only", given).splitlines() if "orders/" in line
    )

    def edit(told: Told) -> None:
        if path in told.files:
            page = told.files[path].replace(b"by: wren-halloway", b"by: idris-quill")
            told.files[path] = page.replace(b"name: Wren Halloway", b"name: Idris Quill")
            if path.rpartition("/")[2].removesuffix(".yaml") in told.message:
                told.message = told.message.replace(
                    "Wren Halloway (wren-halloway)", "Idris Quill (idris-quill)"
                )

    rewrite(past, edit)
    found(past, "confirmations", "and is not what was agreed with there")
