"""The text of a snapshot file becomes a tree of names and texts: YAML and JSON alike, nothing is guessed, all is bounded.

A snapshot is a mapping of mappings of texts. Whatever else YAML and JSON offer is refused in words.
"""

import json
import re
from collections.abc import Iterator
from typing import Any, Final, NoReturn, Union

import yaml

from asleft.domain.names import harmless

__all__ = ["MAX_DEPTH", "MAX_TEXT", "MAX_VALUES", "NotATree", "Tree", "read_json", "read_yaml", "text_of"]

MAX_VALUES: Final = 4096
"""Names and texts in one file; the largest shipped model has about sixty settings."""
MAX_DEPTH: Final = 8
"""Mappings may stand inside one another this deep; a setting stands at the third."""
MAX_TEXT: Final = 1024
"""Characters of one name or text."""
_EXCERPT: Final = 60

Tree = dict[str, Union[str, "Tree"]]
"""Names, and what stands under them."""

# As in a baseline: line feed and tab are the only control characters that text needs, CR is let through before LF alone.
_HIDDEN = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069\ufeff]|\r(?!\n)"
)
_HALF = re.compile("[\ud800-\udfff]")
_NOTHING: Final = frozenset({"", "~", "null"})


class NotATree(ValueError):
    """A text is no tree of names and texts.

    Args:
        what: One sentence: what is wrong.
        todo: What to do about it.
        line: Where, from 1; 0 where it is the whole file.
    """

    def __init__(self, what: str, todo: str, line: int = 0) -> None:
        super().__init__(what)
        self.what = what
        self.todo = todo
        self.line = line


def text_of(data: bytes) -> str:
    """Decode UTF-8, with a byte order mark or without, that shows all that stands in it.

    Raises:
        NotATree: It is something else.
    """
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as wrong:
        what = f"byte 0x{data[wrong.start]:02x} is not UTF-8 text"
        raise NotATree(what, "save the file as UTF-8", data.count(b"\n", 0, wrong.start) + 1) from None
    hidden = _HIDDEN.search(text)
    if hidden:
        what = f"a hidden control character, U+{ord(hidden[0]):04X}, stands here"
        raise NotATree(what, "take it out", text.count("\n", 0, hidden.start()) + 1)
    return text


class _Budget:
    """How many names and texts are still taken."""

    def __init__(self) -> None:
        self.left = MAX_VALUES

    def take(self, text: str, line: int = 0) -> str:
        """Count one name or text, and see that it can be kept."""
        self.left -= 1
        if self.left < 0:
            raise NotATree(
                f"more than {MAX_VALUES} names and texts stand in it", "keep one station a file", line
            )
        if len(text) > MAX_TEXT:
            raise NotATree(f"a text has {len(text)} characters", f"at most {MAX_TEXT} are read", line)
        half = _HALF.search(text)
        if half:
            raise NotATree(
                f"half a character, U+{ord(half[0]):04X}, stands in a text", "write it whole", line
            )
        return text


def read_yaml(text: str) -> Tree:
    """Read YAML in which every scalar is text.

    Raises:
        NotATree: It is no YAML, or more than mappings and texts.
    """
    try:
        return _build(yaml.parse(text, Loader=yaml.CBaseLoader))
    except yaml.MarkedYAMLError as wrong:
        mark = wrong.problem_mark or wrong.context_mark
        said = harmless(str(wrong.problem or wrong.context), longest=_EXCERPT)
        line = mark.line + 1 if mark is not None else 0
        raise NotATree(
            f"YAML cannot be read here ({said})", "look at indentation, colons and quotes", line
        ) from None
    except (yaml.YAMLError, ValueError) as wrong:
        if isinstance(wrong, NotATree):
            raise
        said = harmless(str(wrong), longest=_EXCERPT)
        raise NotATree(f"this is not YAML ({said})", "write plain YAML") from None


def _build(events: Iterator[Any]) -> Tree:
    """Put the tree together from the parser's events, without recursion."""
    builder = _Builder()
    for event in events:
        builder.take(event, event.start_mark.line + 1)
    if builder.top is None:
        raise NotATree("nothing stands in it", "write names and values: serial: …")
    return builder.top


class _Builder:
    """A tree in the making: the mappings that are open, and the name that waits for its value."""

    def __init__(self) -> None:
        self.top: Tree | None = None
        self._budget = _Budget()
        self._open: list[Tree] = []
        self._key: str | None = None
        self._documents = 0

    def take(self, event: Any, line: int) -> None:
        """Go on by one event."""
        match event:
            case yaml.DocumentStartEvent():
                self._documents += 1
                if self._documents > 1:
                    what = "a second document starts here"
                    raise NotATree(what, "keep one document, without ---, a file", line)
            case yaml.MappingStartEvent():
                _plain(event, line)
                self._begin(line)
            case yaml.MappingEndEvent():
                self._open.pop()
            case yaml.ScalarEvent():
                _plain(event, line)
                self._scalar(event, line)
            case yaml.NodeEvent():
                _plain(event, line)

    def _begin(self, line: int) -> None:
        inner: Tree = {}
        if not self._open:
            self.top = inner
        elif self._key is None:
            raise NotATree("a name here is no plain text", "write a name before the colon", line)
        else:
            self._open[-1][self._key] = inner
        self._open.append(inner)
        self._key = None
        if len(self._open) > MAX_DEPTH:
            raise _too_deep(line)

    def _scalar(self, event: Any, line: int) -> None:
        if not self._open:
            raise NotATree("there is only text in it", "write names and values: serial: …", line)
        here = self._open[-1]
        if self._key is None:
            self._key = self._budget.take(event.value, line)
            _new(here, self._key, line)
            return
        if not event.style and event.value in _NOTHING:
            raise _nothing(self._key, line)
        here[self._key] = self._budget.take(event.value, line)
        self._key = None


def _plain(event: Any, line: int) -> None:
    """Refuse what only makes a file harder to read than it is."""
    if isinstance(event, yaml.AliasEvent):
        raise NotATree("an alias stands here", "write the value out in full", line)
    if event.anchor is not None:
        raise NotATree("an anchor stands here", "take it out", line)
    if event.tag is not None:
        raise NotATree("a tag stands here", "take it out: the profile says what kind a value is", line)
    if isinstance(event, yaml.SequenceStartEvent):
        raise NotATree("a list stands here", "a snapshot has names and texts only", line)


def _new(here: Tree, key: str, line: int) -> None:
    if not key or key in here:
        what = f"'{harmless(key, longest=_EXCERPT)}' stands twice" if key else "a name is empty"
        raise NotATree(what, "keep one of them" if key else "write a name before the colon", line)


def _nothing(key: str, line: int = 0) -> NotATree:
    shown = harmless(key, longest=_EXCERPT)
    return NotATree(
        f"nothing stands after '{shown}'", "leave out what was not read, or name it in unread", line
    )


def read_json(text: str) -> Tree:
    """Read JSON (RFC 8259) in which every value is text; a number is taken as the text that stands there.

    Raises:
        NotATree: It is no JSON, or more than objects and texts.
    """
    budget = _Budget()

    def inner(pairs: list[tuple[str, Any]]) -> Tree:
        made: Tree = {}
        for key, value in pairs:
            _new(made, budget.take(key), 0)
            made[key] = value if isinstance(value, dict) else _json_text(key, value, budget)
        return made

    try:
        top = json.loads(
            text, object_pairs_hook=inner, parse_int=str, parse_float=str, parse_constant=_no_constant
        )
    except json.JSONDecodeError as wrong:
        raise NotATree(
            f"JSON cannot be read here ({wrong.msg})", "look at commas, quotes and braces", wrong.lineno
        ) from None
    except RecursionError:
        raise _too_deep() from None
    if not isinstance(top, dict):
        raise NotATree("there is no object in it", 'write {"format": …}')
    _check_depth(top)
    return top


def _json_text(key: str, value: Any, budget: _Budget) -> str:
    shown = harmless(key, longest=_EXCERPT)
    if isinstance(value, bool):
        raise NotATree(
            f"'{shown}' is {str(value).lower()}", 'write the text that a baseline has: "on", "off"'
        )
    if value is None:
        raise _nothing(key)
    if not isinstance(value, str):
        raise NotATree(f"'{shown}' is a list", "a snapshot has names and texts only")
    return budget.take(value)


def _no_constant(word: str) -> NoReturn:
    raise NotATree(f"{word} is no JSON", "leave out what was not read, or name it in unread")


def _too_deep(line: int = 0) -> NotATree:
    return NotATree(f"values stand more than {MAX_DEPTH} levels deep", "flatten it", line)


def _check_depth(top: Tree) -> None:
    level: list[Tree] = [top]
    for _ in range(MAX_DEPTH):
        level = [value for tree in level for value in tree.values() if isinstance(value, dict)]
        if not level:
            return
    raise _too_deep()
