"""The past in a real browser: history, a station then, who approved a value, the account; and a pair that is shown once."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from browser.conftest import Served
from browser.judges import reach
from browser.test_page import LONG, PHONE, confirm
from estates import HALL, WREN

DRUMS, SESSION = f"{HALL}/drums", "service.remote-session"
COMMIT = re.compile(r"/history/[0-9a-f]{40}$")


def fits(page: Page) -> None:
    """See that a page is no wider than the phone."""
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"], page.url


def found_open(page: Page, served: Served) -> None:
    """Have the menus opened at the station itself, and wait until the records have it."""
    served.bench.meddle(DRUMS, "panel.menus", "open")
    for _ in range(LONG // 100):
        if any("panel.menus" in subject for subject in served.bench.subjects()):
            return
        page.wait_for_timeout(100)
    pytest.fail("it is never recorded")


def test_without_script_every_question_is_a_link_or_a_form(served: Served, browser: Browser) -> None:
    """From the first page to a commit, to the station then, to who approved a value, and to the account, on a phone."""
    page = served.sign_in(browser.new_context(viewport=PHONE, java_script_enabled=False), WREN)
    found_open(page, served)
    main = page.locator("main")
    page.get_by_role("link", name="History").first.click()
    page.locator("summary", has_text="Search").click()
    page.fill("#station", DRUMS)
    page.get_by_text("What it is about").click()
    page.get_by_label("found", exact=False).first.check()
    page.get_by_role("button", name="Search").click()
    expect(main.get_by_role("heading", name="Found")).to_be_visible()
    expect(page.locator("#station")).to_have_value(DRUMS)
    main.locator("table a").first.click()
    expect(page).to_have_url(COMMIT)
    expect(main).to_contain_text("panel.menus")
    page.go_back()
    page.get_by_role("link", name="Clear the search").click()
    expect(main.get_by_role("heading", name="Everything")).to_be_visible()
    page.get_by_role("link", name="A station at a past time").click()
    page.fill("#station", DRUMS)
    page.get_by_role("button", name="Show").click()
    expect(main).to_contain_text("≠ open")
    page.goto(f"{served.url}/who/panel.menus")
    page.select_option("#site", HALL)
    page.get_by_role("button", name="Show").click()
    expect(main.get_by_role("rowheader").first).to_contain_text("locked")
    page.get_by_role("link", name="Its history").click()
    expect(page.locator("#setting")).to_have_value("panel.menus")
    page.get_by_role("link", name="The account of a time").click()
    page.select_option("#site", HALL)
    page.get_by_role("button", name="Show").click()
    expect(main.get_by_role("heading", name="Drift found")).to_be_visible()
    expect(main).to_contain_text("by the clock of Europe/Berlin: quillfen-hall.")


def test_the_past_by_keyboard_alone(served: Served, browser: Browser) -> None:
    """Each of the four pages is reached, asked and read on a phone without a pointer, and none is wider than it."""
    page = served.sign_in(browser.new_context(viewport=PHONE, reduced_motion="reduce"), WREN)
    found_open(page, served)

    def go_to(words: str) -> None:
        asked = f"document.activeElement.textContent.trim() === {words!r}"
        reach(page, lambda: bool(page.evaluate(asked)))

    def type_into(name: str, text: str) -> None:
        reach(page, lambda: page.evaluate("document.activeElement.id") == name)
        page.keyboard.press("Control+A")
        page.keyboard.type(text)

    go_to("History")
    page.keyboard.press("Enter")
    page.wait_for_url("**/history")
    fits(page)
    go_to("Search")
    page.keyboard.press("Enter")
    type_into("station", DRUMS)
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="Found")).to_be_visible()
    fits(page)
    reach(page, lambda: bool(COMMIT.search(str(page.evaluate("document.activeElement.href || ''")))))
    page.keyboard.press("Enter")
    page.wait_for_url(COMMIT)
    fits(page)
    page.goto(f"{served.url}/state")
    type_into("station", DRUMS)
    page.keyboard.press("Enter")
    expect(page.locator("main")).to_contain_text("≠ open")
    fits(page)
    page.goto(f"{served.url}/who/panel.menus")
    reach(page, lambda: page.evaluate("document.activeElement.id") == "site")
    page.keyboard.type("Quillfen")
    go_to("Show")
    page.keyboard.press("Enter")
    page.wait_for_url(f"**/who/panel.menus?site={HALL}")
    expect(page.get_by_role("rowheader").first).to_contain_text("locked")
    fits(page)
    page.goto(f"{served.url}/accounting")
    reach(page, lambda: page.evaluate("document.activeElement.id") == "site")
    page.keyboard.type("Quillfen")
    go_to("Show")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="Drift found")).to_be_visible()
    fits(page)


def test_no_label_of_a_card_covers_another(served: Served, browser: Browser) -> None:
    """On a phone a cell is as high as its label, however many lines that takes."""
    page = served.sign_in(browser.new_context(viewport=PHONE), WREN)
    page.goto(f"{served.url}/accounting")
    covered = page.evaluate(
        """() => [...document.querySelectorAll(".cards td[data-label]")].filter((cell) => {
            const label = cell.cloneNode(false), box = cell.getBoundingClientRect();
            label.style.cssText = "position: absolute; padding: 0; min-height: 0; width: 6.5rem";
            label.textContent = cell.dataset.label;
            label.removeAttribute("data-label");
            cell.parentNode.append(label);
            const high = label.getBoundingClientRect().height;
            label.remove();
            return box.height > 0 && high > box.height + 1;
        }).map((cell) => cell.dataset.label)"""
    )
    assert page.locator(".cards td[data-label='Of how many']").count() > 0
    assert covered == []


@pytest.mark.parametrize("script", [True, False])
def test_a_pair_is_shown_once(served: Served, browser: Browser, tmp_path: Path, *, script: bool) -> None:
    """The answer to the confirmation holds it, what comes live leaves it there, and the page loaded anew has it no more."""
    wish = (DRUMS, SESSION, "open", "--for", "1 h", "--by", WREN, "--reason", "the maker looks")
    told = subprocess.run(
        [sys.executable, "-m", "asleft", "lend", *wish, "--home", str(served.bench.home)],
        capture_output=True,
        check=False,
        encoding="utf-8",
    )
    assert told.returncode == 0, told.stderr
    page = served.sign_in(browser.new_context(viewport=PHONE, java_script_enabled=script), WREN)
    page.goto(f"{served.url}/orders")
    page.locator("main a[href^='/orders/']").first.click()
    expect(page.locator("#order-confirm")).to_contain_text("Wait for that page")
    confirm(page, "agreed on the phone")
    handed = page.locator("#handed")
    expect(handed).to_contain_text("Shown this once, and kept nowhere", timeout=LONG)
    pair = served.bench.station(DRUMS).handed(SESSION)
    for secret in pair.values():
        expect(handed).to_contain_text(secret)
    fits(page)
    page.screenshot(path=Path(os.environ.get("ASLEFT_PICTURES") or tmp_path) / f"handed-{script}.png")
    if script:
        served.bench.meddle(DRUMS, "panel.menus", "open")
        expect(page.locator("#nav-count")).to_contain_text("1", timeout=LONG)
        expect(handed).to_contain_text(pair["password"])
    page.goto(page.url)
    expect(page.locator("#order-state")).to_contain_text("has it given back and lent again")
    expect(handed).to_have_count(0)
    assert not [secret for secret in pair.values() if secret in page.content()]
