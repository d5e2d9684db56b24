"""A site commissioned as a person types it: found, enrolled, captured, exchanged, approved, set up; stations on sockets, real git.

Each way is gone under both rules: a commit on the branch approves, and only an approver's signed one does (ssh-keygen(1),
git-cherry-pick(1) --gpg-sign).
"""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from asleft.daemon.assembly import make_home
from asleft.simulator.fleet import Fleet, FleetThread
from asleft.simulator.station import Station
from estates import HALL, IDRIS, WREN, Bench, Told, asleft, commit, git, plant
from proofs import line_of, new_key, signing

DRUMS, BASS, RISER = (f"{HALL}/{name}" for name in ("drums", "bass", "riser"))
WHO = ("--by", WREN, "--reason", "hired for the season")
RULES = ("commit", "signed")


@dataclass(frozen=True, kw_only=True)
class Works:
    """An estate under an approval rule, with its stations and a home."""

    bench: Bench
    rule: str
    keys: Path

    def run(self, *args: object) -> Told:
        """Run a command at the home."""
        return asleft(*args, "--home", self.bench.home)

    def does(self, *args: object, code: int = 0) -> str:
        """Run a command that has to end with a code, and give what it said."""
        told = self.run(*args)
        assert told.code == code, (args, told)
        return told.out

    def approve(self, proposed: str) -> None:
        """Do what a proposal says is to be done to approve it, as Wren Halloway, who is an approver."""
        branch = re.search(r"on branch (\S+), commit ", proposed)
        assert branch is not None
        how = next(line for line in proposed.splitlines() if line.startswith("To approve it: "))
        if self.rule == "commit":
            assert how == f"To approve it: merge {branch[1]} into the branch that asleft follows"
            git(self.bench.repository, "merge", "--quiet", "--ff-only", branch[1])
            return
        told = re.search(r"git (cherry-pick --gpg-sign [0-9a-f]+), on the branch", how)
        assert told is not None, how
        git(self.bench.repository, *signing(self.keys / WREN), *told[1].split())

    def set_up(self, station: str) -> None:
        """Draw up the order that sets a station up, and have two people confirm it with every hazard ticked."""
        drawn = self.does("set-up", station, "--by", WREN)
        order = re.search(r"asleft confirm (\w+) ", drawn)
        assert order is not None
        hazards = sorted(set(re.findall(r"--accept (\S+)", drawn)))
        ticked = [word for hazard in hazards for word in ("--accept", hazard)]
        for by in (WREN, IDRIS):
            said = self.does("confirm", order[1], "--by", by, "--reason", "the first set-up", *ticked)
        assert "every write was read back as ordered" in said


@contextmanager
def works(folder: Path, rule: str) -> Iterator[Works]:
    """Set the example estate up under a rule; its first commit is an approver's, signed where the rule asks for it."""
    repository, home = folder / "estate", folder / "home"
    plant(repository)
    if rule == "signed":
        for name in (WREN, IDRIS):
            new_key(folder, name)
        for file, old, new in (
            ("estate.yaml", "approval: commit", "approval: signed"),
            ("people.yaml", "name: Wren Halloway", "name: Wren Halloway\n    signs-as: [wren]"),
            ("people.yaml", "name: Idris Quill", "name: Idris Quill\n    signs-as: [idris]"),
        ):
            text = (repository / file).read_text("utf-8")
            assert old in text
            (repository / file).write_text(text.replace(old, new), "utf-8")
        signers = line_of("wren", folder / WREN, "git") + line_of("idris", folder / IDRIS, "git")
        (repository / "allowed-signers").write_text(signers, "utf-8")
        git(repository, "add", "--all")
        git(repository, *signing(folder / WREN), "commit", "-S", "--quiet", "--message=Approve by signature")
    checked = make_home(home, {"baseline": str(repository)})
    assert checked.estate is not None, checked
    with FleetThread(Fleet.from_estate(checked.estate)) as fleet:
        bench = Bench(home=home, repository=repository, estate=checked.estate, fleet=fleet)
        yield Works(bench=bench, rule=rule, keys=folder)


@contextmanager
def a_stranger(bench: Bench, serial: str) -> Iterator[Station]:
    """Put a unit from its box, in factory state, into the hall's station range."""
    station = bench.add(57, serial)
    try:
        yield station
    finally:
        bench.fleet.call(station.switch_off)


@pytest.mark.parametrize("rule", RULES)
def test_a_new_unit_is_found_enrolled_approved_and_set_up(tmp_path: Path, rule: str) -> None:
    """Each command names the next one; nothing is in force before it is approved, and at the end the unit is as left."""
    with works(tmp_path, rule) as site, a_stranger(site.bench, "QS41-7777") as unit:
        found = site.does("find", HALL, "--no-announcements", code=3)
        assert f"asleft enrol {HALL} {unit.address} --name NAME" in found
        enrol = ("enrol", HALL, unit.address, "--name", "riser", "--role", "drums", "--as-role", *WHO)
        proposed = site.does(*enrol)
        assert proposed.splitlines()[-1] == f"Then: asleft set-up {RISER}"
        told = site.run("set-up", RISER, "--by", WREN)
        assert (told.code, f"there is no station '{RISER}'" in told.err) == (2, True)
        assert (unit.get("headphones.limiter"), unit.get("panel.menus")) == (False, "open")
        site.approve(proposed)
        site.set_up(RISER)
        left = {"headphones.limiter": True, "headphones.limiter-level": -9.0, "panel.menus": "locked"}
        assert {name: unit.get(name) for name in left} == left
        assert "11 as left" in site.does("round", "--site", HALL)
        assert f"{HALL}: 11 of its stations are where they are approved" in site.does(
            "find", HALL, "--no-announcements"
        )
        assert site.does("proposals") == "No proposal waits.\n"


@pytest.mark.parametrize("rule", RULES)
def test_a_unit_is_exchanged_approved_and_set_up(tmp_path: Path, rule: str) -> None:
    """Nothing is written to the new one before its serial is approved; then one order sets it up."""
    with works(tmp_path, rule) as site:
        bench = site.bench
        bench.fleet.call(bench.fleet.fleet.exchange, DRUMS, serial="QS41-9001")
        bench.fleet.call(bench.station(DRUMS).return_to_factory)
        found = site.does("find", HALL, "--no-announcements", code=3)
        assert f"asleft exchange {DRUMS} --serial QS41-9001" in found
        told = site.run("set-up", DRUMS, "--by", WREN)
        assert (told.code, "another unit answers" in told.out) == (6, True), told
        proposed = site.does("exchange", DRUMS, "--serial", "QS41-9001", *WHO)
        assert proposed.splitlines()[-1] == f"Then: asleft set-up {DRUMS}"
        assert site.run("set-up", DRUMS, "--by", WREN).code == 6
        assert bench.station(DRUMS).get("headphones.limiter") is False
        site.approve(proposed)
        site.set_up(DRUMS)
        assert bench.station(DRUMS).get("headphones.limiter") is True
        assert "10 as left" in site.does("round", "--site", HALL)


@pytest.mark.parametrize("rule", RULES)
def test_a_site_is_captured_and_approved(tmp_path: Path, rule: str) -> None:
    """What all stations were given stands once for the site; the lines before and after are counted; then nothing drifts."""
    with works(tmp_path, rule) as site:
        bench = site.bench
        for station in bench.estate.stations:
            if station.site == HALL:
                bench.meddle(str(station), "panel.display-dim", "60 %")
        bench.meddle(BASS, "tone.preset", "clear")
        site.does("round", "--site", HALL, code=3)
        proposed = site.does("capture", HALL, *WHO)
        counted = re.search(
            r"(\d+) lines of settings; with every station by itself they would be (\d+)", proposed
        )
        assert counted is not None
        assert int(counted[1]) < int(counted[2])
        assert f"  +++ b/sites/{HALL}/site.yaml" in proposed
        assert proposed.count("display-dim: 60 %") == 1
        site.does("round", "--site", HALL, code=3)
        site.approve(proposed)
        assert "10 as left" in site.does("round", "--site", HALL)


@pytest.mark.parametrize("rule", RULES)
def test_what_was_found_is_adopted_and_approved(tmp_path: Path, rule: str) -> None:
    """It drifts until it is approved, and no longer than that."""
    with works(tmp_path, rule) as site:
        site.bench.meddle(DRUMS, "tone.preset", "clear")
        site.does("round", "--site", HALL, code=3)
        proposed = site.does("adopt", DRUMS, *WHO)
        site.does("round", "--site", HALL, code=3)
        site.approve(proposed)
        assert "10 as left" in site.does("round", "--site", HALL)


@pytest.mark.parametrize("who", ["nobody", IDRIS])
def test_under_the_signed_rule_only_an_approvers_signature_brings_it_into_force(
    tmp_path: Path, who: str
) -> None:
    """Merged as it was proposed, or signed by somebody who is no approver: it drifts on, and people are told why."""
    with works(tmp_path, "signed") as site:
        site.bench.meddle(DRUMS, "tone.preset", "clear")
        site.does("round", "--site", HALL, code=3)
        site.does("adopt", DRUMS, *WHO)
        (branch,) = set(site.bench.branches()) - {"main"}
        if who == "nobody":
            git(site.bench.repository, "merge", "--quiet", "--ff-only", branch)
        else:
            git(site.bench.repository, *signing(site.keys / who), "cherry-pick", "--gpg-sign", branch)
        told = site.run("round", "--site", HALL)
        assert told.code == 3
        assert "clear, approved is deep" in told.out
        why = "it is not signed" if who == "nobody" else "does not have the right approve"
        assert f"{why}; have it signed by an approver" in told.err
        assert site.does("drifts", code=3).count("clear, approved is deep") == 1


def test_a_commit_beside_it_does_not_hinder(tmp_path: Path) -> None:
    """Somebody else's approved change came first: what was proposed before is approved on top of it."""
    with works(tmp_path, "commit") as site:
        site.bench.meddle(DRUMS, "tone.preset", "clear")
        site.does("round", "--site", HALL, code=3)
        site.does("adopt", DRUMS, *WHO)
        (branch,) = set(site.bench.branches()) - {"main"}
        site.bench.meddle(BASS, "panel.key-dim", "60 %")
        file = site.bench.repository / "sites" / HALL / "stations" / "bass.yaml"
        file.write_text(file.read_text("utf-8") + "  panel: {key-dim: 60 %}\n", "utf-8")
        commit(site.bench.repository, "Brighter keys for the bass")
        git(site.bench.repository, "merge", "--quiet", "--no-edit", branch)
        assert "10 as left" in site.does("round", "--site", HALL)
