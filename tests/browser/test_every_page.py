"""What is asked of every page, in each state that it has: axe-core, small screens, 200 %, a focus that is seen, Help in its place.

Sources: WCAG 2.2 and OWASP ASVS 5.0.0 by the numbers of their criteria.
"""

from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser
from starlette.routing import compile_path

from asleft.web.app import _pages
from asleft.web.web import Web
from browser.judges import axe_source, cut_off, judged_by_axe, stops, too_small
from browser.tour import FILES, Tour
from web.page import a_page
from web.test_hostile_pages import shown_routes

LOOKS = ("light", "dark")
ZOOMED: dict[str, dict[str, Any]] = {
    "desk": {"viewport": {"width": 640, "height": 400}, "device_scale_factor": 2},
    "phone": {"viewport": {"width": 360, "height": 740}},
}
"""1280 px at 200 % are 640 px at two dots each; a phone keeps its width, and its letters are twice as large."""
HELP = """() => [...document.querySelectorAll("a[href='/help']")].filter((one) => !one.closest("main")).map((one) => {
    const box = one.getBoundingClientRect(), all = [...document.querySelectorAll("header.top a")];
    return [one.textContent.trim(), all.indexOf(one) === all.length - 1, box.right, box.top + scrollY].join(" ");
})"""
"""Where Help is: the link to it outside of what is told, and whether it is the last of the head."""
LONG_WORDS = "seven wet lanterns over brine, and a hundred more of them on the other side"
"""A password of more than 64 characters (ASVS 6.2.9)."""


def test_no_page_is_passed_over(tmp_path: Path, toured: Tour) -> None:
    """Each route that answers a browser is in the tour or gives a file, and each path of the tour is of its route."""
    with a_page(tmp_path) as page:
        routes = {one.path for one in _pages(Web(page.parts)) if "GET" in (one.methods or ())}
        inside = set(shown_routes(page))
    planned = {**toured.pages, **toured.outside}
    assert set(planned) | FILES == routes
    assert set(toured.pages) | FILES == inside
    for route, paths in planned.items():
        assert paths, route
        for path in paths:
            assert compile_path(route)[0].match(path.partition("?")[0]), (route, path)


@pytest.mark.parametrize("look", LOOKS)
def test_no_page_has_what_an_independent_judge_finds(toured: Tour, browser: Browser, look: str) -> None:
    """axe-core finds nothing on any page (A and AA), and on 320 px nothing is wider or cut off (1.4.10)."""
    axe = axe_source()
    wrong: list[str] = []
    for path, page in toured.everywhere(browser, viewport={"width": 320, "height": 700}, color_scheme=look):
        wrong += [f"{path}: {one}" for one in (*judged_by_axe(page, axe), *cut_off(page))]
    assert not wrong, "\n".join(wrong)


@pytest.mark.parametrize("look", LOOKS)
@pytest.mark.parametrize("size", [*ZOOMED])
def test_at_200_percent_nothing_is_lost(toured: Tour, browser: Browser, size: str, look: str) -> None:
    """Nothing is beyond the edge or cut off (1.4.4), on a desk and on a phone."""
    wrong: list[str] = []
    for path, page in toured.everywhere(browser, **ZOOMED[size], color_scheme=look):
        if size == "phone":
            page.evaluate("document.documentElement.style.fontSize = '200%'")
        wrong += [f"{path}: {one}" for one in cut_off(page)]
    assert not wrong, "\n".join(wrong)


def test_every_page_by_keyboard_and_finger(toured: Tour, browser: Browser) -> None:
    """On a phone each tab stop is drawn and under nothing (2.4.7, 2.4.11), controls are large enough, Help has one place (3.2.6)."""
    wrong: list[str] = []
    places: dict[str, list[str]] = {}
    for path, page in toured.everywhere(browser, viewport={"width": 360, "height": 740}, has_touch=True):
        places.setdefault(" | ".join(page.evaluate(HELP)), []).append(path)
        wrong += [f"{path}: {one}" for one in too_small(page)]
        count, some = stops(page)
        wrong += [f"{path}: {one}" for one in some]
        if count < 4:
            wrong.append(f"{path}: {count} stops")
    assert not wrong, "\n".join(wrong)
    # The same link at the same place of every page: the last of the head, before everything of the page.
    assert len(places) == 1, places
    (place,) = places
    assert place.startswith("Help true "), place


def test_passwords_can_be_pasted_and_kept(toured: Tour, browser: Browser) -> None:
    """ASVS 6.2.6, 6.2.7: no password is shown, each can be pasted whole, and a password manager knows what each field is."""
    (first,) = toured.outside["/first/{token}"]
    forms = {
        "/sign-in": {"password": "current-password"},
        first: {"password": "new-password", "again": "new-password"},
        "/account": {"current": "current-password", "new": "new-password", "again": "new-password"},
        "/account/passkeys": {"password": "current-password"},
    }
    inside, stranger = toured.context(browser), browser.new_context()
    for path, fields in forms.items():
        context = inside if path.startswith("/account") else stranger
        context.grant_permissions(["clipboard-read", "clipboard-write"])
        page = context.new_page()
        page.goto(f"{toured.served.url}{path}")
        page.evaluate("(words) => navigator.clipboard.writeText(words)", LONG_WORDS)
        form = page.locator("form.sheet")
        assert form.locator("[autocomplete=username]").count() == (path != "/account/passkeys"), path
        secret = page.locator("input[type=password]").all()
        told = {one.get_attribute("name"): one.get_attribute("autocomplete") for one in secret}
        assert told == fields, path
        for one in form.locator("input[type=password]").all():
            one.focus()
            page.keyboard.press("Control+V")
            assert one.input_value() == LONG_WORDS, path
            assert one.get_attribute("maxlength") is None
        page.close()
