"""What people do most, by keyboard alone: sign in, acknowledge, put off, and hold a page that keeps itself up to date."""

import pytest
from playwright.sync_api import Browser, Page, expect

from browser.conftest import PASSWORD, Served
from browser.judges import focused, pressed_to, reach
from browser.test_page import LONG, PHONE, open_alert
from estates import HALL, WREN

DRUMS = f"{HALL}/drums"


@pytest.fixture
def page(served: Served, browser: Browser) -> Page:
    """Give a phone with a keyboard, at whose page somebody is signed in."""
    return served.sign_in(browser.new_context(viewport=PHONE, reduced_motion="reduce"), WREN)


def at(page: Page, name: str) -> None:
    """Go on by tab to the field of an id."""
    reach(page, lambda: bool(page.evaluate("document.activeElement.id") == name))


def test_signing_in_by_keyboard_alone(page: Page, served: Served) -> None:
    """Out and in again: name and password are the first fields that the tab key comes to, and Enter sends them."""
    pressed_to(page, "Sign out")
    expect(page.locator(".said")).to_contain_text("You are signed out")
    page.goto(f"{served.url}/orders")
    page.wait_for_url("**/sign-in?to=/orders")
    at(page, "name")
    page.keyboard.type(WREN)
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.id") == "password"
    page.keyboard.type(PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_url(f"{served.url}/orders")


def test_an_alarm_by_keyboard_alone(page: Page, served: Served) -> None:
    """It is acknowledged, put off with a reason, and taken back; each is said."""
    served.bench.meddle(DRUMS, "panel.menus", "open")
    open_alert(page, served)
    pressed_to(page, "Acknowledge")
    expect(page.locator("main > .said")).to_contain_text("Acknowledged")
    reach(page, lambda: focused(page).strip().startswith("Put off until a time"))
    page.keyboard.press("Enter")
    reach(page, lambda: bool(page.evaluate("document.activeElement.name") == "until"))
    page.keyboard.press("ArrowDown")
    chosen = page.evaluate("document.activeElement.value")
    assert page.locator("#shelve input[name=until]:checked").input_value() == chosen
    at(page, "shelve-reason")
    page.keyboard.type("the drummer wants them open tonight")
    pressed_to(page, "Put it off")
    expect(page.locator("main > .said")).to_contain_text("it comes back by itself")
    expect(page.locator("#alarm-what")).to_contain_text("the drummer wants them open tonight")
    pressed_to(page, "Take from the shelf")
    expect(page.locator("main > .said")).to_contain_text("Taken from the shelf")


def test_a_page_is_held_by_keyboard_alone(page: Page, served: Served) -> None:
    """WCAG 2.2 2.2.2: what moves by itself is paused, and goes on, by one key each; the focus stays where it is."""
    pressed_to(page, "Pause")
    words = page.locator("#live-words")
    expect(words).to_have_text("Paused")
    served.bench.meddle(DRUMS, "panel.menus", "open")
    for _ in range(LONG // 100):
        if any("panel.menus" in subject for subject in served.bench.subjects()):
            break
        page.wait_for_timeout(100)
    else:
        pytest.fail("it is never recorded")
    expect(page.locator("#nav-count .count")).to_have_count(0)
    assert focused(page) == "Go on"
    page.keyboard.press("Enter")
    expect(words).to_have_text("Live")
    expect(page.locator("#nav-count .count")).to_have_count(1, timeout=LONG)
    assert focused(page) == "Pause"
