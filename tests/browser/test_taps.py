"""How many taps it takes on a phone from an alert's link to a restore, counted by the browser that is tapped."""

import re

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect

from browser.conftest import Served
from browser.test_page import LONG, ORDER, PHONE, open_alert
from estates import HALL, WREN

MOST = 3
COUNT = """
addEventListener("click", (one) => {
  sessionStorage.setItem("taps", Number(sessionStorage.getItem("taps")) + 1);
  if (!one.isTrusted || one.pointerType !== "touch") sessionStorage.setItem("no tap", one.target.outerHTML);
}, true);
"""
"""Counts in the browser whatever is clicked, over all pages of the tab, and keeps what was clicked by no finger."""


def a_phone(browser: Browser) -> BrowserContext:
    """Give a small screen that is touched, and whose taps are counted."""
    context = browser.new_context(viewport=PHONE, has_touch=True, is_mobile=True)
    context.add_init_script(COUNT)
    return context


def taps(page: Page) -> int:
    """Give how many taps there were, all of them by a finger."""
    assert page.evaluate("sessionStorage.getItem('no tap')") is None
    return int(page.evaluate("Number(sessionStorage.getItem('taps'))"))


@pytest.mark.parametrize(
    "setting, value, hazards", [("panel.menus", "open", 0), ("headphones.gain", "+12 dB", 1)]
)
def test_taps_from_an_alert_to_a_restore(
    served: Served, browser: Browser, setting: str, value: str, hazards: int
) -> None:
    """Signed in: at most three taps where nothing can go wrong, and one more for each hazard; nothing is typed."""
    served.bench.meddle(f"{HALL}/drums", setting, value)
    page = served.sign_in(a_phone(browser), WREN)
    open_alert(page, served, setting)
    page.evaluate("sessionStorage.clear()")  # counted from here
    page.get_by_role("button", name=re.compile("^Restore")).tap()
    page.wait_for_url(ORDER)
    words = page.locator("input[name=suggested]:checked").evaluate(
        "(one) => one.parentElement.innerText.trim()"
    )
    boxes = page.locator("input[name=accept]").all()
    assert len(boxes) == hazards
    for box in boxes:
        box.tap()
    page.locator("form.confirm button.main").tap()
    expect(page.locator("#order-state [data-say]")).to_contain_text("It is restored", timeout=LONG)
    expect(page.locator("#order-life")).to_contain_text(f"confirmed by Wren Halloway: {words}")
    assert taps(page) <= MOST + hazards
    assert taps(page) == 2 + hazards  # what stands in the guide


def test_taps_from_an_alert_of_two_stations_to_a_restore_of_both(served: Served, browser: Browser) -> None:
    """Two drifts of one cause are one page and one order: no more taps than for one."""
    names = ("drums", "bass")
    for name in names:
        served.bench.meddle(f"{HALL}/{name}", "panel.menus", "open")
    page = served.sign_in(a_phone(browser), WREN)
    page.goto(f"{served.url}/alarms/{HALL}?cause=panel.menus")
    button = page.get_by_role("button", name=re.compile("^Restore these 2 stations"))
    expect(button).to_be_visible(timeout=LONG)
    page.reload()  # an alert is sent once its alarm stands
    page.evaluate("sessionStorage.clear()")  # counted from here
    button.tap()
    page.wait_for_url(re.compile(r"/orders/g[0-9a-f]{9}$"))
    page.locator("form.confirm button.main").tap()
    expect(page.locator("#group-state")).to_contain_text("2 restored", timeout=LONG)
    assert taps(page) == 2
    assert {served.bench.station(f"{HALL}/{name}").get("panel.menus") for name in names} == {"locked"}


def test_another_reason_is_one_tap_more(served: Served, browser: Browser) -> None:
    """A reason that is tapped instead of the first one is recorded in the words that stand on the screen."""
    served.bench.meddle(f"{HALL}/drums", "panel.menus", "open")
    page = served.sign_in(a_phone(browser), WREN)
    open_alert(page, served, "panel.menus")
    page.evaluate("sessionStorage.clear()")  # counted from here
    page.get_by_role("button", name=re.compile("^Restore")).tap()
    page.wait_for_url(ORDER)
    page.get_by_label("before doors", exact=True).tap()
    page.locator("form.confirm button.main").tap()
    expect(page.locator("#order-life")).to_contain_text(
        "confirmed by Wren Halloway: before doors", timeout=LONG
    )
    assert taps(page) == MOST
