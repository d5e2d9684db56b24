"""What is asked of every page by measure: nothing cut off, nothing too small for a finger, and a focus that can be seen.

Sources: WCAG 2.2 by the number of each criterion, and axe-core's rules for levels A and AA. That a control is 44 px high is
more than 2.5.8 asks (24 px); it is what 2.5.5 asks at level AAA.
"""

import io
from collections.abc import Callable
from pathlib import Path
from typing import Final

import pytest
from PIL import Image, ImageChops
from playwright.sync_api import Page

from interop.conftest import prepared_node

__all__ = [
    "BESIDE",
    "CUT",
    "SMALL",
    "axe_source",
    "cut_off",
    "focused",
    "judged_by_axe",
    "pressed_to",
    "reach",
    "stops",
    "too_small",
]

DRAWN: Final = 32
"""By so much a picture differs at least where a focus is drawn; the same thing drawn twice differs by 1 here and there (measured)."""
CUT: Final = """() => {
  const parents = (one) => { const all = []; while ((one = one.parentElement)) all.push(one); return all; };
  const heard = (one) => one.matches(".aside, thead") && getComputedStyle(one).clipPath !== "none";
  const seen = (one) => one.checkVisibility({visibilityProperty: true}) && !one.closest("svg *, .skip:not(:focus)")
    && ![one, ...parents(one)].some(heard);
  const flows = (look) => !/^(inline|contents)$/.test(look.display);
  const cut = (one) => {
    const box = one.getBoundingClientRect(), look = getComputedStyle(one);
    if (flows(look) && !one.matches("input, select, textarea, svg, html, body")) {
      if (/hidden|clip/.test(look.overflowX) && one.scrollWidth > one.clientWidth + 1) return true;
      if (/hidden|clip/.test(look.overflowY) && one.scrollHeight > one.clientHeight + 1) return true;
    }
    if (look.clipPath !== "none") return true;
    if (box.width < 1 || box.height < 1) return false;
    let across = true, along = true;
    for (const over of parents(one)) {
      const how = getComputedStyle(over), edge = over.getBoundingClientRect();
      if (over === document.body || over === document.documentElement || !flows(how)) continue;
      if (/auto|scroll/.test(how.overflowX)) across = false;
      if (/auto|scroll/.test(how.overflowY)) along = false;
      if (across && /hidden|clip/.test(how.overflowX) && (box.left < edge.left - 1 || box.right > edge.right + 1)) return true;
      if (along && /hidden|clip/.test(how.overflowY) && (box.top < edge.top - 1 || box.bottom > edge.bottom + 1)) return true;
    }
    return (across && (box.right > innerWidth + 1 || box.left + scrollX < -1)) || (along && look.position !== "fixed" && box.top + scrollY < -1);
  };
  return [...document.body.querySelectorAll("*")].filter((one) => seen(one) && cut(one))
    .filter((one, _, some) => !some.some((other) => other !== one && one.contains(other)))
    .map((one) => one.outerHTML.slice(0, 120));
}"""
"""The innermost elements of which a part cannot be seen: cut by themselves or by what they are in, or beyond an edge and in no part that scrolls.

What is typed into a field scrolls in it. A drawing is looked at as a whole, and what is for the ear alone is not looked at.
"""
BESIDE: Final = """() => [...document.querySelectorAll("main *, footer *")].filter((one) => {
  if (!/flex$/.test(getComputedStyle(one).display) || !one.checkVisibility({visibilityProperty: true})) return false;
  const flows = (part) => part.textContent.trim() && getComputedStyle(part).position !== "absolute" && !part.matches("svg");
  if (![...one.children].some(flows)) return false;
  const lines = (node) => { const range = document.createRange(); range.selectNodeContents(node); return new Set([...range.getClientRects()].map((box) => box.top)).size; };
  return [...one.childNodes].some((node) => node.nodeType === Node.TEXT_NODE && node.data.trim() && lines(node) > 1);
}).map((one) => one.outerHTML.slice(0, 120))"""
"""Where a sentence stands in columns beside itself: its parts are laid out as boxes, each with lines of its own."""
SMALL: Final = """() => [...document.querySelectorAll("button, input:not([type=hidden]), select, textarea, summary, nav a, .button, [role=button]")]
  .filter((one) => one.checkVisibility({visibilityProperty: true}) && (!one.closest(".aside:not(:focus)") || one.matches("[type=checkbox], [type=radio]")))
  .map((one) => {
    // A link that goes on in a second line is pressed in one of the two.
    const marked = /^(checkbox|radio)$/.test(one.type) ? [...one.labels] : [];
    const own = one.closest(".aside:not(:focus)") ? [] : [one];
    const boxes = [...own, ...marked].flatMap((part) => [...part.getClientRects()]);
    const size = boxes.reduce((most, box) => box.height > most.height ? box : most, {width: 0, height: 0});
    return boxes.some((box) => box.height >= 44 && box.width >= 24) ? ""
      : `${Math.floor(size.width)} px wide and ${Math.floor(size.height)} px high: ${one.outerHTML.slice(0, 120)}`;
  }).filter((one) => one)"""
"""Controls that are smaller than a finger; a box to tick is as large as its label, which ticks it, too."""
_SEEN: Final = """() => {
  const one = document.activeElement;
  if (one === document.body) return "nothing";
  if (!one.matches(":focus-visible")) return "plain";
  const drawn = (part) => {
    const look = getComputedStyle(part), clear = /^rgba\\(.*, 0\\)$|^transparent$/.test(look.outlineColor);
    return look.outlineStyle === "auto" || (look.outlineStyle !== "none" && parseFloat(look.outlineWidth) >= 1 && !clear);
  };
  for (let part = one; part && part !== document.body; part = part.parentElement) if (drawn(part)) return "drawn";
  return "not drawn";
}"""
"""Whether it can be seen what has the focus: a line round it, or round what it stands in."""
_STOP: Final = """() => {
  const one = document.activeElement;
  if (one === document.body || one === document.documentElement) return null;
  const said = one.outerHTML.slice(0, 120), box = [...one.getClientRects()].find((it) => it.width > 1 && it.height > 1);
  if (!box) return [one.id, said, "has no place"];
  const left = Math.max(box.left, 0), right = Math.min(box.right, innerWidth);
  const top = Math.max(box.top, 0), bottom = Math.min(box.bottom, innerHeight);
  if (left >= right || top >= bottom) return [one.id, said, "is beyond the screen"];
  const there = document.elementFromPoint((left + right) / 2, (top + bottom) / 2);
  const over = there && there.closest(".bar, .acts, .skip");
  if (over && !over.contains(one)) return [one.id, said, `is under ${over.className}`];
  return [one.id, said, ""];
}"""
"""Where the focus is, and whether the middle of what can be seen of it lies under what stands fixed (2.4.11)."""


def axe_source() -> str:
    """Give axe-core."""
    folder = prepared_node(Path(__file__).parent, "axe")
    return (folder / "node_modules/axe-core/axe.min.js").read_text("utf-8")


def judged_by_axe(page: Page, axe: str) -> list[str]:
    """Give what axe-core finds: all rules of levels A and AA, and how large a target is (2.5.8), which it leaves out by itself.

    The screen is as high as the page meanwhile: a bar that stands fixed hides part of a target at whatever place it stands, and
    what may not lie under it is judged by `stops`.
    """
    page.evaluate(axe)
    size = page.viewport_size
    assert size is not None
    page.set_viewport_size(
        {"width": size["width"], "height": int(page.evaluate("document.documentElement.scrollHeight"))}
    )
    found: list[str] = page.evaluate(
        "axe.run({runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa'], rules: {'target-size': {enabled: true}}})"
        ".then(r => r.violations.map(v => v.id + ': ' + v.nodes.map(n => n.html.slice(0, 160)).slice(0, 2).join(' ; ')))"
    )
    page.set_viewport_size(size)
    return found


def cut_off(page: Page) -> list[str]:
    """Give what cannot be seen whole: cut by itself, beyond the edge of the screen, or in columns beside itself (1.4.4, 1.4.10)."""
    wide = page.evaluate("[document.documentElement.scrollWidth, innerWidth]")
    sideways = [f"it is {wide[0]} px wide on {wide[1]}"] if wide[0] > wide[1] else []
    beside = [f"in columns: {one}" for one in page.evaluate(BESIDE)[:4]]
    return sideways + beside + [f"cut off: {one}" for one in page.evaluate(CUT)[:4]]


def too_small(page: Page) -> list[str]:
    """Give controls that are less than 44 px high, or less than 24 px wide."""
    return [f"smaller than a finger: {one}" for one in page.evaluate(SMALL)]


def focused(page: Page) -> str:
    """Give the words of the element that has the focus."""
    return str(page.evaluate("document.activeElement.textContent"))


def apart(one: bytes, other: bytes) -> int:
    """Give by how much two pictures of the same size differ where they differ most, in 255ths of a channel."""
    pictures = [Image.open(io.BytesIO(data)).convert("RGB") for data in (one, other)]
    return max(ImageChops.difference(*pictures).tobytes())


def reach(page: Page, there: Callable[[], bool], *, most: int = 120) -> None:
    """Go on by tab until something has the focus; whatever has it on the way can be seen to have it (WCAG 2.2 2.4.7)."""
    # The picker inside a field for a date takes the focus itself, and neither matches then: what is drawn has to be compared.
    dates = [one for one in page.locator("input[type^=date]:not(:focus)").all() if one.is_visible()]
    plain = {one.get_attribute("id"): one.screenshot(animations="disabled") for one in dates}
    for _ in range(most):
        if there():
            return
        page.keyboard.press("Tab")
        seen = page.evaluate(_SEEN)
        assert seen != "not drawn", page.evaluate("document.activeElement.outerHTML.slice(0, 120)")
        if seen != "plain":
            continue
        field = page.evaluate("document.activeElement.id")
        assert field in plain, focused(page)
        assert apart(page.locator(f"#{field}").screenshot(animations="disabled"), plain[field]) > DRAWN, field
    pytest.fail("it is never reached by tab")


def pressed_to(page: Page, words: str, key: str = "Enter") -> None:
    """Go to what has such words, by tab, and press a key."""
    reach(page, lambda: focused(page).strip() == words)
    page.keyboard.press(key)


def stops(page: Page) -> tuple[int, list[str]]:
    """Go through a page by tab until the focus leaves it; gives the number of stops, and what is wrong with them.

    Each is seen to have the focus, lies on the screen, and is under nothing that stands fixed (2.4.7, 2.4.11).
    """
    wrong: list[str] = []
    seen = 0

    def left() -> bool:
        nonlocal seen
        at = page.evaluate(_STOP)
        if at is None:
            return seen > 0
        seen += 1
        if at[2]:
            wrong.append(f"{at[1]} {at[2]}")
        return False

    reach(page, left, most=600)
    return seen, wrong
