"""Lives that pages keep: brought up to date by what was recorded since, as a fresh reading of the records tells them."""

from collections.abc import Sequence
from pathlib import Path

import pytest

from asleft.domain.estate import StationId
from asleft.domain.withheld import Withheld
from asleft.ports.records import Entry
from asleft.web import life
from asleft.web.life import MOST_MOMENTS, Lives
from estates import HALL
from stage import DRUMS
from web.page import Page, a_page


def station_of(page: Page, name: str = "drums") -> StationId:
    """Give a station of the page's estate."""
    (found,) = (one for one in page.bench.estate.stations if one.name == name)
    return found


def read_anew(page: Page, station: str = DRUMS) -> Sequence[str]:
    """Give the newest commits about a station as the records have them."""
    return [one.commit for one in page.desk.history(station, limit=MOST_MOMENTS)]


def commits(life: tuple[Sequence[Entry], bool]) -> Sequence[str]:
    """Name the commits of a life."""
    return [one.commit for one in life[0]]


async def meddled(page: Page, value: str, name: str = "drums") -> None:
    """Have a round find something new at a station."""
    page.bench.meddle(f"{HALL}/{name}", "panel.menus", value)
    await page.clock.sleep(60)
    await page.desk.round()


async def test_what_was_recorded_since_is_on_top(tmp_path: Path) -> None:
    """What is about another station is left out, and nothing is told twice, however often it is asked for."""
    with a_page(tmp_path, ("drums", "keys")) as page:
        lives = Lives(page.desk)
        assert commits(await lives.of(station_of(page), Withheld.nothing())) == read_anew(page) == []
        for value in ("open", "locked", "open"):
            await meddled(page, value)
            await meddled(page, value, "keys")
            for _ in range(2):
                assert commits(await lives.of(station_of(page), Withheld.nothing())) == read_anew(page)
        assert len(read_anew(page)) >= 3
        keys = station_of(page, "keys")
        assert commits(await lives.of(keys, Withheld.nothing())) == read_anew(page, f"{HALL}/keys")
        assert set(commits(await lives.of(keys, Withheld.nothing()))) != set(read_anew(page))


async def test_where_too_much_came_it_is_read_anew(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """More commits than are kept: lives are forgotten and read again, and a later one still goes on top."""
    monkeypatch.setattr(life, "_MOST_NEW", 2)
    with a_page(tmp_path) as page:
        lives = Lives(page.desk)
        await lives.of(station_of(page), Withheld.nothing())
        for at in range(6):
            await meddled(page, "open" if at % 2 else "locked")
        assert commits(await lives.of(station_of(page), Withheld.nothing())) == read_anew(page)
        await meddled(page, "locked")
        assert commits(await lives.of(station_of(page), Withheld.nothing())) == read_anew(page)


async def test_a_life_that_is_longer_than_a_page(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The newest are given, and that there are more is said, also where they came after it was read."""
    monkeypatch.setattr(life, "MOST_MOMENTS", 2)
    with a_page(tmp_path) as page:
        lives = Lives(page.desk)
        for value in ("open", "locked", "open"):
            told, more = await lives.of(station_of(page), Withheld.nothing())
            assert [one.commit for one in told] == read_anew(page)[:2]
            assert more is (len(read_anew(page)) > 2)
            await meddled(page, value)
        told, more = await lives.of(station_of(page), Withheld.nothing())
        assert [one.commit for one in told] == read_anew(page)[:2]
        assert more
