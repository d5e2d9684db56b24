"""The commands that propose, from end to end: what a person types, what it says, and what git has afterwards."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from estates import HALL, Bench, Told, a_bench, asleft, git

DRUMS = f"{HALL}/drums"
WHO = ("--by", "wren-halloway", "--reason", "the drummer asked")


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with a_bench(tmp_path) as made:
        made.meddle(DRUMS, "headphones.gain", "+12 dB")
        asleft("round", "--site", HALL, "--home", made.home)
        yield made


def run(bench: Bench, *args: object) -> Told:
    return asleft(*args, "--home", bench.home)


def test_adopting_on_the_command_line(bench: Bench) -> None:
    """It says what is proposed, its hazard and caution, the difference, what it does, and how it is approved."""
    told = run(bench, "adopt", DRUMS, *WHO)
    assert (told.code, told.err) == (0, "")
    (branch,) = [name for name in bench.branches() if name != "main"]
    lines = told.out.splitlines()
    assert lines[0] == f"{DRUMS}: proposed headphones.gain 0 dB → +12 dB as left"
    assert branch in lines[1]
    assert "nothing is approved and nothing written yet" in lines[1]
    assert lines[2].startswith("  ■ note: hearing:headphones.gain: it can get louder at the ear")
    assert "Take the earphones out" in lines[2]
    assert f"  +++ b/sites/{HALL}/stations/drums.yaml" in lines
    assert "  +  headphones: {gain: +12 dB}" in lines
    assert "Once it is approved, 1 of 24 stations is left otherwise." in lines
    assert "■ It can get louder at the ear: 1 station (stage-station)" in lines
    assert lines[-1] == f"To approve it: merge {branch} into the branch that asleft follows"


def test_approving_a_proposal_ends_the_drift(bench: Bench) -> None:
    """Merged by a person, it is what the next round holds the station against; effect tells what it will do before that."""
    run(bench, "adopt", DRUMS, *WHO)
    (branch,) = [name for name in bench.branches() if name != "main"]
    told = asleft("effect", branch, "--estate", bench.repository)
    assert told.code == 0
    assert "1 of 24 stations changes" in told.out
    git(bench.repository, "merge", "--quiet", "--ff-only", branch)
    told = run(bench, "round", "--site", HALL)
    assert told.code == 0
    assert "10 as left" in told.out


def test_a_proposal_as_json(bench: Bench) -> None:
    """One document with all of it."""
    told = run(bench, "adopt", DRUMS, "headphones.gain", "--layer", "role", *WHO, "--json")
    found: dict[str, Any] = json.loads(told.out)
    assert (found["schema"], found["version"]) == ("asleft-proposal", 1)
    assert (found["station"], found["pushed"], found["why-not"]) == (DRUMS, True, None)
    assert [one["file"] for one in found["files"]] == ["roles/drums.yaml"]
    assert found["effect"]["changed"] == 3
    (group,) = found["effect"]["groups"]
    assert group["worst"] == "hearing"
    (change,) = group["settings"]
    assert (change["from"], change["to"]) == ("0 dB", "+12 dB")
    assert found["commit"] == git(bench.repository, "rev-parse", found["branch"]).strip()


def test_conceding_on_the_command_line(bench: Bench) -> None:
    """The value after the setting; a day that is none is wrong usage, a person who is none is refused."""
    args = ("concede", DRUMS, "panel.menus", "open", "--holder", "idris-quill", *WHO)
    told = run(bench, *args, "--until", "2099-09-01")
    assert told.code == 0
    assert "  +    until: 2099-09-01" in told.out.splitlines()
    assert "opened:panel.menus" in told.out
    told = run(bench, *args, "--until", "in summer")
    assert told.code == 2
    told = run(
        bench, "concede", DRUMS, "panel.menus", "open", "--holder", "nobody", *WHO, "--until", "2099-09-01"
    )
    assert (told.code, told.out) == (6, "")
    assert "'nobody' is not in people.yaml" in told.err


def test_exchanging_on_the_command_line(bench: Bench) -> None:
    """It says what comes next once it is approved."""
    told = run(bench, "exchange", DRUMS, "--serial", "QS41-9999", *WHO)
    assert told.code == 0
    assert told.out.splitlines()[-1] == f"Then: asleft set-up {DRUMS}"
    told = run(bench, "exchange", DRUMS, "--serial", "QS41-2107", *WHO)
    assert told.code == 6
    assert "is the one that is approved already" in told.err


def test_enrolling_on_the_command_line(bench: Bench) -> None:
    """A known unit is refused by name; nothing is on the wire but questions, and no branch is made."""
    told = run(bench, "enrol", HALL, bench.beside(DRUMS, 11), "--name", "riser", *WHO)
    assert told.code == 6
    assert f"is the address of {DRUMS}" in told.err
    told = run(bench, "enrol", HALL, bench.beside(DRUMS, 58), "--name", "riser", *WHO)
    assert told.code == 7
    assert bench.branches() == ["main"]


def test_what_the_check_refuses_is_refused(bench: Bench) -> None:
    """Exit code 6, each problem told, no branch."""
    bench.approve("roles/drums.yaml", "settings:\n", "settings:\n  mix: {heard: Mix 2}\n")
    bench.meddle(DRUMS, "mix.heard", "Mix 11")
    run(bench, "round", "--site", HALL)
    told = run(bench, "adopt", DRUMS, "mix.heard", *WHO)
    assert told.code == 6
    assert "the estate would not pass the check" in told.err
    assert bench.branches() == ["main"]


def test_proposals_are_listed_until_they_are_taken_over(bench: Bench) -> None:
    """The newest first, each with the way to its effect; gone once it is merged, or once another commit says the same."""
    assert run(bench, "proposals").out == "No proposal waits.\n"
    run(bench, "adopt", DRUMS, *WHO)
    bench.meddle(f"{HALL}/bass", "panel.key-dim", "60 %")
    run(bench, "round", "--site", HALL)
    adopted = run(bench, "adopt", f"{HALL}/bass", *WHO)
    assert (adopted.code, adopted.err) == (0, "")
    told = run(bench, "proposals")
    assert (told.code, told.err) == (0, "")
    heads = [line for line in told.out.splitlines() if not line.startswith(" ")]
    assert sorted(line.partition(": ")[0] for line in heads) == [f"{HALL}/bass", DRUMS]
    listed = json.loads(run(bench, "proposals", "--json").out)["proposals"]
    drums = next(one for one in listed if one["subject"].startswith(DRUMS))
    assert drums["files"] == [f"sites/{HALL}/stations/drums.yaml"]
    assert drums["branch"] in bench.branches()
    assert f"asleft effect {drums['commit'][:10]}" in told.out
    git(bench.repository, "merge", "--quiet", "--ff-only", drums["branch"])
    run(bench, "round", "--site", HALL)
    (bass,) = json.loads(run(bench, "proposals", "--json").out)["proposals"]
    assert bass["subject"].startswith(f"{HALL}/bass")
    git(bench.repository, "cherry-pick", bass["commit"])
    run(bench, "round", "--site", HALL)
    assert run(bench, "proposals").out == "No proposal waits.\n"
