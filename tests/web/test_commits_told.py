"""The commit of each value and of each moment: its digits lead to its page in the history, for those who may see it there."""

import re
from pathlib import Path

import httpx
import pytest

from asleft.work.desk import OwnerDesk
from estates import IDRIS, WREN
from stage import DRUMS
from web.hidden_site import everything_happens, two_sites
from web.page import a_page
from web.side_stage import alarmed, plain

STATION = f"/stations/{DRUMS}"
MENUS = f"{STATION}/panel.menus"
ALARM = f"/alarms/{DRUMS}/panel.menus"
_LINK = re.compile(
    r'href="/history/([0-9a-f]{40})"><span class="commit">commit <span class="value">([0-9a-f]{10})</span></span></a>'
)


async def linked(client: httpx.AsyncClient, path: str) -> set[str]:
    """Give the commits that a page leads to, each by its first digits."""
    answer = await client.get(path)
    assert answer.status_code == 200
    found = _LINK.findall(answer.text)
    assert all(commit.startswith(digits) for commit, digits in found)
    return {commit for commit, _ in found}


async def test_the_digits_of_a_commit_lead_to_its_page(tmp_path: Path) -> None:
    """On the pages of a station, a setting and an alarm: the commit of the value's line, and each moment's own."""
    with a_page(tmp_path) as page:
        await page.desk.round()
        await alarmed(page, "panel.menus", "open")
        baseline = page.desk.estate_now().commit
        records = {one.commit for one in page.desk.entries()}
        async with page.signed_in() as client:
            for path in (STATION, MENUS, ALARM):
                commits = await linked(client, path)
                assert baseline in commits
                assert commits & records
                assert commits <= {baseline, *records}
                for commit in commits:
                    assert (await client.get(f"/history/{commit}")).status_code == 200


async def test_nobody_is_led_to_a_commit_that_is_hidden(tmp_path: Path) -> None:
    """Who may look at one site has links to what the history shows them, group and part commits too, and digits of the rest."""
    with two_sites(tmp_path) as page:
        # It changes no value anywhere, so the history has it for those alone who may look everywhere.
        hidden = page.bench.approve("estate.yaml", "key-dim: 40 %}", "key-dim: 40 %}  # as agreed")
        await everything_happens(page)
        async with page.signed_in(IDRIS) as client, page.signed_in(WREN) as wren:
            for path in (STATION, MENUS, ALARM):
                seen = await linked(client, path)
                assert seen
                for commit in seen:
                    assert (await client.get(f"/history/{commit}")).status_code == 200, (path, commit)
                assert hidden not in seen
                assert hidden in await linked(wren, path)
                assert hidden[:10] in (await client.get(path)).text
            assert hidden not in await linked(client, "/baseline")
            assert hidden in await linked(wren, "/baseline")
            assert (await client.get(f"/history/{hidden}")).status_code == 404


async def test_all_settings_name_the_commits_that_are_known(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What git was asked once stands in the table of all settings; for that table alone git is not asked."""
    with a_page(tmp_path) as page:
        await page.desk.round()
        told = f"estate, commit {page.desk.estate_now().commit[:10]} by Wren Halloway"
        async with page.signed_in() as client:
            with monkeypatch.context() as patch:

                def asked(*_: object) -> None:
                    raise AssertionError("git was asked")

                patch.setattr(OwnerDesk, "touched", asked)
                before = await client.get(STATION)
                assert before.status_code == 200
            assert told not in plain(before.text)
            await client.get(MENUS)
            after = plain((await client.get(STATION)).text)
        # The page of one setting asked about its own lines, and others that stand on the same one are told with it.
        assert told in after
        assert after.count(told) < after.count(" estate.yaml:")
