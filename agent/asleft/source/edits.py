"""Edits of one YAML file that touch only what they are about: comments, quotes, order and line ends stay as they are.

Where a value stands is taken from the marks of the parser, and only the text of that value is written anew, or a line
or a pair put in beside it. After every edit the text is read again as the estate would read it, and has to give exactly
the tree that was meant; else nothing is given back.
"""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

import yaml

from asleft.domain.errors import AsleftError
from asleft.domain.names import harmless
from asleft.source.documents import read_document

__all__ = ["NotEdited", "add_entry", "remove_setting", "set_setting"]

_BOM: Final = "\ufeff"
_NULLS: Final = frozenset({"null", "~"})
_ESCAPES: Final = {'"': '\\"', "\\": "\\\\", "\n": "\\n", "\t": "\\t"}
_USUAL_STEP: Final = 2
_BLOCK_HEAD = re.compile(r"[|>][-+0-9]*([ \t]+#[^\r\n]*)?")
_COMMA = re.compile(r"[ \t]*,")
_Path = tuple[str, ...]


class NotEdited(AsleftError):
    """An edit cannot be made, and the text stays as it is."""


def set_setting(text: str, path: _Path, value: str) -> str:
    """Give the text with a value set: its old scalar replaced, or its key put in, with the parents that it needs.

    A `null` on the way is replaced by a group. The value is quoted where it would not stay text otherwise, or where the
    scalar that it replaces was.

    Args:
        text: What stands in the file; its line ends and a byte order mark are kept.
        path: Keys from the top, as `("settings", "network", "address")`.
        value: The value, as text.

    Raises:
        NotEdited: The text cannot be read, a list or a text stands where a group is needed, or the other way round, or
            what came out would not be read as meant.
    """
    tree = _tree(text)
    wanted = _with(tree, path, value)
    return text if wanted == tree else _checked(text, _Editor(text).put(path, value), wanted)


def remove_setting(text: str, path: _Path) -> str:
    """Give the text without a value or a group; groups that would be left empty go along, and so do comments inside.

    Args:
        text: What stands in the file; its line ends and a byte order mark are kept.
        path: Keys from the top.

    Raises:
        NotEdited: The text cannot be read, nothing stands at the path, or nothing would be left of the file.
    """
    wanted = _without(_tree(text), path)
    return _checked(text, _Editor(text).take(path), wanted)


def add_entry(text: str, path: _Path, entry: Mapping[str, str | tuple[str, ...]]) -> str:
    """Give the text with a new entry of several values at the end of a group that is there.

    Args:
        text: What stands in the file; its line ends and a byte order mark are kept.
        path: Keys from the top, as `("concessions", "menus-open")`.
        entry: The values of the entry by key: texts, or lists of them.

    Raises:
        NotEdited: The text cannot be read, there is no such group, or something stands at the path already.
    """
    tree = _tree(text)
    wanted = _with_entry(tree, path, {key: _plain(value) for key, value in entry.items()})
    return _checked(text, _Editor(text).add(path, entry), wanted)


def _plain(value: str | tuple[str, ...]) -> str | list[str]:
    return value if isinstance(value, str) else list(value)


def _with_entry(
    tree: Mapping[str, Any], path: _Path, entry: Mapping[str, Any], at: int = 0
) -> dict[str, Any]:
    """Give the tree that is meant: a copy with the entry added."""
    if at == len(path) - 1:
        if path[at] in tree:
            raise NotEdited(f"{_shown(path)} is there already", todo="choose another name")
        return {**tree, path[at]: dict(entry)}
    below = tree.get(path[at])
    if not isinstance(below, dict):
        raise NotEdited(f"{_shown(path[: at + 1])} is not a group", todo="write it by hand")
    return {**tree, path[at]: _with_entry(below, path, entry, at + 1)}


def _tree(text: str) -> dict[str, Any]:
    document, problems = read_document("", text.encode("utf-8", "surrogatepass"))
    if document is None or problems:
        first = problems[0]
        raise NotEdited(
            f"the file cannot be edited: {first.what}", where=f"line {first.line}", todo=first.fix
        )
    return document.tree


def _checked(before: str, splice: "_Splice", wanted: Mapping[str, Any]) -> str:
    after = before[: splice.start] + splice.text + before[splice.end :]
    document, problems = read_document("", after.encode("utf-8", "surrogatepass"))
    if document is None or problems or document.tree != wanted:
        line = before.count("\n", 0, splice.start) + 1
        raise NotEdited(
            "the edit would not be read as it is meant", where=f"line {line}", todo="make it by hand"
        )
    return after


def _shown(path: _Path) -> str:
    return f"'{harmless('.'.join(path))}'"


def _with(tree: Mapping[str, Any], path: _Path, value: str, at: int = 0) -> dict[str, Any]:
    """Give the tree that is meant: a copy with the value set."""
    if not path:
        raise NotEdited("no setting is named")
    key, old = path[at], tree.get(path[at])
    if at == len(path) - 1:
        if isinstance(old, dict | list):
            raise NotEdited(f"{_shown(path)} is a {_kind(old)}, not one value", todo="name one of its values")
        return {**tree, key: value}
    if old is not None and not isinstance(old, dict):
        raise NotEdited(f"{_shown(path[: at + 1])} is a {_kind(old)}, not a group", todo="take it out first")
    return {**tree, key: _with(old or {}, path, value, at + 1)}


def _without(tree: Mapping[str, Any], path: _Path, at: int = 0) -> dict[str, Any]:
    """Give the tree that is meant: a copy without the value, and without groups that it leaves empty."""
    if not path or path[at] not in tree:
        raise NotEdited(f"nothing stands at {_shown(path)}")
    rest = {key: old for key, old in tree.items() if key != path[at]}
    if at < len(path) - 1:
        old = tree[path[at]]
        if not isinstance(old, dict):
            raise NotEdited(f"{_shown(path[: at + 1])} is not a group", todo="name a value that is there")
        below = _without(old, path, at + 1)
        if below:
            return {**tree, path[at]: below}
    if not rest and not at:
        raise NotEdited("nothing would be left of the file", todo="remove the file")
    return rest


def _kind(value: object) -> str:
    return "group" if isinstance(value, dict) else "list" if isinstance(value, list) else "text"


@dataclass(frozen=True, slots=True)
class _Splice:
    """The text from one index to another gives way to a new one."""

    start: int
    end: int
    text: str


class _Editor:
    """Finds out which part of a text has to give way to what."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._shift = len(_BOM) if text.startswith(_BOM) else 0  # marks count from behind it
        top = yaml.compose(text[self._shift :], Loader=yaml.CBaseLoader)
        assert isinstance(top, yaml.MappingNode)  # noqa: S101 the text was read as a mapping before
        self._top = top
        self._line_end = "\r\n" if "\r\n" in text else "\n"

    def put(self, path: _Path, value: str) -> _Splice:
        """Have a value set; shapes on the way were looked at before."""
        node, flow = self._top, bool(self._top.flow_style)
        for at, key in enumerate(path):
            found = _pair(node, key)
            if found is None:
                if flow:
                    return self._put_in_flow(node, path[at:], value)
                return self._put_in_block(node, path[at:], value, top=not at)
            child = found[1]
            if isinstance(child, yaml.MappingNode):
                node, flow = child, flow or bool(child.flow_style)
            elif at == len(path) - 1:
                return self._replace(child, value, flow=flow)
            else:  # a `null`
                return _Splice(self._start(child), self._end(child), _in_braces(path[at + 1 :], value))
        raise AssertionError(path)  # the way ends at a group, which was refused before

    def add(self, path: _Path, entry: Mapping[str, str | tuple[str, ...]]) -> _Splice:
        """Have an entry added; that its group is there was looked at before."""
        node, flow = self._top, bool(self._top.flow_style)
        for key in path[:-1]:
            child = next(value for name, value in node.value if name.value == key)
            node, flow = child, flow or bool(child.flow_style)
        if flow:
            inner = ", ".join(
                f"{_key(key, flow=True)}: {_written(value, flow=True)}" for key, value in entry.items()
            )
            return self._pair_in_flow(node, f"{_key(path[-1], flow=True)}: {{{inner}}}")
        column = int(node.value[0][0].start_mark.column)
        indent = " " * (column + self._step())
        rows = (
            f"{indent}{_key(key, flow=False)}: {_written(value, flow=False)}" for key, value in entry.items()
        )
        return self._lines_after(node, [f"{' ' * column}{_key(path[-1], flow=False)}:", *rows])

    def take(self, path: _Path) -> _Splice:
        """Have a value taken out, with the groups that it leaves empty; that it is there was looked at before."""
        way: list[tuple[yaml.MappingNode, bool, int]] = []
        node, flow = self._top, bool(self._top.flow_style)
        for key in path:
            place = next(at for at, (name, _) in enumerate(node.value) if name.value == key)
            way.append((node, flow, place))
            child = node.value[place][1]
            if isinstance(child, yaml.MappingNode):
                node, flow = child, flow or bool(child.flow_style)
        while len(way) > 1 and len(way[-1][0].value) == 1:
            way.pop()
        holder, in_flow, place = way[-1]
        return self._take_from_flow(holder, place) if in_flow else self._take_from_block(holder, place)

    def _start(self, node: yaml.Node) -> int:
        return int(node.start_mark.index) + self._shift

    def _end(self, node: yaml.Node) -> int:
        return int(node.end_mark.index) + self._shift

    def _replace(self, node: yaml.Node, value: str, *, flow: bool) -> _Splice:
        start, end = self._start(node), self._end(node)
        style = getattr(node, "style", None)
        written = _scalar(value, style, flow=flow)
        if style in {"|", ">"}:
            # The mark ends behind the line ends of a block; those and a comment at its head stay.
            old = self._text[start:end]
            head = _BLOCK_HEAD.match(old)
            written += (head[1] or "" if head else "") + old[len(old.rstrip()) :]
        return _Splice(start, end, written)

    def _put_in_flow(self, node: yaml.MappingNode, path: _Path, value: str) -> _Splice:
        return self._pair_in_flow(node, _in_braces(path, value)[1:-1])

    def _pair_in_flow(self, node: yaml.MappingNode, pair: str) -> _Splice:
        if not node.value:
            at = self._start(node) + 1
            return _Splice(at, at, pair)
        at = self._end(node.value[-1][1])
        return _Splice(at, at, f", {pair}")

    def _put_in_block(self, node: yaml.MappingNode, path: _Path, value: str, *, top: bool) -> _Splice:
        siblings = [child for _, child in node.value if isinstance(child, yaml.MappingNode)]
        block = top or any(not child.flow_style for child in siblings)
        column = int(node.value[0][0].start_mark.column)
        return self._lines_after(node, list(_lines(path, value, column, self._step() if block else 0)))

    def _lines_after(self, node: yaml.MappingNode, lines: list[str]) -> _Splice:
        at = self._next_line(node)
        ended = at == 0 or self._text[at - 1] == "\n"
        joined = self._line_end.join(lines)
        return _Splice(at, at, f"{joined}{self._line_end}" if ended else f"{self._line_end}{joined}")

    def _next_line(self, node: yaml.Node) -> int:
        """Give where the line after a value begins, or where the text ends."""
        while isinstance(node, yaml.CollectionNode) and not node.flow_style:
            last = node.value[-1]
            node = last[1] if isinstance(node, yaml.MappingNode) else last
        at = self._end(node)
        if at and self._text[at - 1] == "\n":
            return at  # the mark of a block of text is there already
        found = self._text.find("\n", at)
        return len(self._text) if found < 0 else found + 1

    def _step(self) -> int:
        """Give by how many columns this file indents."""
        for key, child in self._top.value:
            if isinstance(child, yaml.MappingNode) and not child.flow_style:
                return int(child.value[0][0].start_mark.column) - int(key.start_mark.column)
        return _USUAL_STEP

    def _take_from_block(self, node: yaml.MappingNode, place: int) -> _Splice:
        key, value = node.value[place]
        start = self._text.rfind("\n", self._shift, self._start(key)) + 1 or self._shift
        if self._text[start : self._start(key)].strip():
            line = int(key.start_mark.line) + 1
            raise NotEdited("more than this stands on the line", where=f"line {line}", todo="edit it by hand")
        return _Splice(start, self._next_line(value), "")

    def _take_from_flow(self, node: yaml.MappingNode, place: int) -> _Splice:
        key, value = node.value[place]
        start, end = self._start(key), self._end(value)
        if place < len(node.value) - 1:
            following = self._start(node.value[place + 1][0])
            if not set(self._text[end:following]) & set("\n#"):
                return _Splice(start, following, "")
        elif place:
            before = self._end(node.value[place - 1][1])
            if "#" not in self._text[before:start]:
                return _Splice(before, end, "")
        comma = _COMMA.match(self._text, end)
        if comma:
            end = comma.end()
        return self._whole_line(start, end)

    def _whole_line(self, start: int, end: int) -> _Splice:
        """Take the rest of the lines along where only blanks would be left of them."""
        begin = self._text.rfind("\n", 0, start) + 1
        finish = self._text.find("\n", end) + 1
        if finish and not self._text[begin:start].strip() and not self._text[end:finish].strip():
            return _Splice(begin, finish, "")
        return _Splice(start, end, "")


def _pair(node: yaml.MappingNode, key: str) -> tuple[yaml.Node, yaml.Node] | None:
    return next((pair for pair in node.value if pair[0].value == key), None)


def _lines(path: _Path, value: str, column: int, step: int) -> Iterator[str]:
    """Give the lines of a new entry; with a step the first group begins lines of its own, those in it stand in braces."""
    key = " " * column + _key(path[0], flow=False)
    if len(path) == 1:
        yield f"{key}: {_scalar(value, None, flow=False)}"
    elif step:
        yield f"{key}:"
        yield from _lines(path[1:], value, column + step, 0)
    else:
        yield f"{key}: {_in_braces(path[1:], value)}"


def _in_braces(path: _Path, value: str) -> str:
    inner = _scalar(value, None, flow=True) if len(path) == 1 else _in_braces(path[1:], value)
    return f"{{{_key(path[0], flow=True)}: {inner}}}"


def _written(value: str | tuple[str, ...], *, flow: bool) -> str:
    if isinstance(value, str):
        return _scalar(value, None, flow=flow)
    return f"[{', '.join(_scalar(one, None, flow=True) for one in value)}]"


def _key(key: str, *, flow: bool) -> str:
    return key if _stays(key, f"{{{key}: x}}" if flow else f"{key}: x", 0) else _double(key)


def _scalar(value: str, style: str | None, *, flow: bool) -> str:
    """Write a value so that it stays this text: in the quotes that stood there, or in none, or in double ones."""
    if style == "'" and value.isprintable():
        return "'" + value.replace("'", "''") + "'"
    if style not in {"'", '"'} and _stays(value, f"{{k: {value}}}" if flow else f"k: {value}", 1):
        return value
    return _double(value)


def _stays(text: str, written: str, place: int) -> bool:
    """Tell whether a text without quotes is read as itself, as key (place 0) or value (1) of the one pair written."""
    if not text.isprintable() or text in _NULLS:
        return False
    try:
        node = yaml.compose(written, Loader=yaml.CBaseLoader)
    except (yaml.YAMLError, ValueError):
        return False
    if not isinstance(node, yaml.MappingNode) or len(node.value) != 1:
        return False
    scalar = node.value[0][place]
    return isinstance(scalar, yaml.ScalarNode) and not scalar.style and scalar.value == text and text != ""


def _double(text: str) -> str:
    return '"' + "".join(map(_escaped, text)) + '"'


def _escaped(character: str) -> str:
    if character in _ESCAPES:
        return _ESCAPES[character]
    if character.isprintable():
        return character
    code = ord(character)
    return f"\\x{code:02x}" if code < 1 << 8 else f"\\u{code:04x}" if code < 1 << 16 else f"\\U{code:08x}"
