"""The judges of every page find what they are there for: a page without a fault is silent, and each fault is told.

Sources: WCAG 2.2 by the number of each criterion.
"""

import pytest
from playwright.sync_api import Browser, Page, ViewportSize

from browser.judges import axe_source, cut_off, judged_by_axe, reach, stops, too_small

SIZE: ViewportSize = {"width": 400, "height": 600}
LOOK = """<!doctype html><html lang=en><title>A page</title><style>
  body { margin: 0; font: 16px/1.5 sans-serif; color: #000; background: #fff; overflow-wrap: anywhere }
  button, input, select, textarea, summary, nav a, .button { min-height: 44px; min-width: 44px; font: inherit }
  nav a { display: inline-block }
  :focus-visible { outline: 3px solid #000 }
  .aside:not(:focus) { position: absolute; width: 1px; height: 1px; margin: -1px; overflow: hidden; clip-path: inset(50%); white-space: nowrap }
  .skip { position: absolute; top: -99px }
  .skip:focus { top: 0 }
  .bar { position: fixed; inset: auto 0 0 0; height: 60px; background: #fff; z-index: 9 }
</style>"""
WHOLE = """<a class=skip href=#m>Skip</a><header><nav><a href=/x>Now</a></nav></header><main id=m><h1>A</h1>{}</main><footer>z</footer>"""
LINE = "words that go on and on and on for longer than any telephone that there is can show in a line"
WELL = (
    f"<p>{LINE}</p>",
    f"<p class=aside>{LINE}</p><button>Do it<span class=aside> {LINE}</span></button>",
    f"<div tabindex=0 role=region aria-label=x style='overflow-x: auto'><p style='white-space: pre; width: max-content'>{LINE} {LINE}</p></div>",
    f"<div tabindex=0 role=region aria-label=y style='overflow: auto; height: 50px'><p>{LINE} {LINE}</p></div>",
    f"<input aria-label=x value='{LINE}'><select aria-label=x style='max-width: 100%'><option>{LINE}</select><textarea aria-label=x>{LINE}</textarea>",
    f"<p hidden style='width: 900px'>{LINE}</p><p style='visibility: hidden; overflow: hidden; height: 9px'>{LINE}</p>",
    f"<p style='overflow: hidden'>{LINE}</p>",
    f"<details><summary>More</summary><p style='overflow: hidden; height: 9px'>{LINE}</p></details>",
    "<svg role=img aria-label=x width=90 height=90><text x=80 y=20>beyond</text></svg>",
    "<table><thead class=aside><tr><th>A</table>",
    "<label style='display: block; padding: 20px'><input type=checkbox style='min-height: 0; min-width: 0'> Take it</label>",
    "<input type=radio id=r class=aside><label for=r style='display: inline-block; padding: 20px'>One</label>",
    "<p>Words with <a href=/y>a link</a> in them</p><input type=hidden value=x>",
)
"""Each has no fault: what scrolls, what is typed, what is for the ear alone, and what is not shown."""
CUT_OFF = (
    f"<p style='overflow: hidden; white-space: nowrap'>{LINE}</p>",
    f"<p style='overflow: clip; white-space: nowrap; text-overflow: ellipsis'>{LINE}</p>",
    f"<p style='overflow: hidden; height: 20px'>{LINE}</p>",
    f"<p style='overflow: hidden; display: -webkit-box; -webkit-line-clamp: 1; -webkit-box-orient: vertical'>{LINE}</p>",
    f"<p style='overflow: hidden; width: 0; height: 0'>{LINE}</p>",
    f"<p style='width: 900px'>{LINE}</p>",
    f"<p style='margin-left: -30px'>{LINE}</p>",
    f"<p style='position: absolute; top: -40px'>{LINE}</p>",
    "<p style='position: relative; left: 380px; width: 60px'>words</p>",
    f"<div style='overflow: hidden'><p style='margin-left: -30px'>{LINE}</p></div>",
    f"<div style='overflow: hidden'><p style='position: relative; top: -20px'>{LINE}</p></div>",
    f"<div style='overflow: hidden'><p style='white-space: nowrap'>{LINE}</p></div>",
    f"<div class=scroll><p style='width: 900px'>{LINE}</p></div>",
    f"<p style='clip-path: inset(0 50% 0 0)'>{LINE}</p>",
    f"<button style='width: 60px; overflow: hidden; white-space: nowrap'>{LINE}</button>",
    "<svg role=img aria-label=x width=900 height=9><rect width=9 height=9 /></svg>",
    "<img alt=x style='display: block; width: 900px; height: 9px'>",
    f"</main><p style='overflow: hidden; height: 20px'>{LINE}</p><main>",
    f"</main><main style='overflow: hidden; height: 20px'>{LINE}",
    f"<table><thead><tr><th style='white-space: nowrap'>{LINE}</table>",
)
TOO_SMALL = (
    ("<button style='min-height: 0; height: 43px'>Do it</button>", "43 px high"),
    ("<button style='min-width: 0; width: 23px; padding: 0'>x</button>", "23 px wide"),
    ("<button style='min-height: 0; height: 1px; padding: 0; border: 0'>Do it</button>", "1 px high"),
    ("<input aria-label=x style='min-height: 0; height: 20px'>", "<input"),
    ("<input type=checkbox aria-label=x style='min-height: 0'>", "<input"),
    ("<label><input type=checkbox style='min-height: 0; min-width: 0'> Take it</label>", "<input"),
    ("<input type=radio id=r class=aside><label for=r>One</label>", "<input"),
    ("<select aria-label=x style='min-height: 0; height: 30px'><option>A</select>", "<select"),
    ("<textarea aria-label=x style='min-height: 0; height: 30px'></textarea>", "<textarea"),
    ("<details><summary style='min-height: 0'>More</summary>x</details>", "<summary"),
    ("<a class=button href=/x>Go on</a>", "<a class"),
    ("<span role=button tabindex=0>Go on</span>", "<span"),
    ("<nav><a style='min-height: 0' href=/x>Now</a></nav>", "<a style"),
    (f"<nav><a style='display: inline' href=/x>{LINE}</a></nav>", "<a style"),
)
JUDGED = (
    ("<p style='color: #bbb'>pale</p>", "color-contrast"),
    ("<img src=data:,>", "image-alt"),
    ("<input>", "label"),
    (
        "<button style='all: unset; width: 9px; height: 9px'>a</button><button style='all: unset; width: 9px; height: 9px'>b</button>",
        "target-size",
    ),
    ("<p aria-live=loud>x</p>", "aria-valid-attr-value"),
)
UNSEEN = (
    "<button style='outline: none'>Do it</button>",
    "<button style='outline-color: transparent'>Do it</button>",
    "<button style='outline-color: rgb(0 0 0 / 0)'>Do it</button>",
    "<button style='outline-width: 0'>Do it</button>",
    "<style>input::-webkit-calendar-picker-indicator { outline: none; opacity: 0 }</style><input aria-label=x type=date id=d>",
)
PLACES = (
    ("<button style='position: fixed; top: -200px'>Do it</button>", "is beyond the screen"),
    (
        "<button style='position: absolute; width: 1px; min-width: 0; min-height: 0; height: 1px; padding: 0; border: 0'></button>",
        "has no place",
    ),
    ("<div class=bar></div><button style='position: fixed; bottom: 5px'>Do it</button>", "is under bar"),
)


@pytest.fixture
def page(browser: Browser) -> Page:
    """Give an empty page on a phone."""
    return browser.new_page(viewport=SIZE, reduced_motion="reduce")


def show(page: Page, inside: str) -> None:
    """Show a page with something in its main part."""
    page.set_content(LOOK + WHOLE.replace("{}", inside))


def test_a_page_without_a_fault_is_silent(page: Page) -> None:
    """To all judges."""
    axe = axe_source()
    for inside in ("", *WELL):
        show(page, inside)
        assert (cut_off(page), too_small(page), judged_by_axe(page, axe)) == ([], [], []), inside
        assert stops(page)[1] == [], inside


def test_what_is_cut_off_is_found(page: Page) -> None:
    """By itself, by what it is in, or at an edge of the screen, across and along (1.4.4, 1.4.10)."""
    for fault in CUT_OFF:
        show(page, fault)
        assert [one for one in cut_off(page) if one.startswith("cut off: ")], fault


def test_a_page_that_is_wider_than_the_screen_is_found(page: Page) -> None:
    """It would have to be scrolled in two directions (1.4.10)."""
    show(page, f"<p style='width: 900px'>{LINE}</p>")
    assert cut_off(page)[0] == "it is 900 px wide on 400"


def test_what_is_too_small_is_found(page: Page) -> None:
    """Each kind of control, by its height and by its width, and it is said how large it is."""
    for fault, said in TOO_SMALL:
        show(page, fault)
        found = too_small(page)
        assert len(found) == 1, (fault, found)
        assert said in found[0], (fault, found)


def test_what_axe_finds_is_told(page: Page) -> None:
    """Of levels A and AA, and the size of targets."""
    axe = axe_source()
    for fault, rule in JUDGED:
        show(page, fault)
        found = judged_by_axe(page, axe)
        assert [one for one in found if one.startswith(f"{rule}: ")], (fault, found)


def test_a_focus_that_is_not_drawn_is_found(page: Page) -> None:
    """What has it cannot be seen to have it (2.4.7); a line round what it stands in is one, too."""
    for fault in UNSEEN:
        show(page, fault)
        with pytest.raises(AssertionError):
            stops(page)
    show(
        page,
        "<style>div:has(:focus-visible) { outline: 3px solid }</style><div><button style='outline: none'>Do it</button></div>",
    )
    assert stops(page) == (3, [])


def test_what_is_never_reached_is_found(page: Page) -> None:
    """A control that tab passes over (2.1.1)."""
    show(page, "<button tabindex=-1 id=x>Do it</button>")
    with pytest.raises(pytest.fail.Exception, match="never reached by tab"):
        reach(page, lambda: bool(page.evaluate("document.activeElement.id === 'x'")), most=9)


def test_a_stop_that_cannot_be_seen_is_found(page: Page) -> None:
    """Beyond the screen, without a size, or under what stands fixed (2.4.11)."""
    for fault, said in PLACES:
        show(page, fault)
        count, found = stops(page)
        assert count == 3
        assert len(found) == 1, (fault, found)
        assert said in found[0], (fault, found)
