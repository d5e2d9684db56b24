"""A group over sites of which a token may look at some: the others show nowhere, and cannot be confirmed by it."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import web.page
from asleft.domain.orders import OrderState
from estates import HALL, IDRIS, WREN, a_bench
from stage import drawn
from web.api.program import a_program, problem
from web.page import Page, a_page

CHAPEL = "brackle-chapel"
"""A site of the example estate where Idris Quill has no rights."""
HERE, THERE = f"{HALL}/drums", f"{CHAPEL}/choir"


@pytest.fixture
def page(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Page]:
    """Give a page over the whole example estate."""

    def whole(folder: Path, _: object, **__: Any) -> Any:
        return a_bench(folder)

    monkeypatch.setattr(web.page, "a_stage", whole)
    with a_page(tmp_path) as made:
        yield made


async def test_what_may_not_be_looked_at_shows_nowhere(page: Page) -> None:
    """Neither in the order, the group and the list, nor in what is refused, nor in the records."""
    for name in (HERE, THERE):
        page.bench.meddle(name, "panel.menus", "open")
    await page.desk.round()
    await drawn(page.desk, HERE, THERE)
    (group,) = {kept.group for kept in page.desk.orders()}
    own = next(kept.id for kept in page.desk.orders() if str(kept.order.station) == HERE)
    other = next(kept.id for kept in page.desk.orders() if str(kept.order.station) == THERE)
    async with a_program(page, IDRIS) as program:
        texts = []
        for path in (
            f"orders/{group}",
            f"orders/{own}",
            "orders?all=true",
            "now",
            "sites",
            "alarms",
            "history",
            "figures",
        ):
            answer = await program.get(f"/api/{path}")
            assert answer.status_code == 200
            texts.append(answer.text)
        told = (await program.get(f"/api/orders/{group}")).json()
        assert [one["order"] for one in told["orders"]] == [own]
        assert (told["group"], told["may-confirm"]) == (None, [])
        problem(await program.get(f"/api/orders/{other}"), 404, "not-there")
        sent = {"order": group, "reason": "before doors"}
        answer = await program.post("/api/confirm", json=sent)
        problem(answer, 403, "may-not")
        texts.append(answer.text)
        problem(await program.post("/api/restore", json={"names": [HERE, THERE]}), 404, "not-there")
    assert not [text for text in texts if CHAPEL in text or other in text]
    assert {kept.state for kept in page.desk.orders()} == {OrderState.DRAWN_UP}
    async with a_program(page, WREN) as program:
        whole = (await program.get(f"/api/orders/{group}")).json()
        assert {one["order"] for one in whole["orders"]} == {own, other}
        assert whole["group"]["id"] == group
