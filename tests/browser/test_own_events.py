"""What somebody is told of their own sign-in, in a real browser: by itself while a page is open, and without any script."""

import re

import httpx
from playwright.sync_api import Browser, expect

from browser.conftest import PASSWORD, Served
from browser.judges import cut_off, too_small
from estates import WREN

LIMIT = re.compile(
    "5 wrong passwords; the limit was reached, and each further try has to wait, from 127.0.0.1"
)


def guess(served: Served, times: int) -> None:
    """Give wrong passwords in another browser."""
    with httpx.Client(base_url=served.url, headers={"Sec-Fetch-Site": "same-origin"}) as client:
        for _ in range(times):
            found = re.search(r'name="form-token" value="([0-9a-f]{64})"', client.get("/sign-in").text)
            assert found is not None
            fields = {"form-token": found[1], "name": WREN, "password": "wrong every time"}
            assert client.post("/sign-in", data=fields).status_code in {422, 429}


def test_it_is_told_until_it_was_seen(served: Served, browser: Browser) -> None:
    """ASVS 5.0.0, 6.3.5: an open page tells of it by itself; on a phone and without script it is read, answered, and gone."""
    with_script = browser.new_context(viewport={"width": 1280, "height": 800})
    desk = served.sign_in(with_script, WREN)
    expect(desk.locator("#own-events section")).to_have_count(0)
    guess(served, 5)
    expect(desk.locator("#own-events")).to_contain_text(LIMIT)

    phone = browser.new_context(java_script_enabled=False, viewport={"width": 360, "height": 740})
    phone.add_cookies(
        [{"name": one["name"], "value": one["value"], "url": served.url} for one in with_script.cookies()]
    )
    page = phone.new_page()
    page.goto(f"{served.url}/people")
    told = page.get_by_role("region", name="About your sign-in")
    expect(told).to_contain_text(LIMIT)
    told.get_by_role("link", name="It was not me").click()
    expect(page).to_have_url(f"{served.url}/account#not-you")
    expect(page.get_by_role("heading", name="If something was not you")).to_be_visible()
    expect(page.get_by_role("row").filter(has_text=LIMIT.pattern.partition(",")[0])).to_contain_text(
        "not seen yet"
    )
    told.get_by_role("button", name="I know of it").click()
    expect(page).to_have_url(f"{served.url}/account")
    expect(told).to_have_count(0)
    expect(page.get_by_text("not seen yet")).to_have_count(0)
    assert PASSWORD not in page.content()
    phone.close()
    with_script.close()


def test_a_phone_shows_all_of_it(served: Served, browser: Browser) -> None:
    """WCAG 2.2, 1.4.10, 2.5.5: at 360 px nothing of the message or the list is cut off, and controls are large enough."""
    context = browser.new_context(viewport={"width": 360, "height": 740})
    page = served.sign_in(context, WREN)
    guess(served, 5)
    page.goto(f"{served.url}/account")
    expect(page.locator("#own-events")).to_contain_text(LIMIT)
    page.locator("#account-events summary").click()
    assert (cut_off(page), too_small(page)) == ([], [])
    context.close()
