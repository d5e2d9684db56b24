"""The demo as README's reader meets it: the link is followed, drift arrives while one looks, two people restore."""

import re
import signal
from pathlib import Path

from playwright.sync_api import Browser, BrowserContext, Page, expect

from browser.conftest import PASSWORD
from browser.test_page import LONG, confirm
from demos import a_demo, links_of


def signed_in(context: BrowserContext, link: str) -> Page:
    """Follow a first link, and give the page after it."""
    page = context.new_page()
    page.goto(link)
    page.fill("#password", PASSWORD)
    page.fill("#again", PASSWORD)
    page.click("button.main")
    expect(page.locator("main")).to_contain_text("Welcome")
    return page


def drawn_up(page: Page, url: str, station: str) -> str:
    """Have an order drawn up for a station, and give the way to it."""
    page.goto(f"{url}/stations/{station}")
    page.get_by_role("button", name=re.compile("restore", re.IGNORECASE)).first.click()
    page.wait_for_url(re.compile(r"/orders/[0-9a-f]{10}$"))
    return page.url.removeprefix(url)


def test_the_demo_is_followed_in_one_browser(tmp_path: Path, browser: Browser) -> None:
    """Now is calm, then shows the alarms; one order takes Wren alone, another Wren and Idris, who are both signed in here."""
    orders = "{two-people: [hearing rise], rise-pause-seconds: 0}"
    with a_demo(tmp_path, orders=orders) as demo:
        url, first, second = links_of(demo)
        context = browser.new_context()
        wren, idris = signed_in(context, first), signed_in(context, second)
        wren.goto(f"{url}/")
        wren.evaluate("window.notLoadedAgain = true")
        idris.goto(idris.url + "stations/quillfen-hall/drums")
        assert demo.stdin is not None
        demo.stdin.write("\n")
        demo.stdin.flush()
        expect(idris.locator("#station-off")).to_contain_text("+12 dB", timeout=LONG)
        expect(wren.locator("main")).to_contain_text("Quillfen Hall: drums", timeout=LONG)
        assert wren.evaluate("window.notLoadedAgain") is True
        drawn_up(wren, url, "quillfen-hall/drums")
        confirm(wren, "before doors")
        expect(wren.locator("#order-state")).to_contain_text("restored", timeout=LONG)
        path = drawn_up(wren, url, "quillfen-hall/bass")
        confirm(wren, "before doors")
        expect(wren.locator("#order-waits")).to_contain_text("second person", timeout=LONG)
        idris.goto(f"{url.replace('localhost', '127.0.0.1')}{path}")
        confirm(idris, "heard it, too")
        expect(wren.locator("#order-state")).to_contain_text("restored", timeout=LONG)
        demo.stdin.write("\n")
        demo.stdin.flush()
        assert demo.stdout is not None
        told = "".join(iter(demo.stdout.readline, "  asleft history\n"))
        demo.send_signal(signal.SIGINT)
        out, err = demo.communicate(timeout=60)
    assert (demo.returncode, err) == (0, "")
    assert (told + out).count("is restored: every write was read back as ordered") == 2
    assert list((tmp_path / "temporary").iterdir()) == []
