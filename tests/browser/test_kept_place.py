"""What stays as an open page changes: whoever reads a list with a screen reader is where they were, once it has changed round them.

A screen reader's place is a node of the browser's accessibility tree (Core-AAM 1.2 §2): where its element is taken out of the
page, the place is gone. What stays is told by the browser itself: Chromium's tree, read over the DevTools protocol, and a
MutationObserver (DOM §4.3). How lists are changed by a random answer is judged by `Node.isEqualNode` (DOM §4.4).
"""

import random

import pytest
from playwright.sync_api import Browser, Page, Route, expect

from browser.conftest import Served
from browser.spoken import Reader
from browser.test_live_page import opened, round_trip, until
from browser.test_page import LONG, PHONE
from estates import HALL, WREN

BASS, DRUMS, KEYS = f"{HALL}/bass", f"{HALL}/drums", f"{HALL}/keys-left"
ROUNDS = 40
"""How many lists follow one another; every kind of change comes up some times."""
WATCH = """() => {
    window.taken = [];
    new MutationObserver((changes) => changes.forEach((one) => one.removedNodes.forEach((node) => {
        if (node.nodeType === Node.ELEMENT_NODE) window.taken.push(node.id || node.localName);
    }))).observe(document.getElementById("main"), { childList: true, subtree: true });
}"""
"""Keeps what is taken out of the page, be it for a moment."""
TAKEN = "window.taken.splice(0)"


def placed(page: Page) -> dict[str, int]:
    """Give by its name each heading of level 3, and the element that it is in the accessibility tree."""
    nodes = Reader(page).tree().walk()
    return {one.name: one.dom for one in nodes if one.role == "heading" and one.states["level"] == "3"}


@pytest.mark.parametrize("path, part", [("/", "#now-alarms"), (f"/stations/{DRUMS}", "#station-off")])
def test_what_is_read_stays_as_an_alarm_comes_and_goes(
    served: Served, browser: Browser, path: str, part: str
) -> None:
    """One that is worse comes on top, and one goes: those that were there are the same in the accessibility tree."""
    served.bench.meddle(DRUMS, "panel.menus", "open")
    page = opened(served.sign_in(browser.new_context(viewport=PHONE), WREN), served, path)
    cards = page.locator(f"{part} .card")
    expect(cards).to_have_count(1, timeout=LONG)
    page.clock.fast_forward(1000)
    page.evaluate(WATCH)
    before = placed(page)
    assert len(before) == 1
    served.bench.meddle(DRUMS, "headphones.gain", "+12 dB")
    expect(cards).to_have_count(2, timeout=LONG)
    expect(cards.first).to_contain_text("+12 dB")
    both = placed(page)
    assert len(both) == 2 or path == "/"  # on the first page both are called after the station
    assert set(before.values()) < {one.dom for one in Reader(page).tree().walk() if one.role == "heading"}
    worse = cards.first.evaluate_handle("(one) => one")
    served.bench.meddle(DRUMS, "panel.menus", "locked")
    if path != "/":  # nothing is an alarm any more as soon as it is as left, but one that nobody has seen
        expect(cards).to_have_count(1, timeout=LONG)
    else:
        expect(cards.last).to_contain_text("returned", timeout=LONG)
    assert worse.evaluate("(one) => one.isConnected")
    assert page.evaluate("window.notLoadedAgain") is True


def test_the_alarm_of_another_station_takes_nothing_away(served: Served, browser: Browser) -> None:
    """A site's table: a row comes, and the row above it and its cells are not touched; a name leaves the list of the rest."""
    served.bench.meddle(BASS, "panel.menus", "open")
    page = opened(served.sign_in(browser.new_context(), WREN), served, f"/sites/{HALL}")
    rows = page.locator("#site-off tbody tr")
    expect(rows).to_have_count(1, timeout=LONG)
    expect(rows).not_to_contain_text("no alarm yet", timeout=LONG)
    page.evaluate(WATCH)
    served.bench.meddle(KEYS, "panel.menus", "open")
    expect(rows).to_have_count(2, timeout=LONG)
    taken = set(page.evaluate(TAKEN))
    assert "quiet-keys-left" in taken
    assert not taken & {"off-bass", "ul", "table", "tbody", "details", "site-off", "quiet-drums"}
    assert page.evaluate("window.notLoadedAgain") is True


class Answers:
    """Answers a page's looks for news with a list of one's own in place of its alarms.

    Args:
        page: The page; it is shown already.
    """

    def __init__(self, page: Page) -> None:
        self.page = page
        self.inner = ""
        page.route("**/", self._answer)

    def _answer(self, route: Route) -> None:
        if "x-asleft-live" not in route.request.headers:
            route.fallback()
            return
        answer = route.fetch()
        begin, end = '<div id="now-alarms" data-live="alarms">', '<div id="now-orders"'
        before, _, rest = answer.text().partition(begin)
        _, _, after = rest.partition(end)
        route.fulfill(response=answer, body=f"{before}{begin}{self.inner}</div>\n{end}{after}")

    def show(self, inner: str) -> None:
        """Have the page look, and wait until it has taken the answer."""
        self.inner = inner
        self.look()
        until(self.page, lambda: bool(self.page.evaluate(_EQUAL, inner)), step=1000)
        assert self.page.evaluate(_EQUAL, inner), (inner, self.page.locator("#now-alarms").inner_html())

    def look(self) -> None:
        """Have the page look for news, as one does that is looked at again."""
        self.page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")


_EQUAL = """(inner) => {
    const other = document.createElement("div");
    other.innerHTML = inner;
    const here = document.getElementById("now-alarms").cloneNode(true);
    const there = here.cloneNode(false);
    there.append(...other.childNodes);
    return here.isEqualNode(there);
}"""


def item(name: str, words: str = "x", form: str = "") -> str:
    """Give one item of a list, made as those of the pages are."""
    return (
        f'<li class="card" id="one-{name}"><h3><a href="/{name}">{name}</a></h3>\n'
        f"<p>since <time>14:00</time>, {words}</p>{form}</li>"
    )


def a_list(*items: str) -> str:
    """Give a list, with blanks as templates leave them."""
    return "\n<h2>Alarms</h2>\n<ol>\n" + "".join(f"  {one}\n" for one in items) + "</ol>\n"


FORM = '<form method="post" action="/"><input name="word" value=""><button>Send</button></form>'


@pytest.fixture
def answers(served: Served, browser: Browser) -> Answers:
    """Open the first page, whose alarms are those of the test."""
    page = opened(served.sign_in(browser.new_context(), WREN), served, "/")
    return Answers(page)


def test_of_a_list_only_what_differs_is_replaced(answers: Answers) -> None:
    """One that comes, goes, changes in a word or goes down the list: nothing else is taken out of the page, not for a moment."""
    page = answers.page
    answers.show(a_list(*map(item, "abcd")))
    page.evaluate(WATCH)
    for names, moved in (
        ("nabcd", []),
        ("nabxcd", []),
        ("nabcd", ["one-x"]),
        ("abcd", ["one-n"]),
        ("ad", ["one-b", "one-c"]),
        ("abcd", []),
    ):
        answers.show(a_list(*map(item, names)))
        assert page.evaluate(TAKEN) == moved, names
    place = page.evaluate_handle("document.querySelector('#one-b p').lastChild")
    answers.show(a_list(item("a", "1 min ago"), item("b", "1 min ago"), item("c"), item("d")))
    assert page.evaluate(TAKEN) == []
    assert place.evaluate("(text) => text.isConnected && text.data") == ", 1 min ago"
    answers.show(a_list(*map(item, "abcd")))
    for names, moved in (("bcda", ["one-a"]), ("abcd", ["one-a"]), ("acbd", ["one-b"]), ("abcd", ["one-c"])):
        answers.show(a_list(*map(item, names)))
        assert page.evaluate(TAKEN) == moved, names
    answers.show(a_list(item("a"), item("b").replace('"card"', '"card high"'), item("c"), item("d")))
    assert page.evaluate(TAKEN) == ["one-b"]  # what it is has changed, and it is another one
    answers.show(a_list(item("a", form=FORM), item("b")))
    page.evaluate(TAKEN)
    answers.show(a_list(item("a", form=FORM.replace("Send", "Send it")), item("b")))
    assert page.evaluate(TAKEN) == ["form"]  # whole, with all that it sends
    answers.show("")
    assert set(page.evaluate(TAKEN)) == {"h2", "ol"}


def made(chance: random.Random) -> str:
    """Give a part at random: a list of some of a few items in some order, and things without ids around them."""
    names = chance.sample("abcdefgh", chance.randrange(9))
    more = chance.choice(["", "<p>y</p>", "z", '<details id="fold"><summary>s</summary><p>y</p></details>'])
    items = [
        item(one, chance.choice(["x", "y", "<b>y</b>z"]), chance.choice(["", more])).replace(
            "card", chance.choice(["card", "card", "high"])
        )
        for one in names
    ]
    whole = a_list(*items) if chance.random() < 0.9 else ""
    return chance.choice(["", "<!-- x -->", "y"]) + whole + more


SAME = """() => {
    const list = document.querySelector("#now-alarms ol"), items = list ? [...list.children] : [], was = window.was;
    const other = was && was.list && list ? items.filter((one) => was.html[one.id] === one.outerHTML && was.items[one.id] !== one) : [];
    const said = other.map((one) => one.id);
    if (was && was.list && list && was.list !== list) said.push("the list");
    window.was = {
        list,
        html: Object.fromEntries(items.map((one) => [one.id, one.outerHTML])),
        items: Object.fromEntries(items.map((one) => [one.id, one])),
    };
    return said;
}"""
"""Gives what is as it was when this was asked last, and is another element all the same."""


def test_whatever_comes_the_page_is_as_it_was_sent(answers: Answers) -> None:
    """After any change the part is equal to what was fetched, and what is equal in both is the same element as before."""
    seed = random.SystemRandom().randrange(2**32)
    chance = random.Random(seed)  # noqa: S311 nothing is kept secret by it
    for _ in range(ROUNDS):
        inner = made(chance)
        answers.show(inner)
        assert answers.page.evaluate(SAME) == [], (seed, inner)


def test_a_begun_form_holds_its_whole_list(answers: Answers) -> None:
    """As long as one item's form is begun, or anything of it has the focus, nothing of the part changes; then all does."""
    page = answers.page
    answers.show(a_list(item("a", form=FORM), item("b")))
    field, before = page.locator("#one-a input"), page.locator("#now-alarms").inner_html()
    answers.inner = a_list(item("a", "y", FORM), item("c"))

    def held() -> None:
        answers.look()
        for _ in range(10):
            page.clock.run_for(1000)
            round_trip(page)
        assert page.locator("#now-alarms").inner_html() == before

    field.fill("x")
    page.locator("h1").click()
    held()
    expect(page.locator("#live-lost")).to_contain_text("the form that you began keeps it back")
    field.fill("")
    page.locator("#one-b a").focus()
    held()
    page.locator("h1").click()
    answers.show(answers.inner)
    expect(page.locator("#live-lost")).to_be_empty()
