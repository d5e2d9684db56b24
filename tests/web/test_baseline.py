"""Baseline: what is in force, why what is newer is not, and what that would do, no further than a person may look."""

import re
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import pytest

from asleft.domain.effects.beside import About, Note
from asleft.domain.effects.effect import Change, Effect, FoundAs, Group, Planned
from asleft.domain.estate import Estate, StationId
from asleft.domain.hazards import Hazard, HazardKind
from asleft.domain.layers import Origin
from asleft.domain.people import Approval, Person, Right
from asleft.domain.problems import Level, Problem
from asleft.domain.withheld import Withheld
from asleft.ports.baseline import Approver, Objection, OpenProposal, Revision
from asleft.web.discretion import Told
from asleft.web.pages.baseline import view_of
from asleft.web.pages.effects import effect_view
from asleft.web.past import Saying
from asleft.web.showing import text
from asleft.work.approved import BaselineUnusable, Stand
from asleft.work.judging import Judging
from estates import HALL, WREN
from stage import DRUMS as DRUMS_NAME
from web.page import Elements, a_page
from web.side_stage import PELL, alarmed, proposing

AT = datetime(2026, 6, 10, 12, tzinfo=UTC)
MAUD = Person(
    key="maud-tarrant",
    name="Maud Tarrant",
    rights=frozenset({Right.APPROVE}),
    sites=frozenset({"brackle-chapel"}),
)
OLD = Revision(commit="a" * 40, author="Wren Halloway", committed_at=AT, subject="Approve")
NEW = Revision(commit="b" * 40, author="<i>Idris</i>", committed_at=AT, subject="Louder")
DRUMS, ORGAN = StationId(HALL, "drums"), StationId("brackle-chapel", "organ")


def a_problem(file: str, level: Level = Level.ERROR) -> Problem:
    """Give a problem in a file."""
    return Problem(rule="a.rule", level=level, file=file, line=3, what=f"wrong in {file}", fix="mend it")


def a_stand(**more: object) -> Stand:
    """Give how a baseline stands whose newest revision is not in force."""
    given: dict[str, object] = {
        "rule": Approval.SIGNED,
        "in_force": OLD,
        "by": None,
        "on_trust": True,
        "newest": NEW,
        "fetched": AT,
        "waits": False,
        "unusable": None,
        "objections": (),
        "approvers": ("Wren Halloway",),
    }
    return Stand(**{**given, **more})  # type: ignore[arg-type]  # as written above


def an_effect() -> Effect:
    """Give an effect at two sites, by lines of both."""

    def line(site: str) -> Origin:
        return Origin(layer="site", file=f"sites/{site}/site.yaml", line=9)

    change = Change(
        setting="headphones.gain",
        meaning="headphone gain",
        before="0 dB",
        after="12 dB",
        was=(line(HALL), line("brackle-chapel"), Origin(layer="estate", file="estate.yaml", line=4)),
        by=line("brackle-chapel"),
        hazards=(
            Hazard(
                kind=HazardKind.HEARING,
                setting="headphones.gain",
                words="it gets louder",
                caution="Take them off.",
            ),
        ),
        found=(
            FoundAs(text="0 dB", so=False, stations=(DRUMS,)),
            FoundAs(text=None, so=False, stations=(ORGAN,)),
        ),
    )
    there = Planned(
        station=StationId("brackle-chapel", "choir"),
        model="m",
        role="",
        serial="",
        address="127.20.3.9",
        hearing=(),
    )
    return Effect(
        groups=(
            Group(model="m", stations=(DRUMS, ORGAN), facts=(), changes=(change,)),
            Group(model="m", stations=(ORGAN,), facts=(), changes=(change,)),
        ),
        added=(there,),
        removed=(),
        during=(),
        notes=(
            Note(about=About.ESTATE, subject="", words="the rule is another"),
            Note(about=About.PEOPLE, subject="Idris Quill (idris-quill)", words="may look at brackle-chapel"),
            Note(about=About.SITES, subject="brackle-chapel", words="has a calendar"),
        ),
        total=9,
        against_found=True,
    )


def test_an_effect_tells_nothing_of_hidden_sites() -> None:
    """Neither stations, nor lines of files, nor notes of a site that may not be looked at are told."""
    view = effect_view(an_effect(), lambda site: site == HALL, everywhere=False)
    assert "brackle" not in repr(view)
    (group,) = view.groups
    (change,) = group.changes
    assert (group.count, group.where, view.changed) == (1, (f"{HALL}: drums",), 1)
    assert change.was == (f"sites/{HALL}/site.yaml:9 (site)", "estate.yaml:4 (estate)")
    assert (change.by, change.found) == ("", ("0 dB",))
    assert view.notes == (("The estate", "", "the rule is another"),)


def test_an_effect_is_told_whole_to_who_may_look_everywhere() -> None:
    """Each group has its title by its worst hazard, and its cautions once."""
    view = effect_view(an_effect(), lambda _: True, everywhere=True)
    first = view.groups[0]
    assert first.title == "It can get louder at the ear"
    assert first.cautions == ("Take them off.",)
    assert first.changes[0].found == (f"0 dB at {HALL}: drums", "not known at brackle-chapel: organ")
    assert view.added == ("brackle-chapel/choir: m, no serial yet, at 127.20.3.9",)
    assert len(view.notes) == 3


def test_stations_as_found_are_told_by_whole_names() -> None:
    """A change of three hundred stations names a dozen of those that were found otherwise, and counts the rest."""
    every = tuple(StationId(f"hall-{number % 3}", f"station-{number:03}") for number in range(300))
    effect = an_effect()
    found = (
        FoundAs(text="x" * 500, so=False, stations=every[:200]),
        FoundAs(text=None, so=False, stations=every[200:]),
    )
    change = replace(effect.groups[0].changes[0], found=found)
    wide = replace(effect, groups=(replace(effect.groups[0], stations=every, changes=(change,)),))
    (group,) = effect_view(wide, lambda _: True, everywhere=True).groups
    for told, rest in zip(group.changes[0].found, (188, 88), strict=True):
        assert told.endswith(f" and {rest} more stations")
        assert len(re.findall(r"station-\d{3}\b", told)) == 12
        assert str(text(told, 1400)) == f"<bdi>{told}</bdi>"
    assert (
        group.changes[0].found[0].startswith("x" * 120 + "… (380 more characters) at hall-0: station-000, ")
    )
    assert [where.partition(" and ")[2] for where in group.where] == ["88 more stations"] * 3


def test_problems_of_hidden_files_are_counted_alone() -> None:
    """A problem is told where its file is of a site that may be looked at; the others are counted."""
    problems = [
        a_problem(f"sites/{HALL}/site.yaml"),
        a_problem("sites/brackle-chapel/site.yaml"),
        a_problem("people.yaml"),
    ]
    view = view_of(a_stand(), None, problems, sees=lambda site: site == HALL, everywhere=False, told=narrow())
    assert [one.about for one in view.errors.shown] == [f"sites/{HALL}/site.yaml:3"]
    assert view.errors.hidden == 2
    assert view_of(a_stand(), None, problems, sees=lambda _: True, everywhere=True).errors.hidden == 0


def narrow(**sayings: Saying) -> Told:
    """Give what may be told to somebody who may look at the hall alone."""
    estate = cast("Estate", SimpleNamespace(sites={}, people={MAUD.key: MAUD}))
    return Told(
        withheld=Withheld(estate, lambda site: site == HALL, everywhere=False),
        sayings={"a" * 40: Saying(), "b" * 40: Saying(), **sayings},
    )


def test_what_commits_say_is_told_where_it_may_be() -> None:
    """A subject may name any site, so of what is not known to be about own sites alone nobody reads it, nor who wrote it."""
    stand = a_stand(approvers=("Wren Halloway", "Maud Tarrant"))
    view = view_of(stand, None, (), sees=lambda site: site == HALL, everywhere=False, told=narrow())
    assert (view.newest.commit, view.newest.subject, view.newest.author) == ("b" * 40, "", "")
    assert view.approvers == ("Wren Halloway",)
    said = narrow(**{"b" * 40: Saying(subject="Louder", seen=True)})
    view = view_of(stand, None, (), sees=lambda site: site == HALL, everywhere=False, told=said)
    assert (view.newest.subject, view.newest.author) == ("Louder", "<i>Idris</i>")
    whole = view_of(stand, None, (), sees=lambda _: True, everywhere=True)
    assert (whole.newest, whole.approvers) == (NEW, ("Wren Halloway", "Maud Tarrant"))


def test_who_approved_is_named_where_they_may_be() -> None:
    """Somebody who has to do with other sites alone is somebody; that it was signed is told."""
    by = Approver(person=MAUD.key, name=MAUD.name, principal="maud@x.example", key="SHA256:x", tag="v2")
    told = view_of(a_stand(by=by), None, (), sees=lambda site: site == HALL, everywhere=False, told=narrow())
    assert told.approval == "signed by somebody of another site with tag v2"
    whole = view_of(a_stand(by=by), None, (), sees=lambda _: True, everywhere=True)
    assert whole.approval == "signed by Maud Tarrant with tag v2, as maud@x.example, key SHA256:x"


def test_objections_that_name_another_site_are_counted() -> None:
    """What an objection says may name files and people; the others are told, without what their commits say."""
    objections = (
        Objection(revision=NEW, what="nobody signed it", fix="sign it"),
        Objection(revision=NEW, what="Maud Tarrant signed it, who may not", fix="sign it"),
        Objection(revision=NEW, what="it touches sites/brackle-chapel/site.yaml", fix="sign it"),
    )
    stand = a_stand(objections=objections)
    view = view_of(stand, None, (), sees=lambda site: site == HALL, everywhere=False, told=narrow())
    (one,) = view.objections.shown
    assert (one.about, one.what, view.objections.hidden) == (f"{'b' * 10}, 2026-06-10", "nobody signed it", 2)


def test_a_problem_is_told_once() -> None:
    """What makes the newest unusable is not told again as what the check says of it."""
    errors = [a_problem("estate.yaml")]
    stand = a_stand(unusable=BaselineUnusable(NEW.commit, errors))
    view = view_of(stand, None, errors, sees=lambda _: True, everywhere=True)
    assert (len(view.errors.shown), view.problems.shown) == (1, ())
    assert view.unusable == "b" * 10


@pytest.mark.parametrize("count", [1, 50, 73])
def test_many_objections_are_counted(count: int) -> None:
    """So many objections are told, the rest is counted."""
    objection = Objection(revision=NEW, what="nobody signed it", fix="sign it", tag="v2")
    view = view_of(a_stand(objections=(objection,) * count), None, (), sees=lambda _: True, everywhere=True)
    assert len(view.objections.shown) + view.objections.more == count
    assert view.objections.shown[0].about.startswith("tag v2 of bbbbbbbbbb by <i>Idris</i>")


async def test_the_newest_in_force_is_told_plainly(tmp_path: Path) -> None:
    """Where nothing is newer, the page says so, by which rule, and who approved it."""
    with a_page(tmp_path) as page:
        async with page.signed_in() as client:
            answer = await client.get("/baseline")
    assert answer.status_code == 200
    text = Elements(answer.text).text
    assert "The newest revision is in force." in text
    assert page.bench.estate.commit[:10] in text
    ways = [one.get("href") for one in Elements(answer.text).of("a")]
    assert f"/history/{page.bench.estate.commit}" in ways
    assert "no signature was asked for" in text
    assert "What the newest would do" not in text


async def test_what_is_newer_and_good_shows_its_effect(tmp_path: Path) -> None:
    """A newer revision that was fetched and not judged yet says what it would do, with hazard and caution."""
    with a_page(tmp_path) as page:
        await page.desk.round()
        page.bench.approve("estate.yaml", "gain: 0 dB", "gain: 12 dB")
        page.desk._baseline.refresh()
        async with page.signed_in() as client:
            text = Elements((await client.get("/baseline")).text).text
    assert "The newest revision is not in force." in text
    assert "the next round brings it into force" in text
    assert "It can get louder at the ear" in text
    assert "0 dB → +12 dB" in text or "0 dB → 12 dB" in text
    assert "Caution:" in text


async def test_what_is_newer_and_bad_shows_why(tmp_path: Path) -> None:
    """A newer revision that cannot be used is told with file, line and what to do; foreign text in it stays text."""
    with a_page(tmp_path) as page:
        page.bench.approve("estate.yaml", "gain: 0 dB", "gain: <script>alert(1)</script>")
        await page.desk.round()
        async with page.signed_in() as client:
            answer = await client.get("/baseline")
    made = Elements(answer.text)
    assert "cannot be used" in made.text
    assert "estate.yaml:" in made.text
    assert all((one.get("src") or "").startswith("/static/") for one in made.of("script"))
    assert "What the newest would do" not in made.text


async def test_the_baseline_is_asked_once_in_a_while(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """To judge takes git some time: a page that is loaded again at once gives the same answer, later a new one."""
    asked: list[None] = []
    with a_page(tmp_path) as page:
        honest = Judging.stand

        def stand(self: Judging) -> Stand:
            asked.append(None)
            return honest(self)

        monkeypatch.setattr(Judging, "stand", stand)
        async with page.signed_in() as client:
            await client.get("/baseline")
            await client.get("/baseline")
            assert len(asked) == 1
            await page.clock.sleep(6)
            await client.get("/baseline")
    assert len(asked) == 2


async def test_the_baseline_is_for_people_who_may_look(tmp_path: Path) -> None:
    """Nobody sees it who is not signed in, or has no right to look."""
    with a_page(tmp_path) as page:
        async with page.client() as client:
            assert (await client.get("/baseline")).status_code == 303
        page.bench.approve(
            "people.yaml", "name: Pell Osgood, rights: [look]", "name: Pell Osgood, rights: [acknowledge]"
        )
        await page.desk.round()
        async with page.signed_in("pell-osgood") as client:
            assert (await client.get("/baseline")).status_code == 403
            assert (await client.get("/people")).status_code == 403


async def test_proposals_wait_with_what_they_would_do(tmp_path: Path) -> None:
    """Each leads to its effect, hazard and caution with it; nobody finds one that is not there."""
    with a_page(tmp_path) as page, proposing(page):
        async with page.signed_in() as client:
            assert "None waits." in Elements((await client.get("/baseline")).text).text
            await alarmed(page, "headphones.gain", "+12 dB")
            await page.desk.proposing.adopt(
                DRUMS_NAME, ["headphones.gain"], by=WREN, reason="<b>the drummer asked</b>"
            )
            await page.clock.sleep(60)
            text = (await client.get("/baseline")).text
            assert f"{DRUMS_NAME}: proposed headphones.gain 0 dB → +12 dB as left" in Elements(text).text
            found = re.search(r'href="(/baseline/proposals/[0-9a-f]{40})"', text)
            assert found is not None
            answer = await client.get(found[1])
            said = Elements(answer.text).text
            assert "by Wren Halloway" in said
            assert f"sites/{HALL}/stations/drums.yaml" in said
            assert "merge asleft/adopt-quillfen-hall-drums" in said
            assert "It can get louder at the ear" in said
            assert "0 dB → +12 dB" in said
            assert "Caution: Take the earphones out" in said
            assert "which is not in force now" not in said
            for wrong in ("f" * 40, "x", "..%2f", "<b>"):
                assert (await client.get(f"/baseline/proposals/{wrong}")).status_code == 404
            page.bench.approve("people.yaml", "name: Pell Osgood", "name: Pell O.")
            await page.desk.round()
            assert "which is not in force now" in Elements((await client.get(found[1])).text).text
        async with page.signed_in(PELL) as client:
            assert (await client.get(found[1])).status_code == 200


def test_proposals_for_other_sites_are_counted() -> None:
    """Who may look at one site sees what touches that one alone; the rest is a number, and fifty are listed."""

    def a_proposal(*files: str) -> OpenProposal:
        return OpenProposal(branch="asleft/adopt-x", revision=NEW, base="c" * 40, files=files)

    ours, others = a_proposal(f"sites/{HALL}/stations/drums.yaml"), a_proposal("estate.yaml")
    view = view_of(
        a_stand(),
        None,
        (),
        sees=lambda site: site == HALL,
        everywhere=False,
        waiting=[ours, others, ours],
        told=narrow(),
    )
    assert (len(view.waiting), view.waiting_hidden, view.waiting_more) == (2, 1, False)
    many = view_of(a_stand(), None, (), sees=lambda _: True, everywhere=True, waiting=[others] * 51)
    assert (len(many.waiting), many.waiting_hidden, many.waiting_more) == (50, 0, True)
