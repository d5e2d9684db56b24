"""The local socket tells a person of some sites of those alone: every call, over a real connection, down to its bytes.

What each call is asked, and how it answers, is in `CALLS` of every_call.py; a new one has to be put there.
"""

import asyncio
import json
import os
import pwd
import sys
from collections.abc import AsyncIterator, Iterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, cast

import pytest

from asleft.daemon.local.every import every_handler
from asleft.daemon.local.in_part import stopped_seen
from asleft.daemon.local.order_calls import StopSent
from asleft.daemon.local.protocol import pack_request
from asleft.daemon.local.seeing import Sight
from asleft.daemon.local.server import Caller, answering
from asleft.domain.errors import AsleftError
from asleft.domain.orders import OrderState
from asleft.domain.people import Right
from asleft.domain.withheld import Withheld
from asleft.ledger.outbox import SqliteOutbox
from asleft.work.approved import InForce
from asleft.work.desk import OwnerDesk
from asleft.work.in_part import order_seen
from asleft.work.ordering import MayNot, NoStation
from asleft.work.trying import Trying
from daemon.local.every_call import BASS, CALLS, LENT, WHY
from estates import HALL, IDRIS, commit
from stage import DRUMS, drawn
from web.hidden_site import GONG, LUTE, ORLA, VAULT, Hidden, everything_happens, two_sites
from web.page import Page

ME = pwd.getpwuid(os.geteuid()).pw_name
MEMBER = Caller(account="quill", person=IDRIS, trusted=False)
_ROUTES = f"""\
routes:
  - {{who: {IDRIS}, by: mail}}
  - {{who: {ORLA}, by: mail}}
  - {{who: wren-halloway, by: vexmail, sites: [{VAULT}]}}
  - {{by: vexline, sites: [{VAULT}]}}
"""
_REACH = "reach: {mail: stages@quillfen.example, vexmail: vex@quillfen.example}"


@dataclass(frozen=True, kw_only=True, slots=True)
class Agent:
    """What answers at a socket.

    Args:
        page: What stands behind it.
        path: The socket.
        hidden: What may stand nowhere.
        names: What stands for names in braces.
    """

    page: Page
    path: Path
    hidden: Hidden
    names: Mapping[str, Any] = field(default_factory=dict)

    def given(self, arguments: Mapping[str, Any]) -> dict[str, Any]:
        """Give arguments with what stands for names in braces."""
        return {
            key: self.names.get(value, value) if isinstance(value, str) else value
            for key, value in arguments.items()
        }

    async def answer(self, command: str, arguments: Mapping[str, Any]) -> str:
        """Ask, and give all that comes back, without what was typed: that may be told again."""
        given = self.given(arguments)
        reader, writer = await asyncio.open_unix_connection(self.path)
        writer.write(pack_request(command, given))
        told = (await reader.read()).decode("ascii")
        writer.close()
        for word in sorted(_strings(given), key=len, reverse=True):
            told = told.replace(word, "") if word not in {HALL, DRUMS} else told
        return told


def _strings(sent: object) -> Iterator[str]:
    if isinstance(sent, str):
        if sent:
            yield sent
    elif isinstance(sent, Mapping):
        for value in sent.values():
            yield from _strings(value)
    elif isinstance(sent, list):
        for value in sent:
            yield from _strings(value)


def _kind(told: str) -> str:
    return str((json.loads(told).get("error") or {}).get("kind", ""))


async def names_in(page: Page, hidden: Hidden) -> dict[str, Any]:
    """Have more orders drawn up, and give what names in braces stand for."""
    desk = page.desk
    await page.clock.sleep(5)
    theirs = await drawn(desk, GONG, LUTE)
    kept = {str(one.order.station): one for one in desk.orders_in(hidden.group)}
    own, part = kept[DRUMS], kept[GONG]
    (their_group,) = {one.group for one in desk.orders() if one.id == theirs[0].id}
    (other,) = await drawn(desk, BASS)
    done = next(
        one for one in desk.orders() if one.order.station.site == VAULT and one.state is OrderState.RESTORED
    )
    return {
        "{own}": own.id,
        "{accepted}": [hazard.id for hazard in own.order.hazards],
        "{group}": hidden.group,
        "{their-part}": part.id,
        "{hidden}": theirs[0].id,
        "{their-group}": their_group,
        "{other}": other.id,
        "{done}": done.id,
    }


def approve(page: Page) -> None:
    """Approve a role at both sites, one at the hidden one, and ways by which people are told."""
    repository = page.bench.repository

    def add(file: str, old: str, new: str) -> None:
        path = repository / file
        text = path.read_text("utf-8") if path.exists() else ""
        assert old in text
        path.parent.mkdir(exist_ok=True)
        path.write_text(text.replace(old, new) if old else new, "utf-8")

    for role in ("strings", "vexed"):
        add(f"roles/{role}.yaml", "", f"format: asleft-role-1\nmeaning: Who plays {role}\n")
    for station, role in ((BASS, "strings"), (LUTE, "strings"), (GONG, "vexed")):
        site, _, name = station.partition("/")
        add(f"sites/{site}/stations/{name}.yaml", "serial:", f"role: {role}\nserial:")
    add("estate.yaml", "occasions:", f"{_ROUTES}occasions:")
    add("people.yaml", "rights:", f"{_REACH}, rights:")
    commit(repository, "Approve roles, and who is told")
    page.desk._fetched()


@asynccontextmanager
async def an_agent(folder: Path, **more: Any) -> AsyncIterator[Agent]:
    """Let an agent answer whose account is somebody of one site, and let all happen that leaves names behind."""
    with two_sites(folder) as page:
        approve(page)
        hidden = await everything_happens(page)
        page.bench.meddle(BASS, "headphones.gain", "+12 dB")
        await page.desk.round()
        # The beginning of an address alone may be that of one of the other site, too.
        hidden = replace(hidden, words=(*hidden.words[:-1], f"{hidden.words[-1]}."))
        outbox = SqliteOutbox(page.desk._ledger)  # type: ignore[arg-type]  # it is the SQLite one

        async def sleep(_: float) -> None:
            for one in outbox.waiting():
                outbox.failed(one.alert.id, at=page.clock(), next_try=None, why=f"no room beside {ORLA}")

        trying = Trying(outbox, lambda: page.desk.in_force().estate, page.clock, sleep=sleep)
        handlers = every_handler(page.desk, page.desk._acts, page.accounts, trying, turn=asyncio.Lock)
        assert handlers.keys() == CALLS.keys(), "say in CALLS what it tells"
        names = await names_in(page, hidden)
        path = page.bench.home / "agent.sock"
        async with answering(path, handlers, **{"accounts": lambda: {ME: IDRIS}, "trusted": (), **more}):
            yield Agent(page=page, path=path, hidden=hidden, names=names)


class _Stub:
    """Stands for a desk that knows the estate in force, or has none."""

    def __init__(self, force: InForce | None) -> None:
        self._force = force

    def in_force(self) -> InForce:
        """Give it."""
        if self._force is None:
            raise AsleftError(f"sites/{VAULT}/site.yaml: it has an error")
        return self._force


async def test_no_call_names_another_site(tmp_path: Path) -> None:
    """Whatever is done where somebody may look, and whatever is refused there, its answer holds no word of elsewhere."""
    wrong: list[str] = []
    async with an_agent(tmp_path) as agent:
        for command, call in CALLS.items():
            for arguments, kind in call.own:
                told = await agent.answer(command, arguments)
                if _kind(told) != kind:
                    wrong.append(f"{command} {arguments}: {told[:400]}")
                wrong += [f"{command} {arguments}: {word}" for word in agent.hidden.among(told)]
    assert wrong == []


async def test_what_lies_elsewhere_is_refused_as_what_is_not_there(tmp_path: Path) -> None:
    """Both answers are the same but for what was typed, and nothing is done."""
    wrong: list[str] = []
    async with an_agent(tmp_path) as agent:
        before, subjects = agent.page.desk.orders(), agent.page.bench.subjects()
        for command, call in CALLS.items():
            for there, nowhere in call.elsewhere:
                told, none = await agent.answer(command, there), await agent.answer(command, nowhere)
                if told != none or (command != "zone" and not _kind(told)):
                    wrong.append(f"{command} {there}: {told} | {none}")
                wrong += [f"{command} {there}: {word}" for word in agent.hidden.among(told)]
        assert (agent.page.desk.orders(), agent.page.bench.subjects()) == (before, subjects)
    assert wrong == []


async def test_root_and_the_agents_own_account_are_told_all(tmp_path: Path) -> None:
    """The same calls name the other site to them, whoever they act as."""
    async with an_agent(tmp_path, trusted=None) as agent:
        for command, arguments in (
            ("round", {}),
            ("outlook", {"name": "{group}"}),
            ("outlook", {"name": "{hidden}"}),
            ("zone", {"site": VAULT}),
            ("restore", {"names": [], "role": "strings"}),
            ("acknowledge", {"name": LUTE, "setting": "panel.menus", **WHY}),
            ("try-alerts", {"by": IDRIS}),
            ("exchange", {"name": DRUMS, "serial": "VEX9-7012", **WHY}),
            ("people-list", {}),
        ):
            told = await agent.answer(command, arguments)
            assert agent.hidden.among(told) or "Europe/Lisbon" in told, (command, told)


async def test_a_round_goes_over_the_sites_that_may_be_looked_at(tmp_path: Path) -> None:
    """Where none is named, it is those; no station elsewhere is looked at for somebody who is not told of it."""
    async with an_agent(tmp_path) as agent:
        desk = agent.page.desk
        before = {str(station): look.last.at for station, look in desk.looks().items()}
        await agent.page.clock.sleep(5)
        told = json.loads(await agent.answer("round", {}))["result"]
        after = {str(station): look.last.at for station, look in desk.looks().items()}
    assert {f"{at['site']}/{at['name']}" for at, _ in told["looks"]} == {DRUMS, BASS}
    assert {station for station in before if before[station] != after[station]} == {DRUMS, BASS}


async def test_a_unit_from_another_site_is_told_without_its_place(tmp_path: Path) -> None:
    """It is found at an own station: by the round and by the alarm it is said to be some station's."""
    async with an_agent(tmp_path) as agent:
        page = agent.page
        page.bench.approve(f"sites/{VAULT}/stations/vexlute.yaml", "VEX9-7012", "QS41-0001")
        page.bench.approve(f"sites/{HALL}/stations/bass.yaml", "QS41-2012", "QS41-0002")
        page.bench.approve(f"sites/{VAULT}/stations/vexlute.yaml", "QS41-0001", "QS41-2012")
        told = await agent.answer("round", {})
        await page.clock.sleep(600)
        await agent.answer("round", {})
        seen = await agent.answer("acknowledge", {"name": BASS, "setting": "exchanged", **WHY})
        (drift,) = [one.drift.what for one in page.desk.drifts_in(HALL) if "the unit of" in one.drift.what]
    assert LUTE in drift
    for one in (told, seen):
        assert "the unit of another site's station" in one
        assert agent.hidden.among(one) == []


async def test_a_group_is_told_in_part(tmp_path: Path) -> None:
    """An own order of it in full, how many more there are, and no group, for that names all; it is confirmed one by one."""
    async with an_agent(tmp_path) as agent:
        told = json.loads(await agent.answer("outlook", {"name": "{group}"}))["result"]
        one = json.loads(await agent.answer("outlook", {"name": "{own}"}))["result"]
        stop = json.loads(await agent.answer("stop", {"group": "{group}", **WHY}))["result"]
        no = json.loads(await agent.answer("confirm-group", {"order": "{group}", **WHY}))["error"]
        withheld = Sight(agent.page.desk).of(MEMBER)
        kepts = tuple(agent.page.desk.orders_in(agent.hidden.group))
    outlook = told["outlook"]
    assert [kept["id"] for kept in outlook["kepts"]] == [agent.names["{own}"]]
    assert (told["hidden"], len(outlook["waits"]), outlook["group"]) == (1, 1, None)
    assert outlook["together"]
    assert (one["hidden"], one["outlook"]["group"]) == (0, None)
    assert stop == {"going": [], "hidden": 0}
    assert no["what"].endswith("is also about stations at sites that you may not look at")
    assert no["todo"] == "confirm its orders one by one, where you may"
    stopped = stopped_seen(StopSent(going=kepts), withheld)
    assert ([str(kept.order.station) for kept in stopped.going], stopped.hidden) == ([DRUMS], 1)


async def test_what_became_of_an_order_names_no_other_station_of_its_group(tmp_path: Path) -> None:
    """Where another site's station went wrong first, or its people stopped the group, an own order ends with that said."""
    async with an_agent(tmp_path) as agent:
        withheld = Sight(agent.page.desk).of(MEMBER)
        (own,) = [one for one in agent.page.desk.orders() if one.id == agent.names["{own}"]]
    for why, said in (
        (f"{GONG} went wrong before its turn", "another site's station went wrong before its turn"),
        ("Orla Vexley stopped it before its turn", "somebody of another site stopped it before its turn"),
        (
            f"{BASS}, the first one, did not keep panel.menus",
            f"{BASS}, the first one, did not keep panel.menus",
        ),
    ):
        outcome = f"nothing was written: {why}"
        kept = replace(own, outcome=outcome, life=(replace(own.life[0], why=outcome),))
        seen = order_seen(kept, withheld)
        assert seen.outcome == seen.life[0].why == f"nothing was written: {said}"
        assert (seen.order, seen.id) == (own.order, own.id)
        assert order_seen(kept, Withheld.nothing()) is kept


async def test_who_may_look_nowhere_is_told_of_no_site(tmp_path: Path) -> None:
    """Somebody whom people.yaml no longer has, and somebody of all sites without the right to look: no round goes anywhere."""
    with two_sites(tmp_path) as page:
        estate = page.bench.estate
        blind = replace(estate.people["wren-halloway"], rights=frozenset({Right.CONFIRM}))
        people = {**estate.people, blind.key: blind}
        desk = cast("OwnerDesk", _Stub(InForce(estate=replace(estate, people=people), notices=())))
        sight = Sight(desk)
        for person in ("gone-away", blind.key):
            withheld = sight.of(Caller(account="x", person=person, trusted=False))
            assert sight.sites(withheld) == ()
            with pytest.raises(MayNot, match="no site at which you may look"):
                sight.meant((), withheld)
            with pytest.raises(NoStation, match=f"there is no site '{HALL}'"):
                sight.site(HALL, withheld)
        trusted = sight.of(Caller(account="x", person=None, trusted=True))
        assert sight.meant((), trusted) == ()


async def test_without_a_baseline_nothing_is_told() -> None:
    """What is wrong with it may name any site; root and the agent's own account hear it from the work."""
    sight = Sight(cast("OwnerDesk", _Stub(None)))
    with pytest.raises(AsleftError) as no:
        sight.of(MEMBER)
    assert str(no.value) == "no baseline can be used; ask who looks after the agent"
    assert sight.of(Caller(account="x", person=None, trusted=True)).everywhere


async def test_notices_and_suggestions_name_no_other_site(tmp_path: Path) -> None:
    """A serial that stands twice keeps a revision out, and says of which files; a name that is none is near to another's."""
    async with an_agent(tmp_path) as agent:
        agent.page.bench.approve(f"sites/{VAULT}/stations/vexlute.yaml", "VEX9-7012", "QS41-2011")
        told = await agent.answer("restore", {"names": [BASS]})
        one = await agent.answer("lend", {"name": DRUMS, **LENT})
        assert agent.hidden.among(" ".join(agent.page.desk.notices))
        near = json.loads(await agent.answer("restore", {"names": [f"{HALL}/vexgon"]}))["error"]
    for answer in (told, one):
        assert json.loads(answer)["result"]["notices"]
        assert agent.hidden.among(answer) == []
    assert (near["kind"], near["todo"]) == ("NoStation", f"what you may name: {HALL}, and stations there")


async def test_who_stops_a_group_is_told_that_more_of_it_stops(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where only orders at other sites go on, the command does not say that it is not being carried out."""
    async with an_agent(tmp_path) as agent:
        kepts = agent.page.desk.orders_in(agent.hidden.group)
        theirs = [kept for kept in kepts if kept.order.station.site == VAULT]
        monkeypatch.setattr(agent.page.desk, "stop", lambda *_, **__: theirs)
        said = ("stop", agent.hidden.group, "--by", IDRIS, "--home", str(agent.page.bench.home))
        command = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "asleft", *said, stdout=asyncio.subprocess.PIPE
        )
        told, _ = await command.communicate()
    assert (command.returncode, told.decode().splitlines()) == (
        0,
        [
            f"Group {agent.hidden.group}: no further station is begun.",
            "It is stopped at sites that you may not look at, too; orders there that were going on: 1",
        ],
    )
