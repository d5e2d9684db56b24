"""Revisions that the records name, held against the approval rule in force then: real git, real keys, each tampered with."""

import asyncio
import re
import shutil
from pathlib import Path

import pytest

from estates import HALL, IDRIS, WREN, Bench, asleft, commit, git
from proofs import Past, Told, line_of, new_key, rewrite, signing
from stage import CREW, DRUMS, a_stage, drawn

RULES = ("signed", "tag")


def approve(repository: Path, key: Path, rule: str, name: str) -> str:
    """Approve what stands there, as the rule asks, and give the commit."""
    git(repository, "add", "--all")
    how = ["-S"] if rule == "signed" else []
    git(repository, *signing(key), "commit", "--quiet", "--allow-empty", *how, "-m", f"Approve {name}")
    if rule == "tag":
        git(repository, *signing(key), "tag", "--sign", "-m", name, name)
    return git(repository, "rev-parse", "HEAD").strip()


def named(bench: Bench, label: str) -> None:
    """Have a round find something, so that a record names the revision in force."""
    bench.meddle(f"{HALL}/bass", "label", label)
    with bench.desk() as desk:
        asyncio.run(desk.round())


async def _restored(bench: Bench) -> None:
    bench.meddle(DRUMS, "panel.menus", "open")
    with bench.desk() as desk:
        await desk.round()
        (order,) = await drawn(desk)
        await desk.confirm(order.id, by=WREN, reason="the lock", accepted=[])


def lived(folder: Path, rule: str) -> Past:
    """Let a home live through a change of its approval rule, and through a revision that this rule approves."""
    keys = {name: new_key(folder, name) for name in (WREN, IDRIS, "nobody")}
    with a_stage(folder, ("bass", "drums")) as bench:
        named(bench, "One")
        people = CREW.replace("name: Wren Halloway,", "name: Wren Halloway, signs-as: [wren],")
        people = people.replace("name: Idris Quill,", "name: Idris Quill, signs-as: [idris],")
        (bench.repository / "people.yaml").write_text(people)
        signers = line_of("wren", keys[WREN], "git") + line_of("idris", keys[IDRIS], "git")
        (bench.repository / "allowed-signers").write_text(signers)
        estate = bench.repository / "estate.yaml"
        estate.write_text(estate.read_text().replace("approval: commit", f"approval: {rule}"))
        commit(bench.repository, "Ask for signatures")
        named(bench, "Two")
        estate.write_text(estate.read_text().replace("key-dim: 40 %", "key-dim: 50 %"))
        approve(bench.repository, keys[WREN], rule, "first")
        named(bench, "Three")
        asyncio.run(_restored(bench))
    return Past(home=bench.home, repository=bench.repository, keys=keys)


@pytest.fixture(scope="module", params=RULES)
def past_of(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[Past, str]:
    """Give a home that no test changes, and its rule."""
    return lived(tmp_path_factory.mktemp(request.param), request.param), request.param


@pytest.fixture
def past(past_of: tuple[Past, str], tmp_path: Path) -> Past:
    """Give a copy of it, and of where its baseline comes from, that may be tampered with."""
    copy = past_of[0].copy(tmp_path)
    shutil.copytree(past_of[0].repository, tmp_path / "estate")
    return Past(home=copy.home, repository=tmp_path / "estate", keys=copy.keys)


@pytest.fixture
def rule(past_of: tuple[Past, str]) -> str:
    """Give its approval rule."""
    return past_of[1]


def fetched(past: Past) -> None:
    """Bring what is on the branch now into the home, as any fetch does, approved or not."""
    git(past.home / "baseline", "fetch", "--quiet", "--tags", str(past.repository), "+main:main")


def last_names(past: Past, revision: str) -> None:
    """Have the last commit of the records name a revision, by somebody who can rewrite them whole."""
    last = len(past.commits()) - 1

    def edit(told: Told) -> None:
        if told.place == last:
            told.message = re.sub(
                r"^Baseline: .*$", f"Baseline: {revision}", told.message, flags=re.MULTILINE
            )

    rewrite(past, edit)


def said(past: Past, code: int) -> str:
    """Prove it, and give what is said."""
    told = asleft("prove", "--home", past.home)
    assert told.code == code, told.out + told.err
    return told.out


def test_what_the_rule_approves_is_proved(past: Past) -> None:
    """From a rule to the next one, each revision by the one before; nothing is taken on trust."""
    assert "on trust" not in said(past, 0)
    first = past.commits()[2]
    assert "Proved" in asleft("prove", "--home", past.home, "--from", first).out


def test_a_revision_that_nobody_signed_is_found(past: Past) -> None:
    """It is on the branch that is followed, and the rule asks for more."""
    (past.repository / "README").write_text("x")
    revision = commit(past.repository, "Slip something in")
    fetched(past)
    last_names(past, revision)
    assert re.search(
        rf"confirmations: its revision {revision[:10]} was not approved by the rule in force then, that of [0-9a-f]{{10}}: "
        "(it is not signed|no approver has tagged it)",
        said(past, 6),
    )


@pytest.mark.parametrize("who", [IDRIS, "nobody"])
def test_a_revision_signed_by_another_is_found(past: Past, rule: str, who: str) -> None:
    """By somebody without the right to approve, and by a key that is not listed."""
    (past.repository / "README").write_text("x")
    revision = approve(past.repository, past.keys[who], rule, "second")
    fetched(past)
    last_names(past, revision)
    out = said(past, 6)
    assert f"its revision {revision[:10]} was not approved by the rule in force then" in out
    if rule == "signed":
        words = "does not have the right approve" if who == IDRIS else "is not in the file allowed-signers"
        assert words in out


def test_a_signature_that_is_gone_is_found(past: Past, rule: str) -> None:
    """The revision that was in force is there, and what approved it is not any more."""
    if rule == "tag":
        git(past.home / "baseline", "tag", "-d", "first")
        assert "no approver has tagged it" in said(past, 6)
        return
    baseline = past.home / "baseline"
    raw = git(baseline, "cat-file", "commit", "main")
    bare = re.sub(r"^gpgsig .*\n(?: .*\n)+", "", raw, flags=re.MULTILINE)
    (past.home / "bare").write_text(bare)
    revision = git(baseline, "hash-object", "-t", "commit", "-w", str(past.home / "bare")).strip()
    git(baseline, "update-ref", "refs/heads/main", revision)
    last_names(past, revision)
    out = said(past, 6)
    assert f"its revision {revision[:10]} was not approved by the rule in force then" in out
    assert "is not on the branch of the baseline that is followed" in out


def test_a_right_from_a_revision_that_nobody_approved_is_found(past: Past) -> None:
    """Only the row of the confirmation names it; people.yaml there gives the right to somebody who has none."""
    people = past.repository / "people.yaml"
    text = people.read_text()
    assert "Pell Osgood, rights: [look]" in text
    people.write_text(text.replace("Pell Osgood, rights: [look]", "Pell Osgood, rights: [look, confirm]"))
    revision = commit(past.repository, "Give a right")
    fetched(past)

    def edit(told: Told) -> None:
        def forged(text: str) -> str:
            return text.replace("Wren Halloway", "Pell Osgood").replace("wren-halloway", "pell-osgood")

        told.message = forged(told.message)
        for path in [path for path in told.files if path.startswith("orders/")]:
            page = forged(told.files[path].decode())
            told.files[path] = re.sub(r"(?m)^(    baseline: ).*$", rf"\g<1>{revision}", page).encode()

    rewrite(past, edit)
    out = said(past, 6)
    assert "may not confirm" not in out
    assert f"its revision {revision[:10]} was not approved by the rule in force then" in out


def test_a_revision_that_trailer_and_confirmation_name_is_found_once_a_commit(past: Past) -> None:
    """Each finding stands once for its commit, whichever places of the commit name the revision."""
    with (past.repository / "estate.yaml").open("a", encoding="utf-8") as file:
        file.write("# nobody approves this\n")
    revision = commit(past.repository, "Say something")
    fetched(past)

    def edit(told: Told) -> None:
        if " confirmed by " in told.message:
            told.message = re.sub(r"(?m)^Baseline: .*$", f"Baseline: {revision}", told.message)
        for path in [path for path in told.files if path.startswith("orders/")]:
            page = told.files[path].decode()
            told.files[path] = re.sub(r"(?m)^(    baseline: ).*$", rf"\g<1>{revision}", page).encode()

    rewrite(past, edit)
    out = said(past, 6)
    found = [line for line in out.splitlines() if f"its revision {revision[:10]} was not approved" in line]
    assert found, out
    assert len(found) == len(set(found))


def test_the_first_revision_is_taken_on_trust_and_that_is_said(tmp_path: Path) -> None:
    """Nothing before it is known: where it does not approve itself, that is a sentence and no finding."""
    keys = {WREN: new_key(tmp_path, WREN)}
    with a_stage(tmp_path, ("bass",)) as bench:
        people = CREW.replace("name: Wren Halloway,", "name: Wren Halloway, signs-as: [wren],")
        (bench.repository / "people.yaml").write_text(people)
        (bench.repository / "allowed-signers").write_text(line_of("wren", keys[WREN], "git"))
        estate = bench.repository / "estate.yaml"
        estate.write_text(estate.read_text().replace("approval: commit", "approval: signed"))
        commit(bench.repository, "Ask for signatures")
        named(bench, "One")
        told = asleft("prove", "--home", bench.home)
        assert told.code == 0
        assert "is taken on trust: it is not signed." in told.out
