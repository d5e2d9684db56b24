"""What open pages are told of the agent itself."""

from contextlib import aclosing
from pathlib import Path

from asleft.daemon.agent.paging import PageAttendant
from asleft.web.live import Live
from estates import WREN
from web.page import a_page


async def test_pages_are_told_that_something_ails_the_agent(tmp_path: Path) -> None:
    """Once as it begins and once as it is over: the notice stands on each page, whatever that is about."""
    with a_page(tmp_path) as page:
        estate = page.desk.estate_now()
        attendant, said = PageAttendant(page.accounts), ["the ledger does not answer"]
        attendant.live, attendant.ails = Live("run", beat=0.05, pace=0), lambda: said
        async with aclosing(attendant.live.stream(WREN, "", lambda: True, at="/sites/quay")) as stream:
            await anext(stream)
            for _ in range(3):
                await attendant.tick(estate)
            assert b'["health"]' in await anext(stream)
            await attendant.tick(estate)
            assert b"beat" in await anext(stream)
            said.clear()
            await attendant.tick(estate)
            assert b'["health"]' in await anext(stream)
