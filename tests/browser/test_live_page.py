"""How an open page changes by itself: what comes with a drift, what holds still under a finger, and a stream that is lost.

The page's clock is the test's (Playwright's fake timers), so that nothing here waits for time; station, agent and stream are real.
"""

import re
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import APIResponse, Browser, Page, Request, Route, expect

from browser.conftest import Served, an_agent
from browser.test_page import DRUMS, LONG, ORDER, PHONE, draw_up
from estates import HALL, IDRIS, WREN, a_bench

STATION = f"{HALL}/drums"
MONITORS = "monitors.quillfen.example"
BEGIN = datetime(2026, 6, 10, 12, 0, tzinfo=UTC)
"""When the browser's clock begins."""
STILL = datetime(2026, 6, 10, 12, 2, 30, tzinfo=UTC)
"""Where it is stopped: 14:02 at the hall."""
MOST_LOOKS = 10
"""How often a page may look for news in a minute in which a form is begun: each 15 s, and where it is told of something."""
LETS_GO = {
    "blur": "dispatchEvent(new Event('blur'))",
    "dragend": "document.body.dispatchEvent(new Event('dragend', {bubbles: true}))",
    "contextmenu": "document.body.dispatchEvent(new Event('contextmenu', {bubbles: true}))",
    "visibilitychange": "document.dispatchEvent(new Event('visibilitychange'))",
}
"""After which a pointer's end is told no more, and how it is made here."""


def opened(page: Page, served: Served, path: str = DRUMS) -> Page:
    """Open a page whose clock is the test's, and wait until it is live; it says later whether it was loaded again."""
    page.clock.install(time=BEGIN)
    with page.expect_request(lambda request: urlsplit(request.url).path == "/live"):
        page.goto(f"{served.url}{path}")
    expect(page.locator("#live-words")).to_have_text("Live", timeout=LONG)
    page.evaluate("window.notLoadedAgain = true")
    return page


def beside(page: Page, served: Served) -> Page:
    """Open the drummer's station in another tab: what it shows, the agent has told of."""
    other = page.context.new_page()
    other.goto(f"{served.url}{DRUMS}")
    return other


def shown(page: Page) -> str:
    """Give all that the page shows of the station."""
    return page.locator("main").inner_html()


def looks(page: Page) -> list[Request]:
    """Count from now on how often the page fetches itself."""
    seen: list[Request] = []
    page.on("request", lambda request: seen.append(request) if "x-asleft-live" in request.headers else None)
    return seen


def round_trip(page: Page) -> None:
    """Let the page ask the agent for something else, and wait for the answer: what it asked before is answered, too."""
    page.evaluate("fetch('/help').then((answer) => answer.text())")


def until(page: Page, there: Callable[[], bool], *, step: int = 200, most: int = LONG // 50) -> None:
    """Let the page's clock run, a little at a time, until something is there; what follows says whether it came.

    What comes between a look and the next step is half as old as what is swallowed by then.
    """
    for _ in range(most):
        if there():
            return
        page.clock.run_for(step)
        round_trip(page)


@pytest.mark.parametrize("motion", ["reduce", "no-preference"])
def test_a_drift_brings_its_caution_and_its_button(
    served: Served, browser: Browser, motion: Literal["reduce", "no-preference"]
) -> None:
    """Pages of a station, an alarm and a site that were open while all was as left: nothing is loaded again before Restore."""
    context = browser.new_context(viewport=PHONE, reduced_motion=motion)
    page = opened(served.sign_in(context, WREN), served)
    alarm = opened(context.new_page(), served, f"/alarms/{STATION}/headphones.gain")
    site = opened(context.new_page(), served, f"/sites/{HALL}")
    expect(page.locator("#station-off")).to_contain_text("Everything is as left")
    for one in (page, alarm, site):
        expect(one.get_by_text("Take the earphones out")).to_have_count(0)
        expect(one.locator("main button.main, #site-restore button")).to_have_count(0)
    served.bench.meddle(STATION, "headphones.gain", "+12 dB")
    expect(page.locator("#station-off")).to_contain_text("+12 dB", timeout=LONG)
    expect(page.locator("#station-caution")).to_contain_text("Take the earphones out")
    expect(page.locator("#live-said")).to_contain_text("Take the earphones out")
    expect(page.locator("#live-alert")).to_contain_text(
        "A new high alarm: Quillfen Hall, drums: headphone gain", timeout=LONG
    )
    expect(page.locator("#station-adopt")).to_contain_text("+12 dB")
    expect(alarm.locator("#alarm-caution")).to_contain_text("Take the earphones out", timeout=LONG)
    for act in ("Restore…", "Acknowledge"):
        expect(alarm.locator("#alarm-acts").get_by_role("button", name=act)).to_be_visible(timeout=LONG)
    expect(alarm.locator("#alarm-shelve summary")).to_be_visible()
    expect(site.locator("#site-restore button")).to_be_visible(timeout=LONG)
    for one in (page, alarm, site):
        assert one.evaluate("document.getAnimations().length") == 0
        assert one.evaluate("window.notLoadedAgain") is True
    restore = page.get_by_role("button", name="Restore…")
    expect(restore).to_be_in_viewport()  # on a phone it is at hand, wherever one is
    page.clock.fast_forward(1000)
    restore.click()
    page.wait_for_url(ORDER)


def test_a_page_that_is_paused_stands_still(served: Served, browser: Browser) -> None:
    """What moves by itself can be paused (WCAG 2.2 2.2.2): nothing is fetched or shown until Go on is pressed."""
    page = opened(served.sign_in(browser.new_context(), WREN), served)
    other = beside(page, served)
    page.get_by_role("button", name="Pause").click()
    expect(page.locator("#live-words")).to_have_text("Paused")
    before, asked = shown(page), looks(page)
    served.bench.meddle(STATION, "headphones.gain", "+12 dB")
    expect(other.locator("#station-off")).to_contain_text("+12 dB", timeout=LONG)
    page.clock.run_for(60_000)
    round_trip(page)
    assert (shown(page), asked) == (before, [])
    expect(page.locator("#live-lost")).to_be_empty()
    page.get_by_role("button", name="Go on").click()
    expect(page.locator("#station-off")).to_contain_text("+12 dB", timeout=LONG)


def test_nothing_moves_under_a_pointer_that_is_down(served: Served, browser: Browser) -> None:
    """Until it is up; or until something happened after which nobody tells that it is up."""
    page = opened(served.sign_in(browser.new_context(), WREN), served)
    other = beside(page, served)
    asked = looks(page)
    page.mouse.move(5, 300)
    for number, ends in enumerate([None, *LETS_GO]):
        value = "open" if number % 2 == 0 else "locked"
        words = "Menus" if value == "open" else "Everything is as left"
        page.mouse.down()
        before, count = shown(page), len(asked)
        served.bench.meddle(STATION, "panel.menus", value)
        expect(other.locator("#station-off")).to_contain_text(words, timeout=LONG)
        page.clock.run_for(20_000)
        round_trip(page)
        assert (shown(page), len(asked)) == (before, count), ends
        if ends is None:
            page.mouse.up()
        else:
            page.evaluate(LETS_GO[ends])
        page.clock.fast_forward(5000)
        expect(page.locator("#station-off")).to_contain_text(words, timeout=LONG)
        page.mouse.up()
        page.clock.fast_forward(5000)


def test_a_begun_reason_stays(served: Served, browser: Browser) -> None:
    """The rest of the page goes on, and the page does not ask without end meanwhile; once the form is left, it is renewed."""
    served.bench.meddle(STATION, "headphones.gain", "+12 dB")
    page = served.sign_in(browser.new_context(), WREN)
    beside(page, served).locator("#station-adopt summary").wait_for(timeout=LONG)
    opened(page, served)
    page.locator("#adopt summary").click()
    page.fill("#adopt-reason", "the singer asked")
    page.locator("h1").click()
    page.clock.fast_forward(5000)
    asked = looks(page)
    served.bench.meddle(STATION, "panel.menus", "open")
    expect(page.locator("#station-off")).to_contain_text("Menus", timeout=LONG)
    expect(page.locator("#live-lost")).to_contain_text("There is news", timeout=LONG)
    for _ in range(20):
        page.clock.fast_forward(3000)
        round_trip(page)
    assert 1 <= len(asked) <= MOST_LOOKS
    expect(page.locator("#adopt-reason")).to_have_value("the singer asked")
    expect(page.locator("#station-adopt")).not_to_contain_text("menus")
    page.clock.pause_at(datetime.fromtimestamp(page.evaluate("Date.now()") / 1000 + 5, UTC))
    page.fill("#adopt-reason", "")
    count = len(asked)
    # Just after a look for news: the next one by itself is 15 s off.
    until(page, lambda: len(asked) > count, step=500, most=40)
    round_trip(page)
    expect(page.locator("#station-adopt")).not_to_contain_text("menus")  # the focus holds it
    page.locator("h1").click()
    for _ in range(20):  # in 10 s at most
        page.clock.run_for(500)
        round_trip(page)
    expect(page.locator("#station-adopt")).to_contain_text("menus", timeout=LONG)
    expect(page.locator("#live-words")).to_have_text("Live")
    expect(page.locator("#live-lost")).to_be_empty()


SAID = """() => {
    window.said = [];
    new MutationObserver((changes) => window.said.push(...changes.flatMap((one) => [...one.addedNodes]).map((one) => one.textContent)))
        .observe(document.getElementById("live-lost"), { childList: true, subtree: true, characterData: true });
}"""
"""Keeps all that is put into the line on top: what is there is said by a screen reader each time that it is put there."""


def test_news_for_a_begun_form_is_said_at_hand(served: Served, browser: Browser) -> None:
    """An order is withdrawn while another person ticks: said once, where their thumb is, and only once no finger is down."""
    served.bench.meddle(STATION, "headphones.limiter-level", "-20 dB")
    wren = served.sign_in(browser.new_context(), WREN)
    draw_up(wren, served)
    phone = browser.new_context(viewport=PHONE)
    page = opened(served.sign_in(phone, IDRIS), served, urlsplit(wren.url).path)
    page.evaluate(SAID)
    box, form = page.locator("input[name=accept]").first, page.locator("form.confirm")
    line = page.get_by_role("status").filter(has_text="There is news about this page")
    box.check()
    page.clock.pause_at(STILL)
    form.get_by_role("button").scroll_into_view_if_needed()
    page.mouse.move(5, 300)
    page.mouse.down()
    wren.locator("#withdraw summary").click()
    wren.get_by_role("button", name="Withdraw it").click()
    expect(wren.locator("#order-state")).to_contain_text("withdrew it", timeout=LONG)
    page.clock.run_for(20_000)
    round_trip(page)
    expect(line).to_have_count(0)
    page.mouse.up()
    until(page, lambda: line.count() > 0)
    expect(line).to_have_text(
        "There is news about this page; the form that you began keeps it back. Load the page again"
    )
    expect(line).to_be_in_viewport()
    expect(page.locator("#order-state")).to_contain_text("Wren Halloway withdrew it")
    expect(box).to_be_checked()
    for _ in range(10):
        page.clock.run_for(5000)
        round_trip(page)
    expect(form.get_by_role("button")).to_have_count(1)
    expect(page.locator("#live-words")).to_have_text("Live")  # what would be said a second time
    assert page.evaluate("window.said") == [line.inner_text()]
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    assert page.evaluate("window.notLoadedAgain") is True
    line.get_by_role("link").click()
    expect(form).to_have_count(0)
    expect(page.locator("#order-state")).to_contain_text("Wren Halloway withdrew it")
    expect(page.locator("#live-lost")).to_be_empty()


def test_a_tap_as_things_shift_lands_on_nothing_else(served: Served, browser: Browser) -> None:
    """For 400 ms what came or moved takes no tap; what stayed where it was does, and so does a key."""
    page = opened(served.sign_in(browser.new_context(), WREN), served)
    page.clock.pause_at(STILL)
    way = page.get_by_role("link", name="As it was at a past time")
    over = way.bounding_box()
    served.bench.meddle(STATION, "headphones.gain", "+12 dB")
    off = page.locator("#station-off")
    until(page, lambda: "+12 dB" in off.inner_text())
    expect(off).to_contain_text("+12 dB")
    expect(page.locator("#station-adopt summary")).to_be_visible()
    now = way.bounding_box()
    assert over is not None
    assert now is not None
    assert now["y"] > over["y"]
    for act in (way, page.get_by_role("button", name="Restore…"), page.locator("#station-adopt summary")):
        act.click()
    page.locator("#station-settings summary").click()
    assert page.url == f"{served.url}{DRUMS}"
    assert page.locator("details[open]").count() == 0
    page.get_by_role("link", name="Help").click()
    page.wait_for_url(re.compile("/help$"))


def test_a_key_is_no_tap_and_a_later_tap_is_taken(served: Served, browser: Browser) -> None:
    """As soon as something came, a key opens it; a tap does 400 ms later."""
    page = opened(served.sign_in(browser.new_context(), WREN), served)
    page.clock.pause_at(STILL)
    served.bench.meddle(STATION, "headphones.gain", "+12 dB")
    summary, fold = page.locator("#station-adopt summary"), page.locator("#adopt")
    until(page, lambda: summary.count() > 0)
    summary.click()
    expect(fold).not_to_have_attribute("open", "")
    summary.press("Enter")
    expect(fold).to_have_attribute("open", "")
    page.clock.run_for(400)
    summary.click()
    expect(fold).not_to_have_attribute("open", "")


def test_a_lost_stream_is_said_on_top(tmp_path: Path, browser: Browser) -> None:
    """After 10 s without the agent a line says since when, wherever one is on the page, and goes when the agent is back."""
    with a_bench(tmp_path) as bench, ExitStack() as running:
        url = running.enter_context(an_agent(bench))
        served = Served(bench=bench, url=url)
        page = opened(served.sign_in(browser.new_context(viewport=PHONE), WREN), served)
        line = page.get_by_role("status").filter(has_text="Not live since")
        page.clock.pause_at(STILL)
        page.evaluate("scrollTo(0, document.body.scrollHeight)")
        running.close()
        expect(page.locator("#live-words")).to_have_text("Connecting again", timeout=LONG)
        page.clock.run_for(9_000)
        expect(page.locator("#live-lost")).to_be_empty()
        page.clock.run_for(2_000)
        expect(line).to_have_text(
            re.compile(r"^Not live since 14:0[0-2]; what stands here may be old\. Load the page again$")
        )
        expect(line).to_be_in_viewport()
        expect(line.locator("p")).to_have_css("border-top-style", "dashed")
        assert line.get_by_role("link").get_attribute("href") == DRUMS
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
        with an_agent(bench, port=int(url.rpartition(":")[2])):
            page.clock.resume()
            expect(page.locator("#live-lost")).to_be_empty(timeout=LONG)
            expect(page.locator("#live-words")).to_have_text("Live", timeout=LONG)
            assert page.evaluate("window.notLoadedAgain") is True


def test_a_stream_that_says_nothing_is_opened_anew(served: Served, browser: Browser) -> None:
    """A computer that has gone ends no connection: where not even a beat is heard, the page asks again."""
    page = opened(served.sign_in(browser.new_context(), WREN), served)
    with page.expect_request(lambda request: urlsplit(request.url).path == "/live", timeout=LONG):
        page.clock.fast_forward(26_000)
    expect(page.locator("#live-words")).to_have_text("Live", timeout=LONG)
    expect(page.locator("#live-lost")).to_be_empty()


@pytest.fixture
def away(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Served]:
    """Serve the page by a name that is not this computer's own, as to a phone."""
    monkeypatch.setenv("ASLEFT_PAGES_HOSTS", f'["{MONITORS}"]')
    with a_bench(tmp_path, orders="{rise-pause-seconds: 0}") as bench, an_agent(bench) as url:
        yield Served(bench=bench, url=url.replace("127.0.0.1", MONITORS))


def sent(page: Page) -> list[Request]:
    """Gather from now on what forms send."""
    seen: list[Request] = []
    page.on("request", lambda request: seen.append(request) if request.method == "POST" else None)
    return seen


def test_without_a_network_a_confirmation_is_held(away: Served, browser: Browser) -> None:
    """The page stays, with all that was ticked and typed, and says that nothing was sent; it is sent by nobody but the person."""
    away.bench.meddle(STATION, "headphones.gain", "+12 dB")
    context = browser.new_context(viewport=PHONE, has_touch=True)
    page = away.sign_in(context, WREN)
    draw_up(page, away)
    for box in page.locator("input[name=accept]").all():
        box.check()
    page.fill("#reason", "before doors")
    url, posts = page.url, sent(page)
    alert = page.get_by_role("alert").filter(has_text="No network: nothing was sent")
    button = page.locator("form.confirm button.main")
    context.set_offline(True)
    button.click()
    expect(alert).to_be_in_viewport()
    button.press("Enter")  # a key is taken at once; a second tap might be meant for what stood there before
    expect(alert).to_be_in_viewport()
    context.set_offline(False)
    expect(page.locator("#live-words")).to_have_text("Live", timeout=LONG)
    assert (page.url, posts) == (url, [])
    expect(alert).to_be_visible()
    expect(page.locator("#reason")).to_have_value("before doors")
    for box in page.locator("input[name=accept]").all():
        expect(box).to_be_checked()
    button.press("Enter")
    expect(page.locator("#order-state")).to_contain_text("restored", timeout=LONG)
    expect(page.locator("#order-life")).to_contain_text("confirmed by Wren Halloway: before doors")
    assert len(posts) == 1
    expect(alert).to_have_count(0)


def test_a_page_that_is_gone_back_to_can_be_sent(away: Served, browser: Browser) -> None:
    """As a browser keeps a page and gives it back (HTML, `pageshow`): nothing old is said, no button is dead, and it is sent."""
    away.bench.meddle(STATION, "panel.menus", "open")
    context = browser.new_context(viewport=PHONE)
    page = away.sign_in(context, WREN)
    draw_up(page, away)
    page.fill("#reason", "before doors")
    button = page.locator("form.confirm button.main")
    context.set_offline(True)
    button.click()
    expect(page.locator("#live-unsent")).to_contain_text("nothing was sent")
    context.set_offline(False)
    for name in ("pagehide", "pageshow"):
        page.evaluate("(name) => dispatchEvent(new PageTransitionEvent(name, {persisted: true}))", name)
    expect(page.locator("#live-unsent")).to_be_empty()
    expect(page.locator(":disabled")).to_have_count(0)
    button.press("Enter")
    expect(page.locator("#order-state")).to_contain_text("restored", timeout=LONG)


def test_a_page_of_this_computer_needs_no_network(served: Served, browser: Browser) -> None:
    """A browser tells of the network alone, and the agent's own computer may have none: the form is sent all the same."""
    context = browser.new_context()
    page = opened(served.sign_in(context, WREN), served)
    context.set_offline(True)
    with page.expect_event("requestfailed", lambda request: request.method == "POST", timeout=LONG):
        page.get_by_role("button", name="Sign out").click(no_wait_after=True)


def test_a_stream_that_is_refused_is_said_on_top(served: Served, browser: Browser) -> None:
    """Who has signed out in another tab is told nothing any more, and the page says that it is old."""
    page = opened(served.sign_in(browser.new_context(), WREN), served)
    beside(page, served).get_by_role("button", name="Sign out").click()
    served.bench.meddle(STATION, "headphones.gain", "+12 dB")
    expect(page.locator("#live-words")).to_have_text("Not live", timeout=LONG)
    page.clock.fast_forward(11_000)
    expect(page.locator("#live-lost")).to_contain_text("Not live since 14:0", timeout=LONG)
    expect(page.locator("#station-off")).to_contain_text("Everything is as left")
    page.clock.fast_forward(1000)
    page.get_by_role("link", name="Load the page again").click()
    page.wait_for_url(re.compile("/sign-in"))


def test_a_page_fetches_itself_only_for_what_it_does_not_know(served: Served, browser: Browser) -> None:
    """Not where nothing was told since it was loaded; where something was before its stream began, it is shown."""
    context = browser.new_context()
    page = served.sign_in(context, WREN)
    other = beside(page, served)
    page.clock.install(time=BEGIN)
    asked = looks(page)
    with page.expect_response(lambda answer: urlsplit(answer.url).path == "/live", timeout=LONG):
        page.goto(f"{served.url}/help")
    page.clock.run_for(10_000)
    round_trip(page)
    assert asked == []
    held: list[Route] = []

    def hold(route: Route) -> None:
        if held:
            route.fallback()
        else:
            held.append(route)

    page.route(re.compile(r"/live\?"), hold)
    page.goto(f"{served.url}{DRUMS}")
    until(page, lambda: bool(held))
    served.bench.meddle(STATION, "headphones.gain", "+12 dB")
    expect(other.locator("#station-off")).to_contain_text("+12 dB", timeout=LONG)
    expect(page.locator("#station-off")).to_contain_text("Everything is as left")
    held[0].continue_()
    until(page, lambda: "+12 dB" in page.locator("#station-off").inner_text())
    expect(page.locator("#station-off")).to_contain_text("+12 dB", timeout=1000)


def test_what_changes_while_the_page_looks_is_shown_too(served: Served, browser: Browser) -> None:
    """What the agent told after it had drawn the answer that is on its way is not forgotten with that answer."""
    page = opened(served.sign_in(browser.new_context(), WREN), served)
    other = beside(page, served)
    held: list[tuple[Route, APIResponse]] = []

    def hold(route: Route) -> None:
        if held or "x-asleft-live" not in route.request.headers:
            route.fallback()
        else:
            held.append((route, route.fetch()))

    page.route(f"**{DRUMS}", hold)
    off = page.locator("#station-off")
    served.bench.meddle(STATION, "headphones.gain", "+12 dB")
    until(page, lambda: bool(held))
    expect(other.locator("#station-off")).to_contain_text("+12 dB", timeout=LONG)
    served.bench.meddle(STATION, "panel.menus", "open")
    expect(other.locator("#station-off")).to_contain_text("Menus", timeout=LONG)
    expect(other.locator("#station-adopt")).to_contain_text("menus", timeout=LONG)
    ((route, answer),) = held
    route.fulfill(response=answer)
    until(page, lambda: "Menus" in off.inner_text(), most=15)
    expect(off).to_contain_text("Menus", timeout=1)


def test_a_look_that_failed_is_tried_again(served: Served, browser: Browser) -> None:
    """One that the agent was too busy for, half a minute later: nothing new may be told for long."""
    page = opened(served.sign_in(browser.new_context(), WREN), served)
    other = beside(page, served)
    busy = True

    def answered(route: Route) -> None:
        if busy and "x-asleft-live" in route.request.headers:
            route.fulfill(status=503)
        else:
            route.fallback()

    page.route(f"**{DRUMS}", answered)
    served.bench.meddle(STATION, "panel.menus", "open")
    expect(other.locator("#nav-count .count")).to_have_text(
        re.compile("^1"), timeout=LONG
    )  # all that follows was told
    until(page, lambda: "Not up to date" in page.locator("#live-words").inner_text())
    page.clock.run_for(2000)
    round_trip(page)
    busy = False
    page.clock.fast_forward(31_000)
    round_trip(page)
    expect(page.locator("#station-off")).to_contain_text("Menus", timeout=2000)


def test_a_refused_stream_is_asked_for_once_at_a_time(served: Served, browser: Browser) -> None:
    """However often one looks at another tab meanwhile: each 30 s, and not once more for each time."""
    page = opened(served.sign_in(browser.new_context(), WREN), served)
    beside(page, served).get_by_role("button", name="Sign out").click()
    served.bench.meddle(STATION, "headphones.gain", "+12 dB")
    expect(page.locator("#live-words")).to_have_text("Not live", timeout=LONG)
    for _ in range(10):
        with page.expect_response(lambda answer: "/live?" in answer.url):
            page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
        page.clock.run_for(1000)
        round_trip(page)
    asked = []
    page.on("request", lambda request: asked.append(request.url) if "/live?" in request.url else None)
    for _ in range(61):
        page.clock.run_for(1000)
        round_trip(page)
    assert 1 <= len(asked) <= 3, len(asked)
