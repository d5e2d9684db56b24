"""One YAML text becomes a document: every scalar stays text, every value knows its line, every problem is told.

YAML's own guesses (``no``, ``12:30``, ``010``) never reach a setting: nothing is typed here but a plain ``null`` or
``~``. What YAML offers beyond plain mappings, lists and text is refused in words.
"""

import re
from collections.abc import Mapping
from functools import lru_cache
from typing import Any, NamedTuple

import yaml
from yaml.cyaml import CParser  # type: ignore[attr-defined]  # its stub says otherwise

from asleft.domain.problems import Level, Problem

__all__ = ["MAX_BYTES", "MAX_DEPTH", "MAX_PROBLEMS", "Document", "Path", "read_document"]

MAX_BYTES = 256 * 1024
"""A file larger than this is not read."""
MAX_DEPTH = 16
"""Mappings and lists may stand inside one another this deep; an estate needs about six."""
MAX_PROBLEMS = 100
"""After this many problems in one file the rest is only counted."""
EXCERPT = 60
"""Characters of foreign text that a problem quotes at most."""


Path = tuple[str | int, ...]
"""Where a value stands: keys and list positions from the top."""

# Line feed and tab are the only control characters that text needs; CR is let through before LF alone. The rest can
# hide or reorder what a reader sees (C0, DEL, C1, the Unicode line separators, the bidirectional overrides, a BOM).
_CONTROL = "\\x00-\\x08\\x0b\\x0c\\x0e-\\x1f\\x7f-\\x9f\\u2028\\u2029\\u202a-\\u202e\\u2066-\\u2069\\ufeff"
_IN_TEXT = re.compile(f"[{_CONTROL}]|\r(?!\n)")
_IN_VALUE = re.compile(f"[{_CONTROL}\r]")
_PLAIN = bytes((*b"\t\n", *range(0x20, 0x7F)))
_EXTRAS = ("&", "*", "!")
_FILES_WITH_LINES = 16
_NULLS = frozenset({"null", "~"})


class Document(NamedTuple):
    """One file as it was read.

    Args:
        path: Name of the file.
        tree: Mappings, lists, text and None.
        data: What stands in it, from which the lines of its values are found.
    """

    path: str
    tree: dict[str, Any]
    data: bytes

    @property
    def lines(self) -> Mapping[Path, int]:
        """The line of every value, by its path."""
        return _lines_in(self.data)

    def line(self, path: Path) -> int:
        """Give the line of the value at a path, or of its nearest known parent.

        A mapping or list under a key stands where its key stands. Lines count from 1.
        """
        lines = self.lines
        for end in range(len(path), 0, -1):
            found = lines.get(path[:end])
            if found is not None:
                return found
        return 1


def read_document(path: str, data: bytes) -> tuple[Document | None, list[Problem]]:
    """Read one YAML text, collecting everything that is wrong with it.

    A document comes back wherever a tree could be made, beside its problems too, so that a caller can go on and find
    what else is wrong; it may be acted upon only where no problem is an error. None comes back where there is no tree.
    Never raises for any bytes.

    Args:
        path: Name of the file, as its problems shall give it.
        data: What stands in the file.
    """
    reader = _Reader(path)
    tree = reader.read(data)
    problems = sorted(reader.problems)
    if reader.untold:
        problems.append(
            reader.problem(
                "yaml.too-many-problems",
                problems[-1].line,
                f"{reader.untold} more problems in this file are not listed",
                "mend those that are listed and check again",
            )
        )
    return None if tree is None else Document(path=path, tree=tree, data=data), problems


@lru_cache(maxsize=_FILES_WITH_LINES)
def _lines_in(data: bytes) -> Mapping[Path, int]:
    """Give the line of every value of a text that has a tree.

    It is read again, for lines are asked of few files. Not noting them, with the shorter look at plain text, took reading
    the texts of ten thousand files from 240 to 201 ms of CPU.
    """
    lines: dict[Path, int] = {}
    _Reader("", lines).read(data)
    return lines


class _TextLoader(CParser):
    """Composes nodes without guessing what their text may mean: here every scalar is text, and tags are refused before."""

    def descend_resolver(self, *_: object) -> None:
        """Do nothing: no resolver needs to know the way."""

    def ascend_resolver(self) -> None:
        """Do nothing, as above."""

    def resolve(self, *_: object) -> str:
        """Give every node the same tag, for nobody looks at it."""
        return ""


class _TooDeepError(Exception):
    """The walk stops here: the problem is already told."""


class _Reader:
    """The reading of one file: the tree it builds, the lines it notes where somebody wants them, the problems it meets."""

    __slots__ = ("data", "escapes", "lines", "path", "problems", "untold")

    def __init__(self, path: str, lines: dict[Path, int] | None = None) -> None:
        self.path = path
        self.lines = lines
        self.data = b""
        self.problems: list[Problem] = []
        self.untold = 0
        self.escapes = False

    def problem(self, rule: str, line: int, what: str, fix: str) -> Problem:
        return Problem(rule=rule, level=Level.ERROR, file=self.path, line=line, what=what, fix=fix)

    def tell(self, rule: str, line: int, what: str, fix: str) -> None:
        if len(self.problems) < MAX_PROBLEMS:
            self.problems.append(self.problem(rule, line, what, fix))
        else:
            self.untold += 1

    def read(self, data: bytes) -> dict[str, Any] | None:
        self.data = data
        text = self._text(data)
        if text is None:
            return None
        # A backslash can bring a control character in by its escape; without one the values need no second look.
        self.escapes = "\\" in text
        try:
            if any(sign in text for sign in _EXTRAS) and self._has_alias(text):
                return None
            return self._top(_TextLoader(text).get_single_node())
        except yaml.MarkedYAMLError as wrong:
            self._syntax(wrong)
        except (yaml.YAMLError, ValueError) as wrong:
            self.tell("yaml.syntax", 1, f"this is not YAML: {_quoted(str(wrong))}", "write plain YAML")
        except _TooDeepError:
            pass
        return None

    def _text(self, data: bytes) -> str | None:
        if len(data) > MAX_BYTES:
            what = f"the file has {len(data)} bytes; {MAX_BYTES // 1024} KiB is the most that is read"
            self.tell("yaml.too-large", 1, what, "split it, or remove what is no setting")
            return None
        if not data.translate(None, _PLAIN):
            return data.decode("ascii")  # nearly every file, and nothing can be hidden in it
        try:
            text = data.decode("utf-8-sig")
        except UnicodeDecodeError as wrong:
            line = data.count(b"\n", 0, wrong.start) + 1
            what = f"byte 0x{data[wrong.start]:02x} on this line is not UTF-8 text"
            self.tell("yaml.not-utf-8", line, what, "save the file as UTF-8")
            return None
        for found in _IN_TEXT.finditer(text):
            line = text.count("\n", 0, found.start()) + 1
            what = f"a hidden control character, U+{ord(found[0]):04X}, stands on this line"
            self.tell("yaml.control-character", line, what, "remove it")
            if self.untold:
                # Counting the line of each of many would take the square of the file's length.
                self.untold += len(_IN_TEXT.findall(text, found.end()))
                break
        return None if self.problems else text

    def _has_alias(self, text: str) -> bool:
        """Look at the parser's events, for anchors and tags no longer show in what it composes."""
        entangled = False
        for event in yaml.parse(text, Loader=yaml.CBaseLoader):
            line = _line(event)
            anchor = getattr(event, "anchor", None)
            if isinstance(event, yaml.AliasEvent):
                entangled = True
                self.tell(
                    "yaml.alias",
                    line,
                    f"an alias, *{_bare(anchor)}, stands here",
                    "write the value out in full",
                )
            elif anchor is not None:
                entangled = True
                self.tell("yaml.anchor", line, f"an anchor, &{_bare(anchor)}, stands here", "remove it")
            tag = getattr(event, "tag", None)
            if tag is not None:
                what = f"a tag, {_quoted(tag)}, stands here"
                self.tell(
                    "yaml.tag", line, what, "remove it: the profile says what kind of value a setting takes"
                )
        return entangled

    def _syntax(self, wrong: yaml.MarkedYAMLError) -> None:
        # PyYAML's Mark counts lines from 0; the C parser may give no mark at all.
        mark = wrong.problem_mark or wrong.context_mark
        line = mark.line + 1 if mark is not None else 1
        if isinstance(wrong, yaml.composer.ComposerError) and "another document" in str(wrong.problem):
            self.tell(
                "yaml.several-documents",
                line,
                "a second document starts here",
                "keep one document, without ---, a file",
            )
            return
        said = f"{wrong.context}: {wrong.problem}" if wrong.context else str(wrong.problem)
        if "nesting depth" in said:
            self._too_deep(line)
            return
        self.tell(
            "yaml.syntax",
            line,
            f"YAML cannot be read here ({said})",
            "look at indentation, colons and quotes",
        )

    def _too_deep(self, line: int) -> None:
        what = f"values stand more than {MAX_DEPTH} levels inside one another"
        self.tell("yaml.too-deep", line, what, "no setting stands that deep: flatten it")

    def _top(self, top: yaml.Node | None) -> dict[str, Any] | None:
        if isinstance(top, yaml.MappingNode):
            return self._mapping(top, (), 1)
        if top is None:
            self.tell(
                "yaml.not-a-mapping", 1, "nothing stands in this file", "write settings as `name: value`"
            )
        else:
            kind = "a list" if isinstance(top, yaml.SequenceNode) else "text"
            line = top.start_mark.line + 1
            self.tell(
                "yaml.not-a-mapping", line, f"{kind} stands at the top", "write settings as `name: value`"
            )
        return None

    def _mapping(self, node: yaml.MappingNode, path: Path, depth: int) -> dict[str, Any]:
        if depth > MAX_DEPTH:
            self._too_deep(node.start_mark.line + 1)
            raise _TooDeepError
        tree: dict[str, Any] = {}
        lines = self.lines
        for key_node, value_node in node.value:
            key = key_node.value
            if type(key_node) is not yaml.ScalarNode or not self._good_key(key_node):
                line = key_node.start_mark.line + 1
                self.tell(
                    "yaml.key-not-text", line, "a key here is not plain text", "write a name before the colon"
                )
                continue
            if key in tree:
                line, first = key_node.start_mark.line + 1, self._line_of((*path, key))
                what = f"{_quoted(key)} stands twice: on line {first} and on line {line}"
                self.tell("yaml.duplicate-key", line, what, "keep one of them")
                continue
            kind = type(value_node)
            if lines is not None:
                # Text stands where it begins; a mapping or list where its key stands.
                near = value_node if kind is yaml.ScalarNode else key_node
                lines[*path, key] = near.start_mark.line + 1
            if kind is yaml.ScalarNode:
                value = value_node.value
                if not value_node.style and (not value or value in _NULLS):
                    self._plain(value, key_node, "colon")
                    value = None
                elif self.escapes:
                    self._no_control(value_node)
                tree[key] = value
            else:
                inner = self._mapping if kind is yaml.MappingNode else self._sequence
                tree[key] = inner(value_node, (*path, key), depth + 1)
        return tree

    def _sequence(self, node: yaml.SequenceNode, path: Path, depth: int) -> list[Any]:
        if depth > MAX_DEPTH:
            self._too_deep(node.start_mark.line + 1)
            raise _TooDeepError
        items: list[Any] = []
        for position, item in enumerate(node.value):
            if self.lines is not None:
                self.lines[*path, position] = item.start_mark.line + 1
            kind = type(item)
            if kind is yaml.ScalarNode:
                value = item.value
                if not item.style and (not value or value in _NULLS):
                    self._plain(value, item, "dash")
                    value = None
                elif self.escapes:
                    self._no_control(item)
                items.append(value)
            else:
                inner = self._mapping if kind is yaml.MappingNode else self._sequence
                items.append(inner(item, (*path, position), depth + 1))
        return items

    def _line_of(self, path: Path) -> int:
        """Give the line of a value that was read before, whether this reading notes lines or not."""
        return (_lines_in(self.data) if self.lines is None else self.lines)[path]

    def _plain(self, value: str, near: yaml.Node, sign: str) -> None:
        """Say so where nothing was written; a written null is none."""
        if not value:
            what = f"nothing stands after the {sign}"
            self.tell("yaml.empty-value", near.start_mark.line + 1, what, "write null to take a setting away")

    def _good_key(self, node: yaml.ScalarNode) -> bool:
        if self.escapes:
            self._no_control(node)
        key = node.value
        return (
            bool(key)
            and "\n" not in key
            and node.style not in {"|", ">"}
            and (bool(node.style) or key not in _NULLS)
        )

    def _no_control(self, node: yaml.ScalarNode) -> None:
        found = _IN_VALUE.search(node.value)
        if found:
            what = f"an escape here stands for a hidden control character, U+{ord(found[0]):04X}"
            self.tell("yaml.control-character", node.start_mark.line + 1, what, "remove it")


def _line(event: yaml.Event) -> int:
    # The C parser marks every event; the typing of PyYAML allows for none.
    return event.start_mark.line + 1 if event.start_mark is not None else 1


def _quoted(text: str) -> str:
    """Quote foreign text for a sentence: cut short, and with all that does not print escaped."""
    return repr(text if len(text) <= EXCERPT else text[: EXCERPT - 1] + "…")


def _bare(text: object) -> str:
    return _quoted(str(text))[1:-1]
