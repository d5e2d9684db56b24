"""How every page looks in a real browser: on a phone and a desk, light and dark, at 200 %, and while stations say the worst."""

import os
from collections.abc import Iterator, Sequence
from itertools import chain
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Dialog, Page, ViewportSize, expect

from browser.conftest import Served
from browser.test_page import LONG, PAGES, draw_up
from estates import HALL, WREN
from web.side_stage import HOSTILE

DRUMS, BASS = f"{HALL}/drums", f"{HALL}/bass"
SIZES: dict[str, ViewportSize] = {
    "phone": {"width": 360, "height": 740},
    "desk": {"width": 1280, "height": 800},
}
CUT = """() => [...document.querySelectorAll("main *, header *, nav *, footer *")].filter((one) => {
    const box = one.getBoundingClientRect(), look = getComputedStyle(one);
    if (one.closest(".aside, svg, thead") || box.width <= 1 || look.visibility === "hidden") return false;
    const hides = /hidden|clip/.test(look.overflowX + look.overflowY);
    return (hides && one.scrollWidth > one.clientWidth + 1) || (box.right > innerWidth + 1 && !one.closest(".scrolls, .scroll"));
}).map((one) => one.outerHTML.slice(0, 120))"""
"""Elements of which a part cannot be seen: cut by themselves, or beyond the edge and in no part that scrolls."""


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


def complaints(page: Page) -> list[str]:
    """Give a list that takes down whatever the browser complains of."""
    said: list[str] = []

    def told(dialog: Dialog) -> None:
        said.append(f"dialog: {dialog.message}")
        dialog.dismiss()

    page.on("console", lambda one: said.append(f"console: {one.text}"))
    page.on("pageerror", lambda one: said.append(f"error: {one}"))
    page.on("dialog", told)
    return said


@pytest.mark.parametrize("look", ["light", "dark"])
@pytest.mark.parametrize("size", [*SIZES])
def test_pictures_of_every_page(
    served: Served, browser: Browser, tmp_path: Path, size: str, look: str
) -> None:
    """They are kept in ASLEFT_PICTURES where that is set; no page is wider than its screen, and the browser complains of none."""
    into = Path(os.environ.get("ASLEFT_PICTURES") or tmp_path)
    into.mkdir(parents=True, exist_ok=True)
    served.bench.meddle(DRUMS, "headphones.gain", "+12 dB")
    served.bench.meddle(BASS, "panel.menus", "open")
    context = browser.new_context(
        viewport=SIZES[size], color_scheme="dark" if look == "dark" else "light", reduced_motion="reduce"
    )
    page = served.sign_in(context, WREN)
    said = complaints(page)
    wide: list[str] = []
    for path in everywhere(served, page):
        name = path.strip("/").replace("/", "_") if not path.startswith("/orders/") else "order"
        page.screenshot(path=into / f"{name or 'now'}-{size}-{look}.png")
        if page.evaluate("document.documentElement.scrollWidth > innerWidth"):
            wide.append(path)
    assert (wide, said) == ([], [])
    assert (into / f"order-{size}-{look}.png").read_bytes().startswith(b"\x89PNG")


def test_at_200_percent_nothing_is_lost(served: Served, browser: Browser) -> None:
    """1280 px at 200 % are 640 px at two dots each: nothing is beyond the edge or cut off (WCAG 2.2, 1.4.4)."""
    served.bench.meddle(DRUMS, "headphones.gain", "+12 dB")
    context = browser.new_context(viewport={"width": 640, "height": 400}, device_scale_factor=2)
    page = served.sign_in(context, WREN)
    wrong: list[str] = []
    for path in everywhere(served, page):
        if page.evaluate("document.documentElement.scrollWidth > innerWidth"):
            wrong.append(f"{path}: it scrolls sideways")
        wrong += [f"{path}: {one}" for one in page.evaluate(CUT)]
    assert wrong == []


def test_an_alarm_is_shelved(served: Served, browser: Browser) -> None:
    """Put off for a time with a reason it is on the shelf, with who and why, and no longer counted; taken back it is an alarm."""
    served.bench.meddle(DRUMS, "panel.menus", "open")
    page = served.sign_in(browser.new_context(viewport=SIZES["phone"], has_touch=True), WREN)
    page.goto(f"{served.url}/")
    expect(page.locator("main")).to_contain_text("drums", timeout=LONG)
    page.get_by_role("link", name="drums").first.click()
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
