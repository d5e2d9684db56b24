"""How every page looks in a real browser: on a phone and a desk, light and dark, and while stations say the worst."""

import os
import re
from collections.abc import Iterator, Sequence
from itertools import chain
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, ViewportSize, expect

from browser.conftest import Served
from browser.judges import cut_off
from browser.test_page import LONG, draw_up, open_alert
from browser.tour import PAGES, Tour, complaints
from estates import HALL, WREN
from web.side_stage import HOSTILE

DRUMS, BASS = f"{HALL}/drums", f"{HALL}/bass"
ORDERS = ("waiting", "half", "ended", "halted", "group")
SIZES: dict[str, ViewportSize] = {
    "phone": {"width": 360, "height": 740},
    "desk": {"width": 1280, "height": 800},
}


def everywhere(served: Served, page: Page) -> Iterator[str]:
    """Go to every page, one after the other, that of a waiting order too; gives the path of each."""
    draw_up(page, served)
    for path in (*PAGES, page.url.removeprefix(served.url)):
        answer = page.goto(f"{served.url}{path}")
        assert answer is not None
        assert answer.status == 200, path
        yield path


def going_to(served: Served, page: Page, paths: Sequence[str]) -> Iterator[str]:
    """Go to some pages, one after the other."""
    for path in paths:
        page.goto(f"{served.url}{path}")
        yield path


def named(path: str, toured: Tour) -> str:
    """Give the name of a page's picture: what changes from run to run is left out."""
    for number, order in enumerate(toured.pages["/orders/{name}"]):
        path = path.replace(order, f"/orders/{ORDERS[number]}")
    for route, paths in {**toured.pages, **toured.outside}.items():
        if "{commit}" in route or "{token}" in route:
            for number, one in enumerate(paths):
                path = path.replace(one, f"{route.partition('{')[0]}{number}")
    return re.sub(r"[^a-z0-9.]+", "_", path.lower()).strip("_") or "now"


@pytest.mark.parametrize("look", ["light", "dark"])
@pytest.mark.parametrize("size", [*SIZES])
def test_pictures_of_every_page(toured: Tour, browser: Browser, tmp_path: Path, size: str, look: str) -> None:
    """They are kept in ASLEFT_PICTURES where that is set; nothing is cut off, and the browser complains of nothing."""
    into = Path(os.environ.get("ASLEFT_PICTURES") or tmp_path)
    into.mkdir(parents=True, exist_ok=True)
    wrong: list[str] = []
    heard: dict[Page, list[str]] = {}
    names: list[str] = []
    for path, page in toured.everywhere(browser, viewport=SIZES[size], color_scheme=look, hear=heard):
        names.append(named(path, toured))
        page.screenshot(path=into / f"{names[-1]}-{size}-{look}.png")
        wrong += [f"{path}: {one}" for one in cut_off(page)]
    assert not wrong, "\n".join(wrong)
    # What is not there or refused is told to the console by its status; that is what those pages are.
    said = [one for some in heard.values() for one in some if not re.search(r"status of 4\d\d", one)]
    assert said == []
    assert len(set(names)) == len(names)
    assert (into / f"orders_waiting-{size}-{look}.png").read_bytes().startswith(b"\x89PNG")


def test_an_alarm_is_shelved(served: Served, browser: Browser) -> None:
    """Put off for a time with a reason it is on the shelf, with who and why, and no longer counted; taken back it is an alarm."""
    served.bench.meddle(DRUMS, "panel.menus", "open")
    page = served.sign_in(browser.new_context(viewport=SIZES["phone"], has_touch=True), WREN)
    open_alert(page, served)
    page.get_by_text("Put off until a time").click()
    page.get_by_text("another time").scroll_into_view_if_needed()
    page.locator("#shelve input[type=radio]").first.check()
    page.fill("#shelve-reason", "the drummer wants them open tonight")
    page.get_by_role("button", name="Put it off").click()
    expect(page.locator("main")).to_contain_text("it comes back by itself", timeout=LONG)
    expect(page.locator("#alarm-what")).to_contain_text(
        "Wren Halloway: the drummer wants them open tonight", timeout=LONG
    )
    expect(page.locator("#nav-count .count")).to_have_count(0, timeout=LONG)
    page.get_by_role("button", name="Take from the shelf").click()
    expect(page.locator("#nav-count")).to_contain_text("1", timeout=LONG)
    expect(page.locator("#alarm-what")).to_contain_text("unacknowledged")


def test_what_stations_say_does_nothing_in_a_browser(served: Served, browser: Browser) -> None:
    """Markup, escapes and 10,000 characters: nothing is run or fetched, no page is wider than a small screen."""
    worst = f"{HOSTILE}<script>alert(2)</script>{'a' * 10_000}"
    fleet = served.bench.fleet

    async def write() -> None:
        fleet.fleet.station(BASS)._binding("label").write(worst)

    fleet.call(lambda: fleet.fleet.exchange(f"{HALL}/keys-left", serial=worst))
    fleet.call(write)
    served.bench.meddle(DRUMS, "panel.menus", "open")
    context: BrowserContext = browser.new_context(viewport={"width": 320, "height": 700})
    page = served.sign_in(context, WREN)
    said = complaints(page)
    asked: list[str] = []
    page.on("request", lambda one: asked.append(one.url))
    page.goto(f"{served.url}/stations/{BASS}")
    expect(page.locator("#station-off")).to_contain_text("onerror", timeout=LONG)
    wrong: list[str] = []
    paths = [f"/stations/{BASS}", f"/alarms/{BASS}/label", f"/stations/{HALL}/keys-left"]
    for path in chain(everywhere(served, page), going_to(served, page, paths)):
        if page.evaluate("document.documentElement.scrollWidth") > 320:
            wrong.append(f"{path}: {page.evaluate('document.documentElement.scrollWidth')} px wide")
        if page.locator("img, main script").count():
            wrong.append(f"{path}: markup of a station's own")
    assert (wrong, said) == ([], [])
    assert not [url for url in asked if not url.startswith(served.url) or url.endswith("/x")]
