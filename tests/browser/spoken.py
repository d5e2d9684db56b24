"""What a screen reader is given: Chromium's own accessibility tree, read over the DevTools protocol.

Sources: WAI-ARIA 1.2 (roles, states, live regions), Accessible Name and Description Computation 1.2, WCAG 2.2 with the number of
each criterion, HTML Accessibility API Mappings 1.0 (what HTML's own elements are). The tree is Chromium's, and so is the name of
a role that WAI-ARIA does not have (a `summary`, a field for a date).
"""

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any, Final

from playwright.sync_api import CDPSession, Error, Page

__all__ = ["Node", "Reader", "tree_of", "wrong_with"]

CONTROLS: Final = frozenset(
    {
        *("button", "link", "checkbox", "radio", "textbox", "searchbox", "combobox", "listbox", "spinbutton"),
        *("switch", "slider", "menuitem", "tab", "DisclosureTriangle", "Date", "DateTime", "InputTime"),
    }
)
"""Roles that take a command (WAI-ARIA 1.2 §5.3.2), and Chromium's own for elements of HTML that have none."""
_CONTEXTS: Final = frozenset({"listitem", "row", "paragraph", "article", "region", "group", "form"})
"""What surrounds a link and says where it leads (WCAG 2.2 2.4.4, G53, H77 to H79)."""
_NAMED_PARTS: Final = frozenset(
    {"navigation", "region", "form", "complementary", "list", "table", "status", "alert", "log"}
)
"""What is said by its name when it is come to: with nothing in it, it says that something is there that is not."""
_EMPTY_WORDS: Final = frozenset(
    {"here", "click", "click here", "link", "button", "go", "submit", "this", "read more"}
)
"""Names that say nothing (WCAG 2.2 F84)."""
_MEASURE: Final = re.compile(r"\d+ ?(?:s|min|h|d)?")
_BARE_ID: Final = re.compile(r"[0-9a-f]{7,64}")
"""A commit or a digest with no word beside it; some of a hundred are digits alone, so they must not be judged by chance."""
_MOST_READ: Final = 5
_GONE: Final = "No node with given id found"
"""What Chromium says of an element that is on the page no longer."""
_STATES: Final = ("checked", "pressed", "expanded", "invalid", "required", "disabled", "readonly", "current")
_WORDS: Final = {
    ("checked", "true"): "ticked",
    ("checked", "false"): "not ticked",
    ("pressed", "true"): "pressed",
    ("expanded", "true"): "expanded",
    ("expanded", "false"): "collapsed",
    ("invalid", "true"): "invalid",
    ("required", "true"): "required",
    ("disabled", "true"): "disabled",
    ("readonly", "true"): "read only",
}
_ROLES: Final = {"DisclosureTriangle": "summary", "Date": "date field", "DateTime": "date and time field"}


@dataclass(slots=True)
class Node:
    """Something that is given to a screen reader.

    Args:
        role: Its role.
        name: Its name.
        about: Its description.
        value: What is typed or chosen.
        states: Properties by name, as text.
        dom: Its element, as DevTools number it; 0 for none.
        above: What it is in; None for the whole.
        below: What is in it, in the order in which it is read.
        given: Its name as it was given, with the blanks at its ends.
    """

    role: str
    name: str = ""
    about: str = ""
    value: str = ""
    states: dict[str, str] = field(default_factory=dict)
    dom: int = 0
    above: "Node | None" = None
    below: "list[Node]" = field(default_factory=list)
    given: str = ""

    def walk(self) -> "Iterator[Node]":
        """Give it and all that is in it, in the order in which it is read."""
        yield self
        for one in self.below:
            yield from one.walk()

    def over(self) -> "Iterator[Node]":
        """Give what it is in, the nearest first."""
        at = self.above
        while at is not None:
            yield at
            at = at.above

    @property
    def text(self) -> str:
        """All its text."""
        return " ".join(
            " ".join(one.name for one in self.walk() if one.role == "StaticText" or one is self).split()
        )

    def spoken(self) -> str:
        """Say it as a screen reader does: role, name, value, state, description."""
        states = [_WORDS.get((name, self.states[name]), "") for name in _STATES if name in self.states]
        if self.states.get("current", "false") != "false":
            states.append("current page")
        said = [
            _ROLES.get(self.role, self.role),
            self.name,
            self.value and f"“{self.value}”",
            *states,
            self.about,
        ]
        return ", ".join(" ".join(one.split()) for one in said if one)


class Reader:
    """Reads pages as a screen reader is given them.

    Args:
        page: The page.
    """

    def __init__(self, page: Page) -> None:
        self._page = page
        self._tools: CDPSession = page.context.new_cdp_session(page)
        self._tools.send("Accessibility.enable")
        self._tools.send("DOM.enable")

    def tree(self) -> Node:
        """Give the whole page."""
        return tree_of(self._tools.send("Accessibility.getFullAXTree")["nodes"])

    def focused(self) -> str:
        """Say what has the focus."""
        found = self._tools.send("Runtime.evaluate", {"expression": "document.activeElement"})
        given = self._tools.send(
            "Accessibility.getPartialAXTree",
            {"objectId": found["result"]["objectId"], "fetchRelatives": False},
        )
        return _node(given["nodes"][0]).spoken()

    def href(self, node: Node) -> str:
        """Give where a link leads."""
        return self._of(node, "function () { return this.href || '' }")

    def sends(self, node: Node) -> str:
        """Give what a button sends, and where; empty where it sends nothing."""
        return self._of(
            node,
            """function () {
                if (!this.form) return ''
                const sent = [...new FormData(this.form)].filter(([name]) => name !== 'form-token')
                return JSON.stringify([this.form.action, sent, this.name, this.value])
            }""",
        )

    def _of(self, node: Node, function: str) -> str:
        found = self._tools.send("DOM.resolveNode", {"backendNodeId": node.dom})
        told = self._tools.send(
            "Runtime.callFunctionOn",
            {
                "objectId": found["object"]["objectId"],
                "functionDeclaration": function,
                "returnByValue": True,
            },
        )
        return str(told["result"].get("value", ""))

    def stops(self, most: int = 200) -> Iterator[str]:
        """Go on by tab, and say at each stop what is spoken there; it ends where the focus leaves the page."""
        for _ in range(most):
            self._page.keyboard.press("Tab")
            if self._page.evaluate("document.activeElement === document.body"):
                return
            yield self.focused()


def tree_of(given: Sequence[dict[str, Any]]) -> Node:
    """Put the nodes of `Accessibility.getFullAXTree` together; what is ignored is passed over, and not what is in it."""
    by_id = {one["nodeId"]: one for one in given}

    def add(at: dict[str, Any], above: Node) -> None:
        into = above
        if not at.get("ignored"):
            into = _node(at)
            into.above = above
            above.below.append(into)
        for child in at.get("childIds", ()):
            if child in by_id:
                add(by_id[child], into)

    whole = Node(role="")
    add(next(one for one in given if not one.get("parentId")), whole)
    return whole.below[0]


def _node(at: dict[str, Any]) -> Node:
    def text(name: str) -> str:
        return str(at.get(name, {}).get("value", "")).strip()

    return Node(
        role=text("role"),
        name=text("name"),
        about=text("description"),
        value=text("value"),
        states={one["name"]: str(one["value"].get("value", "")).lower() for one in at.get("properties", ())},
        dom=at.get("backendDOMNodeId", 0),
        given=str(at.get("name", {}).get("value", "")),
    )


def wrong_with(page: Page, reader: Reader) -> Sequence[str]:
    """Say what of a page somebody who hears it would miss or mistake.

    An open page changes when something happens: what was replaced while it was read is read again.
    """
    for _ in range(_MOST_READ):
        try:
            return [*_wrong_with(page, reader)]
        except Error as gone:
            if _GONE not in gone.message:
                raise
    raise AssertionError(f"{page.url} changed each time it was read")


def _wrong_with(page: Page, reader: Reader) -> Iterator[str]:
    whole = reader.tree()
    nodes = [*whole.walk()]
    yield from _landmarks(nodes)
    yield from _headings(nodes)
    yield from _names(nodes)
    yield from _alike(nodes, reader)
    yield from _tables(nodes)
    yield from _drawings(page, nodes)
    yield from _live(page, nodes)
    yield from _together(nodes)
    yield from _empty(nodes)
    yield from _twice(page)


def _landmarks(nodes: Sequence[Node]) -> Iterator[str]:
    """One main part, and whatever there is twice of has names that differ (WCAG 2.2 1.3.1; WAI-ARIA 1.2 §5.3.4)."""
    for role, most in (("main", 1), ("banner", 1), ("contentinfo", 1)):
        count = sum(node.role == role for node in nodes)
        if count != most:
            yield f"{count} of {role} (1.3.1)"
    names = [node.name for node in nodes if node.role == "navigation"]
    if len(names) != len(set(names)) or not all(names):
        yield f"navigations are named {names} (1.3.1)"


def _headings(nodes: Sequence[Node]) -> Iterator[str]:
    """One heading of the first level, none that is empty, no level left out on the way down (1.3.1, 2.4.6; G141, H42)."""
    found = [node for node in nodes if node.role == "heading"]
    levels = [int(node.states["level"]) for node in found]
    if levels.count(1) != 1:
        yield f"{levels.count(1)} headings of level 1 (1.3.1)"
    for before, (node, level) in zip([0, *levels], zip(found, levels, strict=True), strict=False):
        if not node.name:
            yield f"an empty heading of level {level} (2.4.6)"
        if level > before + 1:
            yield f"“{node.name}” is of level {level} after one of {before} (1.3.1)"


def _names(nodes: Sequence[Node]) -> Iterator[str]:
    """Every control has a name that says something (4.1.2, 2.4.4, 2.4.6; F68, F84, F89)."""
    for node in nodes:
        if node.role not in CONTROLS:
            continue
        words = re.sub(r"[^\w ]", "", node.name).strip().lower()
        if not words or words in _EMPTY_WORDS or not any(one.isalpha() for one in words):
            yield f"a {node.role} is called “{node.name}” (4.1.2)"
        if _MEASURE.fullmatch(words) or _BARE_ID.fullmatch(words):
            yield f"a {node.role} is called “{node.name}”, which does not say what it does (2.4.6)"
        if node.role == "DisclosureTriangle" and not words.startswith(node.name[:1].lower()):
            yield f"a sign that is drawn is read out: “{node.name}” (1.3.1, F87)"
    folds = [node.name for node in nodes if node.role == "DisclosureTriangle"]
    for name in {one for one in folds if folds.count(one) > 1}:
        yield f"{folds.count(name)} folds are called “{name}” (2.4.6)"


def _alike(nodes: Sequence[Node], reader: Reader) -> Iterator[str]:
    """Hold what has the same name in the same surroundings against where it leads and what it does (2.4.4, 3.2.4)."""
    links: dict[tuple[str, ...], set[str]] = {}
    for node in nodes:
        if node.role in {"link", "button"}:
            context = next((one for one in node.over() if one.role in _CONTEXTS), None)
            to = reader.href(node) if node.role == "link" else reader.sends(node)
            if to:
                key = (node.role, node.name, node.about, context.text if context else "")
                links.setdefault(key, set()).add(to)
    for (role, name, _, around), places in links.items():
        if len(places) > 1:
            yield f"{role}s “{name}” in “{around[:80]}” lead to {sorted(places)} (2.4.4)"


def _tables(nodes: Sequence[Node]) -> Iterator[str]:
    """Every table has a header for each column, or one for each row (1.3.1; H51, H63)."""
    names = [node.name for node in nodes if node.role == "table"]
    if len(names) > 1 and (len(set(names)) != len(names) or not all(names)):
        yield f"several tables are called {names} (2.4.6; H73)"
    for node in nodes:
        if node.role in {"LayoutTable", "grid"}:
            yield f"a table that is {node.role} (1.3.1)"
        if node.role != "table":
            continue
        rows = [one for one in node.walk() if one.role == "row"]
        heads = [[one.role for one in row.below] for row in rows]
        columns = heads[0].count("columnheader") if heads else 0
        if not heads or (columns != len(heads[0]) and not all("rowheader" in row for row in heads)):
            yield f"a table without headers: {heads[:2]} (1.3.1)"
        cells = [one for one in node.walk() if one.role in {"columnheader", "rowheader"}]
        if not all(one.text for one in cells):
            yield f"a table with an empty header: {[one.text for one in cells][:8]} (1.3.1)"


def _drawings(page: Page, nodes: Sequence[Node]) -> Iterator[str]:
    """Look at drawings: one has a name and says what it shows, or is hidden; what it shows stands below it in words (1.1.1, G92)."""
    for node in nodes:
        if node.role in {"image", "img", "graphics-document", "SvgRoot"}:
            if not node.name:
                yield f"a drawing without a name ({node.role}) (1.1.1)"
            elif not node.about:
                yield f"the drawing “{node.name}” does not say what it shows (1.1.1)"
            elif node.about in node.name:
                yield f"the drawing “{node.name}” says twice what it shows (accname-1.2 §4.3)"
    for name in page.evaluate(_WITHOUT_TABLE):
        yield f"the drawing “{name}” is not followed by its table (1.1.1)"


_WITHOUT_TABLE: Final = """
() => {
  const all = [...document.querySelectorAll('main svg[role=img], main table, main dl')]
  return all.filter((one, at) => one.tagName === 'svg' && !(all[at + 1] && all[at + 1].tagName !== 'svg'))
    .map((one) => one.querySelector('title')?.textContent || '?')
}
"""


def _live(page: Page, nodes: Sequence[Node]) -> Iterator[str]:
    """See that what is said without being asked for stands in a live region (4.1.3; ARIA19, ARIA22)."""
    found = {node.role for node in nodes if node.states.get("live") in {"polite", "assertive"}}
    for role, selector in (("status", ".said[role=status]"), ("alert", ".wrong[role=alert]")):
        if page.locator(selector).count() and role not in found:
            yield f"a message is in no region of role {role} (4.1.3)"
    for text in page.evaluate(_SAID_UNHEARD):
        yield f"“{text}” is said in no live region (4.1.3)"
    for selector, role in (("#live-words", "status"), ("#live-alert", "alert")):
        if page.locator(selector).count() and page.locator(selector).get_attribute("role") != role:
            yield f"{selector} is no {role} (4.1.3)"


_SAID_UNHEARD: Final = """
() => [...document.querySelectorAll('main > .said, form .wrong, form p.trouble')]
  .filter((one) => !one.closest('[role=status], [role=alert], [aria-live]')
    && !document.querySelector(`[aria-describedby~="${CSS.escape(one.id || ' ')}"]`))
  .map((one) => one.textContent.trim().slice(0, 80))
"""


def _together(nodes: Sequence[Node]) -> Iterator[str]:
    """Find words of two elements with nothing between them, as a layout leaves them that takes the blank away (1.3.1; F32).

    Of what has a name of its own, the name is said instead.
    """
    for node in nodes:
        if node.role in CONTROLS:
            continue
        for one, other in pairwise(node.below):
            texts = one.role == other.role == "StaticText"
            if texts and one.given[-1:].isalnum() and other.given[:1].isalnum():
                yield f"“{one.name}” and “{other.name}” are read as one word (1.3.1)"


def _empty(nodes: Sequence[Node]) -> Iterator[str]:
    """Find what is called something and has nothing in it (1.3.1)."""
    for node in nodes:
        if (
            node.role in _NAMED_PARTS
            and node.name
            and not any(one.role == "StaticText" for one in node.walk())
        ):
            yield f"an empty {node.role} is called “{node.name}” (1.3.1)"


def _twice(page: Page) -> Iterator[str]:
    """Find an id that two elements have (HTML §3.2.6: it is unique): by it a name is found, and what stays as the page changes."""
    ids: list[str] = page.evaluate("[...document.querySelectorAll('[id]')].map((one) => one.id)")
    for name, count in Counter(ids).items():
        if count > 1 or not name or re.search(r"\s", name):
            yield f"{count} elements have the id “{name}” (HTML 3.2.6)"
