"""Rules about recording."""

from dataclasses import replace

import pytest

from asleft.domain.problems import Level, Problem
from asleft.domain.recording import Recording
from asleft.domain.rules.recording import RULES, check_site
from asleft.domain.streams import Network, StreamFormat
from domain.patched import station, stations, view

PLAN = Recording(disk_bytes=500 * 10**9, hours=3)


def told(recording: Recording | None, network: Network | None = None) -> list[Problem]:
    """Give what is wrong with a recording of the drummer's pair alone."""
    return list(check_site(view(None, stations(), recording=recording, network=network)))


def test_a_good_plan_breaks_nothing() -> None:
    """Three hours of one pair fit, and a site that does not record is not asked."""
    assert told(PLAN) == []
    assert told(None) == []
    assert told(Recording()) == []
    assert told(PLAN, Network()) == []


def test_a_disk_that_is_too_small() -> None:
    """Planned hours that do not fit are an error that says when the disk is full."""
    looked_at = view(None, stations(), recording=replace(PLAN, disk_bytes=2 * 10**9))
    (problem,) = check_site(looked_at)
    assert (problem.rule, problem.level) == ("recording.disk", Level.ERROR)
    assert problem.line == looked_at.site.origin("recording", "disk-free").line
    # 2,000,000,000 bytes at 288,000 a second (computed) are 6944 s.
    assert problem.what == (
        "3 h of 1 stereo pair take 3.11 GB, but 2.00 GB are free: the disk is full after 1:55:44"
    )


def test_a_disk_that_is_just_large_enough() -> None:
    """A disk that is full at the last byte of the plan is large enough."""
    assert told(replace(PLAN, disk_bytes=3 * 1_036_800_000)) == []
    assert [problem.rule for problem in told(replace(PLAN, disk_bytes=3 * 1_036_800_000 - 1))] == [
        "recording.disk"
    ]


@pytest.mark.parametrize("one_file,fix", [(True, "one file a pair"), (False, "split the files")])
def test_a_file_that_passes_four_gibibytes(*, one_file: bool, fix: str) -> None:
    """A stereo file passes 4 GiB after 4:08:33 (EBU Tech 3285), and then has to be RF64 (EBU Tech 3306) or split."""
    looked_at = view(None, stations(), recording=replace(PLAN, hours=5, one_file=one_file))
    (problem,) = check_site(looked_at)
    assert (problem.rule, problem.level) == ("recording.size", Level.WARNING)
    assert problem.line == looked_at.site.origin("recording", "hours").line
    assert problem.what.endswith("passes 4 GiB after 4:08:33, within the planned 5 h")
    assert "RF64 (EBU Tech 3306)" in problem.fix
    assert fix in problem.fix


def test_nothing_to_record() -> None:
    """A recording for which no station sends anything is told, with the file in which to change that."""
    there = {"bass": station("bass", {"outputs.network": "off"})}
    (problem,) = check_site(view(None, there, recording=PLAN))
    assert (problem.rule, problem.level) == ("recording.nothing", Level.WARNING)
    assert "'recording'" in problem.what
    assert "occasions/recording.yaml" in problem.fix


def test_a_recorder_at_another_rate() -> None:
    """A recorder that does not run at the network's sample rate is told."""
    (problem,) = told(PLAN, Network(format=StreamFormat(sample_rate=96_000, samples=96)))
    assert (problem.rule, problem.what) == (
        "recording.rate",
        "the recorder runs at 48000 Hz, the network at 96000 Hz",
    )


def test_every_rule_has_a_name_of_its_own() -> None:
    """Ids are of this room and differ."""
    ids = [rule.id for rule in RULES]
    assert len(set(ids)) == len(ids) == 5
    assert all(rule.id.startswith("recording.") for rule in RULES)
