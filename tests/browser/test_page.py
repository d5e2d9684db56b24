"""What people do on the page, in a real browser, with a real agent and stations that are meddled with over the wire."""

import re
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Browser, Page, ViewportSize, expect

from browser.conftest import Served
from browser.judges import focused, reach
from estates import HALL, IDRIS, WREN

PHONE: ViewportSize = {"width": 360, "height": 740}
DRUMS = f"/stations/{HALL}/drums"
LONG = 30_000
"""Milliseconds in which something must show on a busy machine."""
ORDER = re.compile(r"/orders/[0-9a-f]{10}$")
"""Where the page of an order is."""


def sees_drift_live(page: Page, served: Served) -> None:
    """Open the menus at the station itself, and see the page show it without being loaded again."""
    page.goto(f"{served.url}{DRUMS}")
    page.evaluate("window.notLoadedAgain = true")
    served.bench.meddle(f"{HALL}/drums", "panel.menus", "open")
    expect(page.locator("#station-off")).to_contain_text("Menus", timeout=LONG)
    assert page.evaluate("window.notLoadedAgain") is True


def open_alert(page: Page, served: Served, setting: str = "") -> None:
    """Open the link of an alert about the drummer's station, or about one setting of it, once its alarm stands."""
    page.goto(f"{served.url}/alarms/{HALL}/drums{setting and f'/{setting}'}")
    expect(page.get_by_role("button", name="Acknowledge", exact=True)).to_be_visible(timeout=LONG)
    # An alert is sent once its alarm stands, and a tap as something comes to an open page does nothing: no hand is so quick.
    with page.expect_response(lambda answer: urlsplit(answer.url).path == "/live", timeout=LONG):
        page.reload()
    page.wait_for_timeout(500)


def draw_up(page: Page, served: Served) -> None:
    """Have the order of the drummer's station drawn up."""
    page.goto(f"{served.url}{DRUMS}")
    page.get_by_role("button", name=re.compile("restore", re.IGNORECASE)).first.click()
    page.wait_for_url(ORDER)


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
    page.wait_for_url(ORDER)
    for box in page.locator("input[name=accept]").all():
        name = box.get_attribute("value")
        reach(page, lambda name=name: page.evaluate("document.activeElement.value") == name)  # type: ignore[misc]
        page.keyboard.press("Space")
    reach(page, lambda: page.evaluate("document.activeElement.id") == "reason")
    page.keyboard.type("before doors")
    page.keyboard.press("Enter")
    expect(page.locator("#order-state")).to_contain_text("restored", timeout=LONG)


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
