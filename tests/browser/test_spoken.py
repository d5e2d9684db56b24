"""What somebody hears who does not see the page: each page's tree, and the way from an alert to a confirmed restore."""

import re
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, ViewportSize, expect

from browser.conftest import Served
from browser.spoken import Reader, wrong_with
from browser.test_page import LONG, ORDER, PHONE, confirm, draw_up, open_alert
from browser.tour import Tour
from estates import HALL, IDRIS, WREN

WIDE: ViewportSize = {"width": 1280, "height": 800}
FRAME = """\
link, Skip to the page
link, asleft
link, Wren Halloway
link, Help
link, Now 1 alarm
link, Orders
link, History
link, More
"""
"""What is heard first on every page."""
SPOKEN = f"""\
# (1) alarms at quillfen-hall/drums · Quillfen Stages Trust · asleft
{FRAME}link, Quillfen Hall
link, drums
link, Headphone gain range raised to +12 dB, approved is 0 dB (+12 dB: a sixteenth of the allowed time by the 3 dB rule)
link, commit …
button, Restore…
# (1) Order for quillfen-hall/drums · Quillfen Stages Trust · asleft
{FRAME}link, The station
checkbox, it is heard: headphone gain range goes from +12 dB to 0 dB, not ticked, Not during a performance, and not without telling the player.
  checkbox, it is heard: headphone gain range goes from +12 dB to 0 dB, ticked, Not during a performance, and not without telling the player.
radio, back as approved, ticked
textbox, Or why in your own words, What stands here counts instead. The reason is written into the records with your name.
  textbox, Or why in your own words, “before doors”, What stands here counts instead. The reason is written into the records with your name.
button, Confirm, and write it
# (1) Order for quillfen-hall/drums · Quillfen Stages Trust · asleft
heading, quillfen-hall/drums: bring it back as left
It is restored
"""
"""What is heard, in the order in which it is: each title after a #, and a line with two blanks is what an act is answered with."""


@pytest.mark.parametrize("size", [PHONE, WIDE], ids=["phone", "wide"])
def test_every_page_can_be_heard(toured: Tour, browser: Browser, size: ViewportSize) -> None:
    """Landmarks, headings, names, tables, drawings and messages are what the sources of `spoken` ask for."""
    readers: dict[Page, Reader] = {}
    wrong: list[str] = []
    for path, page in toured.everywhere(browser, viewport=size):
        if page not in readers:
            readers[page] = Reader(page)
        wrong += [f"{path}: {one}" for one in wrong_with(page, readers[page])]
    assert not wrong, "\n".join(wrong)


def until(reader: Reader, said: str) -> Iterator[str]:
    """Go on by tab until something is spoken that begins so; gives all that is spoken on the way."""
    for one in reader.stops():
        yield one
        if one.startswith(said):
            return
    pytest.fail(f"“{said}” is never reached by tab")


def test_the_way_from_an_alert_to_a_restore_is_spoken(served: Served, browser: Browser) -> None:
    """By keyboard alone, from the link in an alert: what is heard at each stop, to be read aloud."""
    served.bench.meddle(f"{HALL}/drums", "headphones.gain", "+12 dB")
    page = served.sign_in(browser.new_context(viewport=PHONE, reduced_motion="reduce"), WREN)
    open_alert(page, served)
    reader = Reader(page)
    heard = [f"# {page.title()}", *until(reader, "button, Restore")]
    page.keyboard.press("Enter")
    page.wait_for_url(ORDER)
    reader = Reader(page)
    heard.append(f"# {page.title()}")
    for _ in page.locator("input[name=accept]").all():
        heard += until(reader, "checkbox")
        page.keyboard.press("Space")
        heard.append(f"  {reader.focused()}")
    heard += until(reader, "textbox, Or why")
    page.keyboard.type("before doors")
    heard.append(f"  {reader.focused()}")
    heard += until(reader, "button, Confirm")
    page.keyboard.press("Enter")
    expect(page.locator("#order-state [data-say]")).to_contain_text("restored", timeout=LONG)
    heard.append(f"# {page.title()}")
    heard += [
        f"heading, {page.locator('h1').inner_text()}",
        page.locator("#order-state [data-say]").inner_text().partition(",")[0],
    ]
    assert re.sub("commit [0-9a-f]{10}", "commit …", "\n".join(heard)) == SPOKEN.rstrip("\n")


def test_what_others_do_is_heard(served: Served, browser: Browser) -> None:
    """How an order goes on is said in a region that stays (4.1.3; ARIA22): the second confirmation is the other person's."""
    served.bench.meddle(f"{HALL}/drums", "headphones.limiter-level", "-20 dB")
    wren = served.sign_in(browser.new_context(viewport=PHONE), WREN)
    draw_up(wren, served)
    confirm(wren, "before doors")
    expect(wren.locator("#order-waits")).to_contain_text("second person", timeout=LONG)
    wren.evaluate("window.region = document.getElementById('live-said')")
    regions = [one for one in Reader(wren).tree().walk() if one.role == "status"]
    # What was said of the confirmation, and what will be said of what follows; "Live" at the foot is heard once it changes.
    assert [one.states.get("live") for one in regions].count("polite") >= 2
    expect(wren.locator("main > .said[role=status]")).to_have_text(
        "Your confirmation counts. It waits for a second person."
    )
    idris = served.sign_in(browser.new_context(viewport=PHONE), IDRIS)
    idris.goto(wren.url)
    confirm(idris, "heard it, too")
    expect(wren.locator("#live-said")).to_contain_text("It is restored", timeout=LONG)
    assert wren.evaluate("window.region.isConnected")
    expect(idris.locator("main > .said[role=status]")).to_contain_text("every write was read back")
    (said,) = [
        one.text for one in Reader(wren).tree().walk() if one.role == "status" and "restored" in one.text
    ]
    assert "It is restored" in said


FAULTS = (
    ("<main><h1>A</h1></main><main></main>", "2 of main"),
    ("<main><h1>A</h1><nav></nav></main>", "navigations are named"),
    ("<main><h2>A</h2></main>", "0 headings of level 1"),
    ("<main><h1>A</h1><h3>B</h3></main>", "“B” is of level 3 after one of 1"),
    ("<main><h1>A</h1><h2></h2></main>", "an empty heading"),
    ("<main><h1>A</h1><button></button></main>", "a button is called “”"),
    ("<main><h1>A</h1><input type=text></main>", "a textbox is called “”"),
    ("<main><h1>A</h1><input type=date></main>", "a Date is called “”"),
    ("<main><h1>A</h1><a href=/x>click here</a></main>", "a link is called “click here”"),
    ("<main><h1>A</h1><button>10 s</button></main>", "does not say what it does"),
    ("<main><h1>A</h1><p><a href=/x>Go on</a> <a href=/y>Go on</a></p></main>", "links “Go on”"),
    (
        "<main><h1>A</h1><form action=/x><button>Do it</button></form><form action=/y><button>Do it</button></form></main>",
        "buttons “Do it”",
    ),
    (
        "<main><h1>A</h1><details><summary>As a table</summary>x</details><details><summary>As a table</summary>y</details></main>",
        "2 folds are called",
    ),
    (
        "<style>summary::before { content: '+ ' }</style><main><h1>A</h1><details><summary>As a table</summary>x</details></main>",
        "a sign that is drawn is read out",
    ),
    ("<main><h1>A</h1><a href=x>8b3f13c9a0</a></main>", "does not say what it does"),
    ("<main><h1>A</h1><a href=x>8933133900</a></main>", "does not say what it does"),
    (
        "<main><h1>A</h1><table role=table><tr role=row><td role=cell>1<td role=cell>2</table></main>",
        "without headers",
    ),
    (
        "<main><h1>A</h1><table role=table><tr role=row><th role=columnheader>x<th role=columnheader></table></main>",
        "an empty header",
    ),
    (
        "<main><h1>A</h1>" + 2 * "<table role=table><tr role=row><th role=columnheader>x</table>" + "</main>",
        "several tables",
    ),
    (
        "<main><h1>A</h1><svg role=img width=9 height=9><rect width=9 height=9 /></svg></main>",
        "a drawing without a name",
    ),
    (
        "<main><h1>A</h1><svg role=img width=9 height=9><title>T</title><rect width=9 height=9 /></svg></main>",
        "does not say what it shows",
    ),
    (
        "<main><h1>A</h1><svg role=img aria-labelledby='t d' width=9 height=9><title id=t>T</title><desc id=d>D</desc></svg></main>",
        "says twice",
    ),
    (
        "<main><h1>A</h1><svg role=img width=9 height=9><title>T</title><desc>D</desc><rect width=9 height=9 /></svg></main>",
        "not followed by its table",
    ),
    ("<main><p class=said>Done</p><h1>A</h1></main>", "“Done” is said in no live region"),
    ("<main><h1>A</h1><p id=live-words>Live</p></main>", "#live-words is no status"),
    (
        "<main><h1>A</h1><p style='display: flex'><span>1 High</span> <span>2 alarms</span></p></main>",
        "“1 High” and “2 alarms” are read as one word",
    ),
    ("<main><h1>A</h1><p role=status aria-label=News></p></main>", "an empty status is called “News”"),
    ("<main><h1>A</h1><nav aria-label=Pages></nav></main>", "an empty navigation is called “Pages”"),
    ("<main><h1 id=a>A</h1><p id=a>x</p></main>", "2 elements have the id “a”"),
    ("<main><h1>A</h1><p id='a b'>x</p></main>", "1 elements have the id “a b”"),
)


def test_what_cannot_be_heard_is_found(browser: Browser) -> None:
    """Each fault in a page that has no other one is told, and a page without a fault has none."""
    page = browser.new_page()
    whole = "<!doctype html><html lang=en><title>A page</title><base href='http://localhost/'><header>a</header>{}<footer>z</footer>"
    page.set_content(whole.format("<main><h1>A</h1><p>x</p></main>"))
    assert list(wrong_with(page, Reader(page))) == []
    for fault, said in FAULTS:
        page.set_content(whole.format(fault))
        found = list(wrong_with(page, Reader(page)))
        assert [one for one in found if said in one], (fault, found)
