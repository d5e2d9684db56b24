"""Who may look at one site is told nothing of another one: by no page, no answer, no refusal; each is asked for everything."""

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx

from asleft.domain.problems import Level, Problem
from asleft.domain.withheld import Withheld, may_see_problem
from browser.tour import PAGES
from estates import HALL, IDRIS, WREN, commit
from stage import DRUMS
from web.api.program import a_program, a_token
from web.hidden_site import GONG, LUTE, ORLA, VAULT, Hidden, everything_happens, two_sites
from web.page import Page
from web.side_stage import send
from web.test_hostile_pages import shown_routes, ways

DOCUMENT = Path(__file__).parents[2] / "shared/openapi.json"
_LINK = re.compile(r'href="(/[^"#]*)"')
_MOST = 400


async def asked_for(client: httpx.AsyncClient, paths: list[str], hidden: Hidden) -> list[str]:
    """Ask for paths, and for all to which they lead; gives where a hidden word stands, and which one."""
    wrong: list[str] = []
    done: set[str] = set()
    ahead = [*paths]
    while ahead and len(done) < _MOST:
        path = ahead.pop(0)
        if path in done:
            continue
        done.add(path)
        answer = await client.get(path)
        if answer.status_code >= 500:
            wrong.append(f"{path}: {answer.status_code}")
        wrong += [f"{path}: {word}" for word in hidden.among(answer.text + str(answer.headers))]
        ahead += [link.replace("&amp;", "&") for link in _LINK.findall(answer.text)]
    assert len(done) > len(set(paths))
    return wrong


def parts_of(page: Page, hidden: Hidden) -> dict[str, list[str]]:
    """Give what may stand for each part of a path: all commits and orders, whatever they are about, and own places."""
    return {
        "site": [HALL],
        "name": ["drums", "bass"],
        "station": ["drums"],
        "setting": ["headphones.gain", "panel.menus"],
        "commit": [one.commit for one in page.desk.entries()],
        "order": [*(kept.id for kept in page.desk.orders()), hidden.group],
        "proposal": [one.revision.commit for one in page.desk.proposals(9)],
    }


def operations(page: Page, hidden: Hidden) -> Iterator[str]:
    """Give every GET operation of the document, with all that may stand in its address."""
    document: dict[str, Any] = json.loads(DOCUMENT.read_text("utf-8"))
    parts = parts_of(page, hidden)
    for path, some in document["paths"].items():
        if "get" in some:
            given = {**parts, "commit": parts["proposal"]}
            yield from ways(path, given)
    for query in (
        "orders?all=true",
        "history?kind=found",
        "account?from=30d",
        "agenda/quillfen-hall?days=60",
    ):
        yield f"/api/{query}"


async def told(page: Page, hidden: Hidden) -> list[str]:
    """Ask for everything as a person of the other site, and as a program of theirs."""
    parts = parts_of(page, hidden)
    paths = [*PAGES, *(path for route in shown_routes(page) for path in ways(route, parts))]
    async with page.signed_in(IDRIS) as client:
        wrong = await asked_for(client, paths, hidden)
    async with a_program(page, token=a_token(page, IDRIS, name="everything")) as program:
        for path in operations(page, hidden):
            answer = await program.get(path)
            assert answer.status_code < 500, (path, answer.text)
            wrong += [f"{path}: {word}" for word in hidden.among(answer.text)]
    return wrong


async def test_nothing_of_another_site_is_told(tmp_path: Path) -> None:
    """Drift, alarms, orders, a loan, proposals, a station out of service and a newer revision there have no name here."""
    with two_sites(tmp_path) as page:
        hidden = await everything_happens(page)
        assert await told(page, hidden) == []
        async with page.signed_in(WREN) as client:  # the same pages name it to who may look everywhere
            for path in ("/", "/orders", "/history", "/baseline", "/people", "/figures"):
                assert hidden.among((await client.get(path)).text), path


async def test_a_newer_revision_names_no_other_site(tmp_path: Path) -> None:
    """Units that went from one site to the other, a subject about both: what it would do is told in other words."""
    with two_sites(tmp_path) as page:
        hidden = await everything_happens(page)
        for path, old, new in (
            (f"sites/{HALL}/stations/drums.yaml", "QS41-2011", "VEX9-7011"),
            (f"sites/{VAULT}/stations/vexgong.yaml", "VEX9-7011", "QS41-2011"),
        ):
            file = page.bench.repository / path
            text = file.read_text("utf-8")
            assert old in text
            file.write_text(text.replace(old, new), "utf-8")
        newest = commit(page.bench.repository, "Vexholm lends its unit to the hall")
        page.desk._baseline.refresh()
        # The serial is the hall's own now, so it may be told; whose unit it was may not.
        hidden = Hidden(
            words=tuple({*hidden.words, "vexgong", "vexholm"} - {"vex"}),
            order=hidden.order,
            group=hidden.group,
            proposal=hidden.proposal,
        )
        assert await told(page, hidden) == []
        async with a_program(page, IDRIS) as program:
            effect = (await program.get("/api/effect")).json()
            assert effect["to"]["commit"] == newest
            assert effect["to"]["subject"] == f"{HALL}: a part of what was committed together with more"
            ((fact,),) = [group["unit"] for group in effect["groups"]]
            assert fact["to"] == "VEX9-7011, until now the unit of another site's station"
        async with page.signed_in(IDRIS) as client:
            text = (await client.get("/baseline")).text
            assert "until now the unit of another site&#39;s station" in text
        async with a_program(page, WREN) as program:
            text = (await program.get("/api/effect")).text
            assert "Vexholm lends" in text
            assert f"until now the unit of {GONG}" in text


async def test_a_bad_revision_names_no_other_site(tmp_path: Path) -> None:
    """A serial that stands twice is an error of both files; why no baseline comes into force stands on every page, without names."""
    with two_sites(tmp_path) as page:
        hidden = await everything_happens(page)
        page.bench.approve(f"sites/{VAULT}/stations/vexlute.yaml", "VEX9-7012", "QS41-2011")
        page.desk._fetched()  # as before an order is drawn up
        assert any(hidden.among(notice) for notice in page.desk.notices), page.desk.notices
        assert await told(page, hidden) == []


REFUSED: tuple[tuple[str, dict[str, object]], ...] = (
    ("exchange", {"name": DRUMS, "serial": "VEX9-7012"}),
    ("restore", {"names": [DRUMS, GONG]}),
    ("restore", {"names": [HALL, VAULT]}),
    ("adopt", {"name": LUTE}),
    ("adopt", {"name": DRUMS, "layer": "estate", "settings": ["headphones.gain"]}),
    (
        "concede",
        {"name": DRUMS, "setting": "panel.menus", "holder": "orla-vexlei", "until": "2026-12-01"},
    ),
    ("enrol", {"site": VAULT, "address": "127.0.0.9", "name": "new"}),
    ("confirm", {"order": "{group}"}),
    ("lend", {"name": LUTE, "setting": "panel.menus", "value": "open", "seconds": 3600}),
    ("acknowledge", {"name": LUTE}),
)


async def test_refusals_name_no_other_site(tmp_path: Path) -> None:
    """What a program sends is answered without a word that it did not send itself; so is what a form sends."""
    with two_sites(tmp_path) as page:
        hidden = await everything_happens(page)
        wrong: list[str] = []
        async with a_program(page, IDRIS) as program:
            for name, given in REFUSED:
                sent = {**given, "reason": "before doors"}
                sent = {key: hidden.group if value == "{group}" else value for key, value in sent.items()}
                answer = await program.post(f"/api/{name}", json=sent)
                text = answer.text
                for word in _strings(sent):  # what was typed may come back
                    text = text.replace(word, "")
                wrong += [f"{name} {given}: {word}: {answer.text}" for word in hidden.among(text)]
            answer = await program.post(
                "/api/exchange", json={"name": DRUMS, "serial": "VEX9-7012", "reason": "it fell"}
            )
            assert answer.json()["detail"] == "serial VEX9-7012 is the unit of another site's station"
        async with page.signed_in(IDRIS) as client:
            for path, act, fields in (
                (f"/stations/{DRUMS}", "adopt", {"setting": "headphones.gain", "layer": "estate"}),
                (f"/alarms/{DRUMS}/headphones.gain", "adopt", {"layer": "estate"}),
                (f"/alarms/{DRUMS}/panel.menus", "concede", {"holder": "orla-vexlei", "day": "2026-12-01"}),
                (f"/orders/{hidden.group}", "confirm", {}),
            ):
                answer = await send(client, path, act, reason="before doors", **fields)
                text = answer.text.replace("orla-vexlei", "")
                if answer.status_code == 303:
                    text += (await client.get(answer.headers["location"])).text
                wrong += [f"{path} {act}: {word}" for word in hidden.among(text)]
        assert wrong == []


def _strings(sent: object) -> Iterator[str]:
    if isinstance(sent, str):
        yield sent
    elif isinstance(sent, dict):
        for value in sent.values():
            yield from _strings(value)
    elif isinstance(sent, list):
        for value in sent:
            yield from _strings(value)


async def test_a_proposal_counts_what_it_does_elsewhere(tmp_path: Path) -> None:
    """The warnings of a proposal for the whole estate name own stations, and say how many others there are."""
    with two_sites(tmp_path) as page:
        hidden = await everything_happens(page)
        async with a_program(page, IDRIS) as program:
            sent = {"name": DRUMS, "settings": ["headphones.gain"], "layer": "estate", "reason": "all of us"}
            answer = await program.post("/api/adopt", json=sent)
        made = answer.json()
        assert hidden.among(answer.text) == []
        others = f"{HALL}/bass, and 3 of other sites"
        assert f"4 other stations change, too: {others}" in made["warnings"]
        (louder,) = [one for one in made["warnings"] if one.startswith("it can get louder at the ear there")]
        assert others in louder
        assert "Take the earphones out" in louder


def withheld(page: Page, *sites: str) -> Withheld:
    """Give what somebody may not be told who may look at some sites."""
    return Withheld(page.bench.estate, lambda site: site in sites, everywhere=False)


def test_what_is_withheld_has_other_words(tmp_path: Path) -> None:
    """Sites, stations, files and people of another site; own ones keep their names, and so does what only begins alike."""
    with two_sites(tmp_path) as page:
        kept = withheld(page, HALL)
        for text, said in (
            (f"it is the unit of {GONG} too", "it is the unit of another site's station too"),
            (f"sites/{VAULT}/stations/vexgong.yaml:3: no", "another site's file: no"),
            (f"see sites/{VAULT}.", "see another site's file."),
            (f"the subnet overlaps that of {VAULT}", "the subnet overlaps that of another site"),
            ("Vexholm Vault is dark", "another site is dark"),
            (f"ask {ORLA}, or Odo Vexley", "ask somebody of another site, or somebody of another site"),
            (f"{DRUMS} and {VAULT}-two/a", f"{DRUMS} and {VAULT}-two/a"),
            ("ask wren-halloway at Quillfen Hall", "ask wren-halloway at Quillfen Hall"),
        ):
            assert kept.say(text) == said
        for text in (
            f"at {VAULT}",
            "the unit of new-barn/organ too",
            "sites/new-barn/site.yaml:1 is new",
            ORLA,
        ):
            assert kept.holds(text), text
        for text in (
            DRUMS,
            f"sites/{HALL}/site.yaml:3",
            "roles/drums.yaml:2",
            "Europe/Berlin",
            "127.0.0.0/24",
        ):
            assert not kept.holds(text), text
        everything = Withheld(page.bench.estate, lambda _: True, everywhere=True)
        assert everything.say(f"at {VAULT}") == f"at {VAULT}"
        assert not everything.holds("new-barn/organ")


def test_a_problem_of_an_own_file_may_name_another_site(tmp_path: Path) -> None:
    """Then it is not told, as if the file were of that one; the file alone is not asked."""
    with two_sites(tmp_path) as page:
        kept = withheld(page, HALL)

        def seen(what: str, *, everywhere: bool = False) -> bool:
            one = Problem(
                rule="serial.twice",
                level=Level.ERROR,
                file=f"sites/{HALL}/stations/drums.yaml",
                line=1,
                what=what,
                fix="a unit can be in one place only",
            )
            return may_see_problem(one, lambda site: site == HALL, kept, everywhere=everywhere)

        assert not seen(f"serial QS41-2011 is the unit of {LUTE} too")
        assert not seen("serial QS41-2011 is the unit of new-barn/organ too")
        assert seen(f"serial QS41-2011 is the unit of {HALL}/bass too")
        assert seen(f"serial QS41-2011 is the unit of {LUTE} too", everywhere=True)


async def test_a_clock_is_named_to_who_sees_sites_with_different_ones(tmp_path: Path) -> None:
    """Each time says by whose clock it is; who sees the sites of one clock alone reads times as they are on its walls."""
    with two_sites(tmp_path) as page:
        await everything_happens(page)
        async with page.signed_in() as all_sites, page.signed_in(IDRIS) as one_site:
            for path in (
                "/",
                f"/sites/{HALL}",
                f"/stations/{DRUMS}",
                "/history",
                "/orders",
                f"/state/{DRUMS}",
            ):
                named = [told_times(await client.get(path)) for client in (all_sites, one_site)]
                assert named[0], path
                assert all(re.search(r" (Europe/(Berlin|Lisbon)|UTC)$", one) for one in named[0]), path
                assert not any("Europe/" in one for one in named[1]), path
            clocks = {one.rpartition(" ")[2] for one in told_times(await all_sites.get("/"))}
            assert clocks >= {"Europe/Berlin", "Europe/Lisbon"}


def told_times(answer: httpx.Response) -> list[str]:
    """Give the times of a page as they are read."""
    return re.findall(r"<time [^>]*>([^<]*)</time>", answer.text)
