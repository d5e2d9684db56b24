"""What people do on the page, in a real browser, with a real agent and stations that are meddled with over the wire."""

import io
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from PIL import Image, ImageChops
from playwright.sync_api import Browser, BrowserContext, Page, ViewportSize, expect

from browser.conftest import Served
from estates import HALL, IDRIS, WREN
from interop.conftest import prepared_node

PHONE: ViewportSize = {"width": 360, "height": 740}
DRUMS = f"/stations/{HALL}/drums"
LONG = 30_000
"""Milliseconds in which something must show on a busy machine."""
HERE = Path(__file__).parent
DRAWN = 32
"""By so much a picture differs at least where a focus is drawn; the same thing drawn twice differs by 1 here and there (measured)."""
PAGES = (
    "/",
    f"/sites/{HALL}",
    DRUMS,
    f"/stations/{HALL}/drums/headphones.gain",
    f"/alarms/{HALL}/drums",
    "/orders",
    "/history",
    "/history?kind=found&from=7d",
    f"/state/{HALL}/drums",
    f"/who/headphones.gain?site={HALL}",
    "/accounting",
    "/figures",
    "/baseline",
    "/people",
    "/account",
    "/account/passkeys",
    "/help",
    f"/agenda/{HALL}",
    f"/addresses/{HALL}",
    f"/patch/{HALL}",
    f"/hearing/{HALL}",
)


def sees_drift_live(page: Page, served: Served) -> None:
    """Open the menus at the station itself, and see the page show it without being loaded again."""
    page.goto(f"{served.url}{DRUMS}")
    page.evaluate("window.notLoadedAgain = true")
    served.bench.meddle(f"{HALL}/drums", "panel.menus", "open")
    expect(page.locator("#station-off")).to_contain_text("Menus", timeout=LONG)
    assert page.evaluate("window.notLoadedAgain") is True


def draw_up(page: Page, served: Served) -> None:
    """Have the order of the drummer's station drawn up."""
    page.goto(f"{served.url}{DRUMS}")
    page.get_by_role("button", name=re.compile("restore", re.IGNORECASE)).first.click()
    page.wait_for_url(re.compile(r"/orders/[0-9a-f]{10}$"))


def confirm(page: Page, reason: str) -> None:
    """Tick what can go wrong, say why, and confirm."""
    for box in page.locator("input[name=accept]").all():
        box.check()
    page.fill("#reason", reason)
    page.locator("form.confirm button.main").click()


def test_two_people_restore_a_rise_on_two_phones(served: Served, browser: Browser) -> None:
    """Drift arrives live; the first confirmation waits for the second, which the first one's phone sees end, restored."""
    served.bench.meddle(f"{HALL}/drums", "headphones.limiter-level", "-20 dB")
    wren = served.sign_in(browser.new_context(viewport=PHONE, has_touch=True), WREN)
    sees_drift_live(wren, served)
    draw_up(wren, served)
    confirm(wren, "before doors")
    expect(wren.locator("#order-waits")).to_contain_text("second person", timeout=LONG)
    idris = served.sign_in(browser.new_context(viewport=PHONE, has_touch=True), IDRIS)
    idris.goto(wren.url)
    expect(idris.locator("#order-waits")).to_contain_text("Wren Halloway")
    confirm(idris, "heard it, too")
    expect(idris.locator("#order-state")).to_contain_text("restored", timeout=LONG)
    expect(wren.locator("#order-state")).to_contain_text("restored", timeout=LONG)
    station = served.bench.station(f"{HALL}/drums")
    assert (station.get("headphones.limiter-level"), station.get("panel.menus")) == (-9.0, "locked")
    assert served.bench.subjects()[0] == f"{HALL}/drums: restored 2 settings"


def test_without_script_an_order_is_confirmed(served: Served, browser: Browser) -> None:
    """Every step is a link or a form."""
    served.bench.meddle(f"{HALL}/drums", "panel.menus", "open")
    page = served.sign_in(browser.new_context(viewport=PHONE, java_script_enabled=False), WREN)
    draw_up(page, served)
    confirm(page, "before doors")
    expect(page.locator("#order-state")).to_contain_text("restored", timeout=LONG)
    assert served.bench.station(f"{HALL}/drums").get("panel.menus") == "locked"


def test_by_keyboard_alone(served: Served, browser: Browser) -> None:
    """The first tab is the way past the frame; an order is drawn up, ticked and confirmed without a pointer."""
    served.bench.meddle(f"{HALL}/drums", "headphones.gain", "+12 dB")
    page = served.sign_in(browser.new_context(), WREN)
    page.goto(f"{served.url}{DRUMS}")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.getAttribute('href')") == "#main"
    reach(page, lambda: bool(re.search("restore", focused(page), re.IGNORECASE)))
    page.keyboard.press("Enter")
    page.wait_for_url(re.compile(r"/orders/[0-9a-f]{10}$"))
    for box in page.locator("input[name=accept]").all():
        name = box.get_attribute("value")
        reach(page, lambda name=name: page.evaluate("document.activeElement.value") == name)  # type: ignore[misc]
        page.keyboard.press("Space")
    reach(page, lambda: page.evaluate("document.activeElement.id") == "reason")
    page.keyboard.type("before doors")
    page.keyboard.press("Enter")
    expect(page.locator("#order-state")).to_contain_text("restored", timeout=LONG)


def focused(page: Page) -> str:
    """Give the words of the element that has the focus."""
    return str(page.evaluate("document.activeElement.textContent"))


def apart(one: bytes, other: bytes) -> int:
    """Give by how much two pictures of the same size differ where they differ most, in 255ths of a channel."""
    pictures = [Image.open(io.BytesIO(data)).convert("RGB") for data in (one, other)]
    return max(ImageChops.difference(*pictures).tobytes())


def reach(page: Page, there: Callable[[], bool]) -> None:
    """Go on by tab until something has the focus; whatever has it on the way can be seen to have it (WCAG 2.2 2.4.7)."""
    # The picker inside a field for a date takes the focus itself, and neither matches then: what is drawn has to be compared.
    dates = [one for one in page.locator("input[type^=date]:not(:focus)").all() if one.is_visible()]
    plain = {one.get_attribute("id"): one.screenshot(animations="disabled") for one in dates}
    for _ in range(120):
        if there():
            return
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.matches(':focus-visible')"):
            continue
        field = page.evaluate("document.activeElement.id")
        assert field in plain, focused(page)
        assert apart(page.locator(f"#{field}").screenshot(animations="disabled"), plain[field]) > DRAWN, field
    pytest.fail("it is never reached by tab")


@pytest.mark.parametrize("look", ["light", "dark"])
def test_no_page_has_what_an_independent_judge_finds(served: Served, browser: Browser, look: str) -> None:
    """axe-core finds nothing on any page (WCAG 2.2 A and AA), and none is wider than 320 px (1.4.10)."""
    axe = (prepared_node(HERE, "axe") / "node_modules/axe-core/axe.min.js").read_text("utf-8")
    served.bench.meddle(f"{HALL}/drums", "headphones.gain", "+12 dB")
    served.bench.meddle(f"{HALL}/bass", "headphones.limiter-level", "-20 dB")
    context: BrowserContext = browser.new_context(
        viewport={"width": 320, "height": 700},
        color_scheme="dark" if look == "dark" else "light",
        reduced_motion="reduce",
    )
    page = served.sign_in(context, WREN)
    draw_up(page, served)
    wrong: list[str] = []
    for path in (*PAGES, page.url.removeprefix(served.url)):
        answer = page.goto(f"{served.url}{path}")
        assert answer is not None
        if answer.status != 200:
            wrong.append(f"{path}: answered {answer.status}")
            continue
        page.evaluate(axe)
        found = page.evaluate(
            "axe.run({runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa']})"
            ".then(r => r.violations.map(v => v.id + ': ' + v.nodes.map(n => n.html).slice(0, 2).join(' ; ')))"
        )
        wrong += [f"{path}: {one}" for one in found]
        wide = page.evaluate("document.documentElement.scrollWidth")
        if wide > 320:
            wrong.append(f"{path}: {wide} px wide")
    assert wrong == []


@pytest.mark.parametrize("hidden", [False, True])
def test_a_focus_that_is_not_drawn_is_found(browser: Browser, *, hidden: bool) -> None:
    """Each part of a field for a date shows that it has the focus; where a look takes that away, `reach` fails."""
    page = browser.new_page()
    bare = "#day, #day::-webkit-calendar-picker-indicator { outline: none }" if hidden else ""
    page.set_content(
        f"<!doctype html><style>{bare}</style><input id=day type=date><button id=end>End</button>"
    )

    def there() -> bool:
        return bool(page.evaluate("document.activeElement.id") == "end")

    if hidden:
        with pytest.raises(AssertionError, match="day"):
            reach(page, there)
    else:
        reach(page, there)
