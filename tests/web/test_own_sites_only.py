"""Somebody of one site is told of that one alone, by each page and each operation there is, over a real socket.

What each is asked, and how it answers, is in `PAGES` of every_page.py and in `OPERATIONS_ASKED` of api/every_operation.py; a new
one has to be put there. What happened before is what another site leaves its name behind with at one's own station: a unit that
came from there, a group over both that ended there first, and names that are near to those of there.
"""

import re
from collections.abc import AsyncIterator, Iterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import httpx
import pytest

from asleft.domain.accounts import Whence
from asleft.domain.errors import AsleftError
from asleft.domain.evidence.seeing import Scope
from asleft.domain.orders import OrderState
from asleft.domain.withheld import Withheld
from asleft.simulator.manners import Manners
from asleft.web.api.table import OPERATIONS
from asleft.web.app import _pages
from asleft.web.web import Web
from asleft.work.in_part import InPart
from asleft.work.ordering import NoStation
from asleft.work.proposing.words import CannotPropose
from domain.evidencing import record
from estates import HALL, IDRIS, WREN, commit
from stage import DRUMS, confirm_group, drawn
from web.api.every_operation import OPERATIONS_ASKED
from web.api.program import a_program, a_server, a_token
from web.every_page import BASS, PAGES, Visit
from web.hidden_site import GONG, LUTE, ORLA, VAULT, Hidden, everything_happens, two_sites
from web.order_forms import plain, token
from web.page import GOOD, Page, form_token
from web.side_stage import shown_on

_NAME = re.compile(r"\{([a-z-]+)\}")
_SHORT = 3
OTHERS_UNIT = "the unit of another site's station"
OTHERS_STATION = "another site's station went wrong before its turn"


@dataclass(frozen=True, kw_only=True, slots=True)
class Scene:
    """What happened, and what of it may stand nowhere.

    Args:
        page: The page.
        hidden: What may stand nowhere.
        names: What names in braces stand for.
    """

    page: Page
    hidden: Hidden
    names: Mapping[str, tuple[str, ...]]

    def named(self, text: str) -> Iterator[str]:
        """Give a text with what its names in braces stand for, once for each."""
        found = _NAME.search(text)
        if found is None:
            yield text
            return
        for value in self.names[found[1]]:
            yield from self.named(text.replace(found[0], value, 1))

    def among(self, told: str, typed: object) -> list[str]:
        """Give what stands in an answer and may not, with what is round it; what was typed may be told again."""
        for word in sorted(_strings(typed), key=len, reverse=True):
            told = told.replace(word, "")
        small = told.lower()
        places = [(word, small.index(word)) for word in self.hidden.among(told)]
        return [f"{word} in {told[max(0, at - 60) : at + 60]!r}" for word, at in places]


def _strings(sent: object) -> Iterator[str]:
    """Give what was typed and is long enough to be a name."""
    if isinstance(sent, str):
        words = (sent, *re.split("[?&=]", sent))
        yield from (word for word in words if len(word) > _SHORT and word not in {HALL, DRUMS, BASS})
    elif isinstance(sent, Mapping):
        for value in sent.values():
            yield from _strings(value)
    elif isinstance(sent, list | tuple):
        for value in sent:
            yield from _strings(value)


def roles(page: Page) -> None:
    """Approve a role at both sites, and one at the hidden one alone."""
    repository = page.bench.repository
    (repository / "roles").mkdir(exist_ok=True)
    for role in ("strings", "vexed"):
        text = f"format: asleft-role-1\nmeaning: Who plays {role}\n"
        (repository / f"roles/{role}.yaml").write_text(text, "utf-8")
    for station, role in ((BASS, "strings"), (LUTE, "strings"), (GONG, "vexed")):
        site, _, name = station.partition("/")
        path = repository / f"sites/{site}/stations/{name}.yaml"
        path.write_text(path.read_text("utf-8").replace("serial:", f"role: {role}\nserial:"), "utf-8")
    commit(repository, "Approve roles")
    page.desk._fetched()


@asynccontextmanager
async def a_scene(folder: Path) -> AsyncIterator[Scene]:
    """Let a group over both sites end at the other one first, and a unit of there stand at an own station."""
    with two_sites(folder) as page:
        roles(page)
        hidden = await everything_happens(page)
        desk, bench = page.desk, page.bench
        # The beginning of an address alone may be that of one of the own site, too.
        hidden = replace(hidden, words=(*hidden.words[:-1], f"{hidden.words[-1]}."))
        bench.meddle(LUTE, "panel.menus", "open")
        # The one with the fewest writes is the first of its group.
        for setting, value in (
            ("panel.menus", "open"),
            ("panel.display-dim", "80 %"),
            ("panel.key-dim", "60 %"),
        ):
            bench.meddle(BASS, setting, value)
        await desk.round()
        table = bench.station(LUTE).table
        menus = bench.station(LUTE).profile.settings["panel.menus"].point.path
        table.manners = Manners(refuse_writes_to={menus: 7})
        kepts = await confirm_group(desk, await drawn(desk, LUTE, BASS), WREN)
        table.manners = Manners()
        ended = next(kept for kept in kepts if str(kept.order.station) == BASS)
        assert ended.state is OrderState.REFUSED
        assert ended.outcome == f"nothing was written: {LUTE} went wrong before its turn"
        for file, before, after in (
            (f"sites/{VAULT}/stations/vexlute.yaml", "VEX9-7012", "QS41-0001"),
            (f"sites/{HALL}/stations/bass.yaml", "QS41-2012", "QS41-0002"),
            (f"sites/{VAULT}/stations/vexlute.yaml", "QS41-0001", "QS41-2012"),
        ):
            bench.approve(file, before, after)
        await desk.round()
        await page.clock.sleep(600)
        await desk.round()
        desk.acknowledge(BASS, "exchanged", WREN, f"it is the one of {LUTE}")
        kept = {str(one.order.station): one for one in desk.orders_in(hidden.group)}
        yield Scene(
            page=page,
            hidden=hidden,
            names={
                "own": (kept[DRUMS].id,),
                "group": (hidden.group,),
                "hidden": (kept[GONG].id,),
                "ended": (ended.id,),
                "ended-group": (ended.group,),
                "commit": tuple(one.commit for one in desk.entries()),
                "proposal": tuple(one.revision.commit for one in desk.proposals(9)),
            },
        )


@asynccontextmanager
async def a_browser(page: Page, key: str) -> AsyncIterator[httpx.AsyncClient]:
    """Give a browser in which somebody is signed in, over a real socket."""
    link = page.accounts.make_link(key, Whence("command line"), by="a test")
    headers = {"Sec-Fetch-Site": "same-origin"}
    async with (
        a_server(page) as url,
        httpx.AsyncClient(base_url=url, headers=headers, timeout=30) as client,
    ):
        sent = {"form-token": await form_token(client, link.path), "password": GOOD, "again": GOOD}
        answer = await client.post(link.path, data=sent)
        assert answer.status_code == 303, answer.text
        yield client


async def asked(client: httpx.AsyncClient, method: str, path: str, visit: Visit) -> tuple[int, str]:
    """Ask a page for something; gives the status, and all that is told, also by the page to which it leads."""
    if method == "GET":
        answer = await client.get(path)
        return answer.status_code, answer.text + str(answer.headers)
    fields = dict(visit.fields)
    if fields.get("act") in {"acknowledge", "shelve"}:
        text = (await client.get(path)).text
        fields["shown"] = shown_on(text, str(fields["act"]), str(fields.get("cause", "")))
    answer = await client.post(path, data={"form-token": await token(client), **fields})
    told = answer.text + str(answer.headers)
    if answer.status_code == 303:
        told += (await client.get(answer.headers["location"])).text
    return answer.status_code, told


async def test_no_page_names_another_site(tmp_path: Path) -> None:
    """Whatever is shown, whatever is done where somebody may look, and whatever is refused there."""
    wrong: list[str] = []
    async with a_scene(tmp_path) as scene:
        routes = {
            f"{method} {route.path}"
            for route in _pages(Web(scene.page.parts))
            for method in (route.methods or set()) - {"HEAD"}
        }
        assert routes == PAGES.keys(), "say in PAGES what it tells"
        async with a_browser(scene.page, IDRIS) as client:
            for row, visits in PAGES.items():
                method = row.partition(" ")[0]
                for visit in visits:
                    for path in scene.named(visit.path):
                        status, told = await asked(client, method, path, visit)
                        if status not in visit.status:
                            wrong.append(f"{method} {path} {visit.fields}: {status} {plain(told)[:400]}")
                        wrong += [
                            f"{method} {path}: {word}" for word in scene.among(told, [path, visit.fields])
                        ]
    assert not wrong, "\n".join(wrong)


async def test_no_operation_names_another_site(tmp_path: Path) -> None:
    """The same for a program: each operation of the document, done and refused."""
    wrong: list[str] = []
    async with a_scene(tmp_path) as scene:
        assert {one.name for one in OPERATIONS} == OPERATIONS_ASKED.keys(), (
            "say in OPERATIONS_ASKED what it tells"
        )
        by_name = {one.name: one for one in OPERATIONS}
        async with a_program(scene.page, token=a_token(scene.page, IDRIS, name="all of it")) as program:
            for name, requests in OPERATIONS_ASKED.items():
                one = by_name[name]
                for request in requests:
                    sent = {
                        key: next(scene.named(value)) if isinstance(value, str) else value
                        for key, value in request.sent.items()
                    }
                    for path in scene.named(f"/api/{request.path}" if request.path else one.path):
                        answer = await program.request(one.method, path, json=sent or None)
                        if answer.status_code not in request.status:
                            wrong.append(f"{path} {sent}: {answer.status_code} {answer.text[:600]}")
                        wrong += [f"{path} {sent}: {word}" for word in scene.among(answer.text, [path, sent])]
    assert not wrong, "\n".join(wrong)


async def test_other_words_stand_in_their_place(tmp_path: Path) -> None:
    """Where the name stood it says what it may; who may look everywhere is told it."""
    pages = {
        f"/alarms/{BASS}/exchanged": (OTHERS_UNIT, LUTE),
        f"/stations/{BASS}": ("it is the one of another site's station", LUTE),
        f"/alarms/{HALL}": (OTHERS_UNIT, LUTE),
        f"/sites/{HALL}": (OTHERS_UNIT, LUTE),
        "/orders/{ended}": (OTHERS_STATION, LUTE),
        "/orders/{ended-group}": (OTHERS_STATION, LUTE),
        "/orders": (OTHERS_STATION, LUTE),
        "/history.csv": (OTHERS_STATION, LUTE),
        "/accounting?from=30d": (OTHERS_STATION, LUTE),
    }
    operations = {
        "/api/now": (OTHERS_UNIT, LUTE),
        "/api/alarms": (OTHERS_UNIT, LUTE),
        f"/api/stations/{BASS}": (OTHERS_UNIT, LUTE),
        f"/api/sites/{HALL}": (OTHERS_UNIT, LUTE),
        "/api/orders?all=true": (OTHERS_STATION, LUTE),
        "/api/orders/{ended}": (OTHERS_STATION, LUTE),
        "/api/orders/{ended-group}": (OTHERS_STATION, LUTE),
        "/api/history": (OTHERS_STATION, LUTE),
        "/api/account?from=30d": (OTHERS_STATION, LUTE),
    }
    wrong: list[str] = []
    async with a_scene(tmp_path) as scene:
        for key, at in ((IDRIS, 0), (WREN, 1)):
            async with a_browser(scene.page, key) as client:
                for path, words in pages.items():
                    text = (await client.get(next(scene.named(path)))).text.replace("&#39;", "'")
                    wrong += [f"{key} {path}"] if words[at] not in text else []
            async with a_program(scene.page, token=a_token(scene.page, key, name="all of it")) as program:
                for path, words in operations.items():
                    text = (await program.get(next(scene.named(path)))).text
                    wrong += [f"{key} {path}"] if words[at] not in text else []
    assert not wrong, "\n".join(wrong)


async def test_what_a_page_showed_is_what_its_form_is_held_against(tmp_path: Path) -> None:
    """An alarm that is told in other words is acknowledged as it was shown; the work keeps and records it in its own."""
    async with a_scene(tmp_path) as scene:
        page = scene.page
        async with a_browser(page, IDRIS) as client:
            path = f"/alarms/{BASS}/exchanged"
            visit = Visit(path=path, fields={"act": "shelve", "until": "for 30", "reason": "it is known"})
            status, told = await asked(client, "POST", path, visit)
            assert status == 303
            assert "Put off; it comes back by itself when the time is over." in told
        (alarm,) = [one for one in page.desk.alarms().shelved if one.drift.key.kind.value == "exchanged"]
        assert LUTE in alarm.drift.what
        newest = next(iter(page.desk.entries()))
        assert LUTE in newest.body


async def test_the_frame_names_the_newest_alarm_in_other_words(tmp_path: Path) -> None:
    """What stands on every page while somebody should hurry is told by the same rule."""
    async with a_scene(tmp_path) as scene:
        page, told = scene.page, Web(scene.page.parts)
        idris, wren = (page.desk.in_force().estate.people[key] for key in (IDRIS, WREN))
        assert told.in_part(idris) is told.in_part(idris)
        assert told.in_part(wren).alarms() is page.desk.alarms()
        seen = told.in_part(idris).alarms()
        assert {one.drift.key.station.site for one in seen.every} == {HALL}
        assert {one.site for one in seen.groups} <= {HALL}
        assert [one.drift.what for one in seen.every if OTHERS_UNIT in one.drift.what]
        assert not any(scene.hidden.among(repr(one)) for one in seen.every)


async def test_what_is_elsewhere_is_refused_as_what_is_not_there(tmp_path: Path) -> None:
    """A role that only stations elsewhere have, a person of elsewhere: told as one that there is nowhere, but for what was typed."""
    alike = (
        ("restore", {"names": [HALL], "role": "vexed"}, {"names": [HALL], "role": "nobodys"}),
        (
            "concede",
            {"name": DRUMS, "setting": "panel.menus", "holder": ORLA, "until": "2026-12-01", "reason": "a"},
            {
                "name": DRUMS,
                "setting": "panel.menus",
                "holder": "no-body",
                "until": "2026-12-01",
                "reason": "a",
            },
        ),
        ("why", f"/api/stations/{BASS}/{VAULT}", f"/api/stations/{BASS}/no-hall"),
        ("acknowledge", {"name": BASS, "setting": VAULT}, {"name": BASS, "setting": "no-hall"}),
    )
    async with a_scene(tmp_path) as scene, a_program(scene.page, IDRIS) as program:
        for name, there, nowhere in alike:
            told = []
            for sent in (there, nowhere):
                answer = (
                    await program.get(sent)
                    if isinstance(sent, str)
                    else await program.post(f"/api/{name}", json=sent)
                )
                assert answer.status_code in {404, 409, 422}, answer.text
                text = answer.text
                for word in (VAULT, "no-hall", "vexed", "nobodys", ORLA, "no-body"):
                    text = text.replace(word, "…")
                told.append((answer.status_code, text))
            assert told[0] == told[1], name


def test_a_refusal_comes_back_with_what_was_typed(tmp_path: Path) -> None:
    """What stands between quotes in what is wrong is as it was typed; a suggestion and all else have other words."""
    with two_sites(tmp_path) as page:
        estate = page.bench.estate
        kept = Withheld.of(estate, estate.people[IDRIS])
        wrong = NoStation(
            f"'{VAULT}' is no setting of {GONG}, the station's own",
            where=LUTE,
            todo=f"did you mean '{GONG}'?",
        )
        told = kept.refusal(wrong)
        assert (type(told), told.what, told.where, told.todo) == (
            NoStation,
            f"'{VAULT}' is no setting of another site's station, the station's own",
            "another site's station",
            "did you mean 'another site's station'?",
        )
        of_two = kept.refusal(AsleftError(f"the drummer's {GONG} and the bassist's {LUTE}"))
        assert of_two.what == "the drummer's another site's station and the bassist's another site's station"
        own = CannotPropose("no such role", todo=f"did you mean '{DRUMS}'?")
        assert kept.refusal(own) is own
        assert Withheld.nothing().refusal(wrong) is wrong


def test_a_record_of_an_own_station_names_no_other(tmp_path: Path) -> None:
    """Its subject, its lines and its reasons; what it is about stays."""
    with two_sites(tmp_path) as page:
        estate = page.bench.estate
        piece = record(
            0,
            f"{BASS}: order 0123456789 refused",
            ("Site", HALL),
            ("Station", BASS),
            ("Reason", f"as at {GONG}"),
            files=[],
            body=f"nothing was written: {GONG} went wrong before its turn",
        )
        seen = Scope.of(estate, estate.people[IDRIS]).see(piece)
        assert seen is not None
        assert seen.lines == ("nothing was written: another site's station went wrong before its turn",)
        assert seen.values("Reason") == ["as at another site's station"]
        assert seen.stations == (BASS,)
        assert (seen.subject, seen.commit) == (piece.subject, piece.commit)
        assert Scope.of(estate, estate.people[WREN]).see(piece) is piece


async def test_without_a_baseline_a_refusal_names_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is wrong with it may name any site, and nobody knows then who may hear of which."""
    with two_sites(tmp_path) as page:
        web, people = Web(page.parts), page.bench.estate.people
        wrong = AsleftError(f"sites/{VAULT}/site.yaml: it has an error")

        def none() -> None:
            raise wrong

        monkeypatch.setattr(page.desk, "in_force", none)
        assert (
            str(web.refusal(people[IDRIS], wrong)) == "no baseline can be used; ask who looks after the agent"
        )
        assert web.refusal(people[WREN], wrong) is wrong


def test_everywhere_nothing_is_made_anew(tmp_path: Path) -> None:
    """Who may look everywhere is given what the desk gives."""
    with two_sites(tmp_path) as page:
        told: Any = InPart(page.desk, Withheld.nothing())
        assert told.alarms() is page.desk.alarms()
        assert told.estate_now() is page.desk.estate_now()
