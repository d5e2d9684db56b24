"""The list of orders and the page of a group: whose turn it is, how many stations stand, what stops."""

import asyncio
import re
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

from asleft.domain.errors import AsleftError
from asleft.domain.orders import ENDS, Event, Moved, OrderState
from asleft.web.carrying import carried
from asleft.web.order_view import group_page
from asleft.web.pages.orders import view_of
from asleft.work.guards import Confirming
from estates import HALL, IDRIS, WREN, a_bench
from stage import DRUMS, Held, a_stage, accepted, drawn
from web.api.program import a_program
from web.order_forms import plain, post, settled, token
from web.page import Elements, Page, a_page

THREE = ("a", "b", "c")


async def test_each_person_finds_what_waits_for_them_first(tmp_path: Path) -> None:
    """A rise waits for both, then for the second one only; what somebody may not confirm waits for others."""
    with a_stage(tmp_path) as bench, bench.desk() as desk:
        bench.meddle(DRUMS, "headphones.limiter-level", "-20 dB")
        (order,) = await drawn(desk)

        def seen_by(key: str) -> tuple[list[str], list[str], list[str]]:
            estate = desk.estate_now()
            view = view_of(
                estate,
                estate.people[key],
                order.drawn_up,
                waiting=desk.order_views(),
                ended=[[kept] for kept in desk.orders() if kept.state in ENDS],
            )
            return tuple([one.id for one in some] for some in (view.mine, view.others, view.ended))  # type: ignore[return-value]

        assert seen_by(WREN) == ([order.id], [], [])
        assert seen_by("sorrel-vane") == ([], [order.id], [])
        await desk.confirm(order.id, by=WREN, reason="before doors", accepted=accepted(order))
        assert seen_by(WREN) == ([], [order.id], [])
        assert seen_by(IDRIS) == ([order.id], [], [])
        await desk.confirm(order.id, by=IDRIS, reason="before doors", accepted=accepted(order))
        assert seen_by(IDRIS) == ([], [], [order.id])


async def test_orders_of_one_second_stand_as_they_were_drawn_up(tmp_path: Path) -> None:
    """Whatever their ids are: on the list, where they wait and where they ended, on Now, and for programs from piece to piece."""
    names = ("a", "b", "c", "d", "e")
    with a_page(tmp_path, names) as page:
        await page.desk.round()
        ids = []
        for name in names:
            page.bench.meddle(f"{HALL}/{name}", "panel.menus", "open")
            (order,) = await drawn(page.desk, f"{HALL}/{name}")
            ids.append(order.id)
        assert len({kept.order.drawn_up for kept in page.desk.orders()}) == 1
        async with page.signed_in() as client, a_program(page) as program:
            for path in ("/orders", "/"):
                shown = re.findall(r'href="/orders/([0-9a-z]+)"', (await client.get(path)).text)
                assert [one for one in dict.fromkeys(shown) if one in ids] == ids, path
            told: list[str] = []
            cursor = ""
            while True:
                more = f"&cursor={cursor}" if cursor else ""
                piece = (await program.get(f"/api/orders?limit=2{more}")).json()
                told += [one["order"] for one in piece["orders"]]
                cursor = piece["next"]
                if not cursor:
                    break
            assert told == ids[::-1]
        await page.clock.sleep(25 * 3600)
        page.desk.sweep()
        async with page.signed_in() as client:
            shown = re.findall(r'href="/orders/([0-9a-z]+)"', (await client.get("/orders")).text)
            assert [one for one in dict.fromkeys(shown) if one in ids] == ids[::-1]


async def test_the_list_names_groups_once(tmp_path: Path) -> None:
    """Three orders that are confirmed together are one line, before and after."""
    with a_page(tmp_path, THREE) as page:
        for name in THREE:
            page.bench.meddle(f"{HALL}/{name}", "panel.menus", "open")
        await drawn(page.desk, HALL)
        (group,) = {kept.group for kept in page.desk.orders()}
        async with page.signed_in() as client:
            text = (await client.get("/orders")).text
            assert text.count(f'href="/orders/{group}"') == 1
            assert "Waits for a confirmation." in plain(text)
            assert (await post(client, f"/orders/{group}")).status_code == 303
            await settled(client, f"/orders/{group}")
            text = (await client.get("/orders")).text
            assert text.count(f'href="/orders/{group}"') == 1
            assert "3 restored" in plain(text)
            assert "No order waits for you." in plain(text)


async def test_a_group_is_confirmed_at_once_and_stopped_between_stations(tmp_path: Path) -> None:
    """The page shows every write of every station; a stop while the first is written leaves the rest as found."""
    with a_page(tmp_path, THREE) as page:
        for name in THREE:
            page.bench.meddle(f"{HALL}/{name}", "panel.menus", "open")
        await drawn(page.desk, HALL)
        (group,) = {kept.group for kept in page.desk.orders()}
        path = f"/orders/{group}"
        async with page.signed_in() as client:
            text = (await client.get(path)).text
            assert [text.count(f"{HALL}/{name}</a>") for name in THREE] == [1, 1, 1]
            assert plain(text).count("panel.menus: open → locked") == 3
            assert "first, and alone" in plain(text)
            assert "Confirm, and write to 3 stations" in plain(text)
            assert "It stops at the first station that goes wrong." in plain(text)
            member = page.desk.orders()[0].order.id
            alone = (await client.get(f"/orders/{member}")).text
            assert "is confirmed with it" in plain(alone)
            assert not [
                form for form in Elements(alone).of("form") if form.get("action") == f"/orders/{member}"
            ]
            fields = {"form-token": await token(client)}
            idle = await client.post(f"{path}/stop", data=fields)
            assert idle.status_code == 303
            assert "is not being carried out" in plain((await client.get(path)).text)
            first = page.bench.station(f"{HALL}/{THREE[0]}")
            held = Held(first)
            confirming = asyncio.create_task(post(client, path))
            await held.here.wait()
            going = (await client.get(path)).text
            assert '<meta http-equiv="refresh"' in going
            assert "It is being carried out: 0 of 3 ended." in plain(going)
            await _only_who_acts_may_stop_it(page, path, going)
            twice = await post(client, path)
            assert twice.status_code == 303
            assert "You have confirmed it already. It is being carried out. Nothing is done twice." in plain(
                (await client.get(path)).text
            )
            stopped = await client.post(f"{path}/stop", data=fields)
            assert stopped.status_code == 303
            held.go.set()
            assert (await confirming).status_code == 303
            text = plain(await settled(client, path))
            assert "1 restored, 2 refused." in text
            assert "Wren Halloway stopped it before its turn" in text
            assert (await post(client, path)).status_code == 303
            assert "Below stands what became of each station." in plain((await client.get(path)).text)
        states = [kept.state for kept in page.desk.orders()]
        assert states.count(OrderState.RESTORED) == 1
        assert ("warning", "a group is stopped", {"group": group, "person": WREN}) in page.log.lines


async def _only_who_acts_may_stop_it(page: Page, path: str, shown: str) -> None:
    """See that the way to stop a group is on the page of somebody who acts there, and that who only looks has none."""

    def stops(text: str) -> bool:
        return any(form.get("action") == f"{path}/stop" for form in Elements(text).of("form"))

    async with page.signed_in("pell-osgood") as pell:
        looked_at = (await pell.get(path)).text
        assert "It is being carried out: 0 of 3 ended." in plain(looked_at)
        assert (stops(shown), stops(looked_at)) == (True, False)
        answer = await pell.post(f"{path}/stop", data={"form-token": await token(pell)})
        assert answer.status_code == 403


async def test_the_agent_ends_in_the_middle_of_an_order(tmp_path: Path) -> None:
    """The browser is gone and the agent is told to end: what was written is put back, and nothing new is taken."""
    with a_page(tmp_path) as page:
        page.bench.meddle(DRUMS, "headphones.limiter-level", "-20 dB")
        (order,) = await drawn(page.desk)
        await page.desk.confirm(order.id, by=IDRIS, reason="before doors", accepted=accepted(order))
        path, held = f"/orders/{order.id}", Held(page.bench.station(DRUMS))
        async with page.signed_in() as client:
            asking = asyncio.create_task(post(client, path, accept=accepted(order)))
            await held.here.wait()
            shown = plain((await client.get(path)).text)
            assert "It is being carried out: 0 of 1 written; headphones.limiter-level: step 1 of " in shown
            assert "being written" in shown
            asking.cancel()
            await asyncio.wait({asking})
            ending = asyncio.create_task(page.parts.errands.stop())
            await asyncio.sleep(0)
            held.go.set()
            assert await ending == []
            (kept,) = page.desk.orders()
            assert (kept.state, "it was interrupted" in kept.outcome) == (OrderState.REFUSED, True)
            assert page.bench.station(DRUMS).get("headphones.limiter-level") == -20.0
            page.bench.meddle(DRUMS, "panel.menus", "open")
            menus = next(one for one in await drawn(page.desk) if one.id != order.id)
            answer = await post(client, f"/orders/{menus.id}", accept=accepted(menus), reason="once more")
            assert answer.status_code == 503
            assert "the agent is stopping" in answer.text
            assert 'value="once more"' in answer.text


async def test_a_group_counts_what_may_not_be_seen(tmp_path: Path) -> None:
    """Stations at sites where somebody may not look are counted, never named, and keep that person from confirming."""
    with a_bench(tmp_path) as bench, bench.desk() as desk:
        here, there = f"{HALL}/drums", "tarnwick-yard/lead-voice"
        for name in (here, there):
            bench.meddle(name, "panel.menus", "open")
        await drawn(desk, here, there)
        (group,) = {kept.group for kept in desk.orders()}
        estate = desk.estate_now()
        viewer = replace(estate.people[WREN], sites=frozenset({HALL}))
        view = group_page(desk.outlook(group), estate, viewer, desk.orders()[0].order.drawn_up)
        assert ([one.station for one in view.members], view.hidden) == ([here], 1)
        assert view.waits is not None
        assert view.waits.form is None
        assert "sites that you may not look at" in view.waits.why_not
        assert there not in repr(view)
        whole = estate.people[WREN]
        for taking, said in ((False, ""), (True, "Your confirmation is being taken.")):
            view = group_page(
                desk.outlook(group), estate, whole, desk.orders()[0].order.drawn_up, taking=taking
            )
            assert view.waits is not None
            assert ((view.waits.form is None), view.waits.why_not) == (taking, said)


async def test_the_baseline_is_fetched_before_anything_counts(tmp_path: Path) -> None:
    """A fetch that fails keeps nobody from confirming; it comes before the confirmation."""
    with a_page(tmp_path) as page:
        page.bench.meddle(DRUMS, "panel.menus", "open")
        (order,) = await drawn(page.desk)
        asked: list[OrderState] = []

        async def fresh() -> None:
            asked.append(page.desk.orders()[0].state)
            raise AsleftError("the remote is away")

        given = Confirming(by=WREN, reason="before doors", accepted=tuple(accepted(order)))
        await carried(replace(page.parts, fresh=fresh), order.id, lambda: given)
        assert asked == [OrderState.DRAWN_UP]
        assert page.desk.orders()[0].state is OrderState.RESTORED


async def test_ended_orders_come_fifty_a_page(tmp_path: Path) -> None:
    """The newest first, older ones behind a link, each once; what waits stands on every page; nonsense has none before it."""
    with a_page(tmp_path) as page:
        page.bench.meddle(DRUMS, "panel.menus", "open")
        (waiting,) = await drawn(page.desk)
        every = [
            replace(waiting, drawn_up=waiting.drawn_up - timedelta(hours=at), serial=f"S-{at}")
            for at in range(1, 121)
        ]
        for one in every:
            page.desk._ledger.add_orders([one], Moved(at=one.drawn_up, event=Event.DRAW_UP))
            page.desk._ledger.move_order(one.id, OrderState.LAPSED, outcome="it lapsed", ended=one.drawn_up)
        async with page.signed_in() as client:
            path, pages = "/orders", list[list[str]]()
            while path:
                text = (await client.get(path)).text
                listed = re.findall(r'href="/orders/([0-9a-f]{10})"', text)
                assert listed[0] == waiting.id
                pages.append(listed[1:])
                older = re.search(r'href="(/orders\?before=[0-9a-f]{10})"', text)
                path = older[1] if older else ""
            assert [len(some) for some in pages] == [50, 50, 20]
            assert [one for some in pages for one in some] == [one.id for one in every]
            odd = await client.get("/orders", params={"before": "<script>' OR 1"})
            assert odd.status_code == 200
            assert "None ended before that." in plain(odd.text)
            assert "<script>'" not in odd.text
