"""Edits of YAML text: what is meant is read back, and nothing else on the page moves."""

import difflib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from ruamel.yaml import YAML

from asleft.source.documents import read_document
from asleft.source.edits import NotEdited, add_entry, remove_setting, set_setting

ADDRESS = ("settings", "network", "address")
STATION = """\
# Left of the riser, beside the hi-hat.
format: asleft-station-1
serial: "QS41-2107"   # on the lid
role: drums

settings:
  label: 'Drums'   # as on the tape
  # Kept low on purpose: see the hearing report.
  network: {address: 127.20.1.11/24}  # by the plan
  headphones:
    gain: -12 dB
    # The limiter stays on, whatever the player says.
    limiter: on

# End of the file; nothing below.
"""
NESTED = STATION.replace(
    "  network: {address: 127.20.1.11/24}  # by the plan\n",
    "  network:\n    # the plan is in site.yaml\n    address: 127.20.1.11/24  # by the plan\n    addressing: static\n",
)


def tree(text: str) -> dict[str, Any]:
    document, problems = read_document("x.yaml", text.encode())
    assert document is not None
    assert problems == []
    return document.tree


def moved(before: str, after: str) -> tuple[list[str], list[str]]:
    """Give the lines that are gone and those that are new, line ends and all."""
    lines = list(difflib.ndiff(before.splitlines(keepends=True), after.splitlines(keepends=True)))
    return [line[2:] for line in lines if line[0] == "-"], [line[2:] for line in lines if line[0] == "+"]


@pytest.mark.parametrize(
    "text,path,value,gone,new",
    [
        (STATION, ADDRESS, "127.20.1.31/24", "  network: {address: 127.20.1.11/24}  # by the plan\n", "  network: {address: 127.20.1.31/24}  # by the plan\n"),
        (NESTED, ADDRESS, "127.20.1.31/24", "    address: 127.20.1.11/24  # by the plan\n", "    address: 127.20.1.31/24  # by the plan\n"),
        (STATION, ("settings", "label"), "Drums 2", "  label: 'Drums'   # as on the tape\n", "  label: 'Drums 2'   # as on the tape\n"),
        (STATION, ("settings", "label"), "Lou's", "  label: 'Drums'   # as on the tape\n", "  label: 'Lou''s'   # as on the tape\n"),
        (STATION, ("serial",), 'Q"1', 'serial: "QS41-2107"   # on the lid\n', 'serial: "Q\\"1"   # on the lid\n'),
        (STATION, ("settings", "network", "gateway"), "127.20.1.1", "  network: {address: 127.20.1.11/24}  # by the plan\n", "  network: {address: 127.20.1.11/24, gateway: 127.20.1.1}  # by the plan\n"),
        (NESTED, ("settings", "network", "gateway"), "127.20.1.1", "", "    gateway: 127.20.1.1\n"),
        (STATION, ("settings", "headphones", "limiter-level"), "-9 dB", "", "    limiter-level: -9 dB\n"),
        (STATION, ("settings", "panel", "menus"), "locked", "", "  panel:\n    menus: locked\n"),
        (STATION, ("settings", "mix", "heard"), "Mix 1", "", "  mix:\n    heard: Mix 1\n"),
        (STATION, ("profile",), "stage-station", "", "profile: stage-station\n"),
        ("format: x\n", ADDRESS, "127.20.1.31/24", "", "settings:\n  network: {address: 127.20.1.31/24}\n"),
        ("format: x\nsettings: {}\n", ADDRESS, "1.2.3.4/24", "settings: {}\n", "settings: {network: {address: 1.2.3.4/24}}\n"),
        ("format: x\nsettings: {label: x}  # c\n", ADDRESS, "1.2.3.4/24", "settings: {label: x}  # c\n", "settings: {label: x, network: {address: 1.2.3.4/24}}  # c\n"),
        ("settings:\n  label: x\n", ADDRESS, "1.2.3.4/24", "", "  network: {address: 1.2.3.4/24}\n"),
        ("settings:\n  network: null  # the role's, not ours\n", ADDRESS, "1.2.3.4/24", "  network: null  # the role's, not ours\n", "  network: {address: 1.2.3.4/24}  # the role's, not ours\n"),
        ("settings:\n  network: {address: null}\n", ADDRESS, "1.2.3.4/24", "  network: {address: null}\n", "  network: {address: 1.2.3.4/24}\n"),
        ("settings:\n    a: {b: c}\n    d:\n        e: f\n", ("settings", "g", "h"), "i", "", "    g:\n        h: i\n"),
        ("a:\n  - 1\n  - 2\n", ("b",), "c", "", "b: c\n"),
        ("a: |\n  one\n  two\n\n# c\n", ("b",), "c", "", "b: c\n"),
        ("a: |  # note\n  one\n\n# c\n", ("a",), "c", "a: |  # note\n  one\n", "a: c  # note\n"),
        ("a: b", ("c",), "d", "a: b", "a: b\nc: d"),
        ("a:\n  b: {c: 1}\r\n", ("a", "b", "d"), "2", "  b: {c: 1}\r\n", "  b: {c: 1, d: 2}\r\n"),
        ("a: {\n  b: 1,   # one\n  c: 2    # two\n}\n", ("a", "d"), "3", "  c: 2    # two\n", "  c: 2, d: 3    # two\n"),
        ("a: {b: 1,}\n", ("a", "d"), "3", "a: {b: 1,}\n", "a: {b: 1, d: 3,}\n"),
    ],
)  # fmt: skip
def test_only_the_lines_that_are_meant_move(
    text: str, path: tuple[str, ...], value: str, gone: str, new: str
) -> None:
    """A value that is set changes or adds its own lines; comments, quotes, indentation and line ends stay."""
    after = set_setting(text, path, value)
    removed, added = moved(text, after)
    assert ("".join(removed), "".join(added)) == (gone, new)
    found: Any = tree(after)
    for key in path:
        found = found[key]
    assert found == value
    assert set_setting(after, path, value) == after


@pytest.mark.parametrize(
    "text,path,after",
    [
        (STATION, ADDRESS, STATION.replace("  network: {address: 127.20.1.11/24}  # by the plan\n", "")),
        (NESTED, ADDRESS, NESTED.replace("    address: 127.20.1.11/24  # by the plan\n", "")),
        (STATION, ("settings", "headphones"), STATION.replace("  headphones:\n    gain: -12 dB\n    # The limiter stays on, whatever the player says.\n    limiter: on\n", "")),
        (STATION, ("serial",), STATION.replace('serial: "QS41-2107"   # on the lid\n', "")),
        ("a: {b: 1, c: 2}\n", ("a", "b"), "a: {c: 2}\n"),
        ("a: {b: 1, c: 2}\n", ("a", "c"), "a: {b: 1}\n"),
        ("a: {b: 1, c: 2,}\n", ("a", "c"), "a: {b: 1,}\n"),
        ("a: {b: {c: 1}, d: 2}\n", ("a", "b", "c"), "a: {d: 2}\n"),
        ("a: {\n  b: 1,  # one\n  c: 2,\n  d: 3\n}\n", ("a", "b"), "a: {\n    # one\n  c: 2,\n  d: 3\n}\n"),
        ("a: {\n  b: 1,\n  c: 2,\n  d: 3\n}\n", ("a", "c"), "a: {\n  b: 1,\n  d: 3\n}\n"),
        ("a: {\n  b: 1,\n  c: 2\n}\n", ("a", "c"), "a: {\n  b: 1\n}\n"),
        ("a: {\n  b: 1,  # one\n  c: 2\n}\n", ("a", "c"), "a: {\n  b: 1,  # one\n}\n"),
        ("a: |\n  one\n\nb: 2\n", ("a",), "b: 2\n"),
        ("b: 2\na: 1", ("a",), "b: 2\n"),
        ("\ufeffa: 1\r\nb: 2\r\n", ("a",), "\ufeffb: 2\r\n"),
        ("a:\n  b:\n    c: 1\nd: 2\n", ("a", "b", "c"), "d: 2\n"),
    ],
)  # fmt: skip
def test_what_is_taken_out_takes_only_itself_along(text: str, path: tuple[str, ...], after: str) -> None:
    """A value goes with its line and with groups left empty; the lines around it stay as they are."""
    assert remove_setting(text, path) == after


@pytest.mark.parametrize(
    "value",
    ["null", "~", "", " x", "x ", "a: b", "a #b", "# x", "- x", "[x", "{x}", "x, y", "&x", "*x", "!x", "|", ">", "%x", "@x", "`x",
     "'x", '"x', "? x", "a:", "two\nlines", "tab\there", "\\", "=", "on", "010", "12:30", "ü — 𝄞", "x]", "}"],
)  # fmt: skip
@pytest.mark.parametrize("text", ["k: old\n", "k: 'old'\n", 'k: "old"\n', "k: >-\n  old\n", "z: 1\n"])
def test_every_text_stays_text(text: str, value: str) -> None:
    """Whatever would be read as something else without quotes is quoted, on a line of its own and in braces."""
    after = set_setting(text, ("k",), value)
    assert tree(after)["k"] == value
    braces = set_setting("a: {k: old}\n", ("a", "k"), value)
    assert tree(braces) == {"a": {"k": value}}
    # An independent reader that leaves every scalar text takes it for the same.
    assert YAML(typ="base").load(after)["k"] == value
    assert YAML(typ="base").load(braces)["a"]["k"] == value


def test_plain_text_gets_no_quotes() -> None:
    """What stays text by itself is written by itself."""
    assert set_setting("a: b\n", ("a",), "Mix 1") == "a: Mix 1\n"
    assert set_setting("a: {b: c}\n", ("a", "b"), "+6 dB") == "a: {b: +6 dB}\n"
    assert set_setting("a: {b: c}\n", ("a", "b"), "x, y") == 'a: {b: "x, y"}\n'


@pytest.mark.parametrize(
    "text,path,what",
    [
        ("a: b\n", ("a", "b"), "'a' is a text, not a group"),
        ("a: [b]\n", ("a", "b"), "'a' is a list, not a group"),
        ("a: {b: c}\n", ("a",), "'a' is a group, not one value"),
        ("a: [b]\n", ("a",), "'a' is a list, not one value"),
        ("a: b\na: c\n", ("a",), "stands twice"),
        ("a: &x b\n", ("a",), "an anchor"),
        ("a: [\n", ("a",), "YAML cannot be read"),
        ("", ("a",), "nothing stands in this file"),
        ("a: b\n", (), "no setting is named"),
        ("a: b\n", ("",), "would not be read as it is meant"),
        ("a: b\n", ("c\nd",), "would not be read as it is meant"),
        ("a: b # \ud800\n", ("c",), "not UTF-8"),
        # a block without a line end would get one, and with it another value
        ("a: |\n  x", ("b",), "would not be read as it is meant"),
    ],
)  # fmt: skip
def test_edits_that_are_refused(text: str, path: tuple[str, ...], what: str) -> None:
    """Where an edit would throw something away, or cannot be read back as meant, nothing is given."""
    with pytest.raises(NotEdited, match=what):
        set_setting(text, path, "new")


@pytest.mark.parametrize("value", ["\x1b[2J", "\u202e", "\x85", "\ud800"])
def test_hidden_characters_are_refused(value: str) -> None:
    """What the reader refuses is never written, not even as an escape."""
    with pytest.raises(NotEdited):
        set_setting("a: b\n", ("a",), value)


@pytest.mark.parametrize(
    "text,path,what",
    [
        ("a: b\n", ("c",), "nothing stands at 'c'"),
        ("a: b\n", ("a", "c"), "'a' is not a group"),
        ("a: b\n", ("a",), "nothing would be left"),
        ("a:\n  b: c\n", ("a", "b"), "nothing would be left"),
        ("x: y\n? a\n: b\n", ("a",), "more than this stands on the line"),
        ("a: b\n", (), "nothing stands at"),
    ],
)
def test_removals_that_are_refused(text: str, path: tuple[str, ...], what: str) -> None:
    """What is not there cannot be taken out, and a file keeps something in it."""
    with pytest.raises(NotEdited, match=what):
        remove_setting(text, path)


PLAIN = st.text("abz09-é𝄞", min_size=1, max_size=5).filter(lambda text: not text.startswith("-"))
ANY_TEXT = st.text(
    st.characters(blacklist_categories=["Cc", "Cs", "Cf", "Zl", "Zp", "Co", "Cn"]), max_size=12
)


@dataclass
class Page:
    """A document in the making."""

    step: int
    lines: list[str] = field(default_factory=list)


def put_scalar(draw: st.DrawFn) -> tuple[Any, str]:
    text = draw(PLAIN)
    return draw(
        st.sampled_from([(text, text), (text, f"'{text}'"), (text, f'"{text}"'), (None, "null"), (f"{text} #", f"'{text} #'")])
    )  # fmt: skip


def put_braces(draw: st.DrawFn, depth: int) -> tuple[Any, str]:
    if depth == 0 or draw(st.booleans()):
        return put_scalar(draw)
    if draw(st.integers(0, 3)) == 0:
        items = [put_scalar(draw) for _ in range(draw(st.integers(0, 3)))]
        return [value for value, _ in items], f"[{', '.join(text for _, text in items)}]"
    pairs = {key: put_braces(draw, depth - 1) for key in draw(st.lists(PLAIN, max_size=3, unique=True))}
    written = ", ".join(f"{key}: {text}" for key, (_, text) in pairs.items())
    return {
        key: value for key, (value, _) in pairs.items()
    }, f"{{{written}{draw(st.sampled_from(['', ' ']))}}}"


def put_block(draw: st.DrawFn, page: Page, column: int, depth: int) -> dict[str, Any]:
    found: dict[str, Any] = {}
    indent = " " * column
    for key in draw(st.lists(PLAIN, min_size=1, max_size=4, unique=True)):
        for _ in range(draw(st.integers(0, 1))):
            page.lines.append(
                draw(st.sampled_from(["", f"{indent}# about {key}", f"{indent}  # deeper", "# at the edge"]))
            )
        comment = draw(st.sampled_from(["", "  # aside", " #"]))
        kind = draw(st.sampled_from(["value", "value", "block", "list", "text"]))
        if kind == "block" and depth:
            page.lines.append(f"{indent}{key}:{comment}")
            found[key] = put_block(draw, page, column + page.step, depth - 1)
        elif kind == "list":
            page.lines.append(f"{indent}{key}:{comment}")
            found[key] = []
            for _ in range(draw(st.integers(1, 3))):
                value, written = put_scalar(draw)
                found[key].append(value)
                page.lines.append(f"{indent}  - {written}{comment}")
        elif kind == "text":
            words = draw(st.lists(PLAIN, min_size=1, max_size=3))
            page.lines.extend([f"{indent}{key}: |{comment}", *(f"{indent}     {word}" for word in words)])
            found[key] = "".join(f"{word}\n" for word in words)
        else:
            value, written = put_braces(draw, 2)
            found[key] = value
            page.lines.append(f"{indent}{key}: {written}{comment}")
    return found


@st.composite
def documents(draw: st.DrawFn) -> tuple[str, dict[str, Any]]:
    """Give a text with comments, in mixed styles, and the tree that it stands for."""
    page = Page(step=draw(st.sampled_from([1, 2, 4])))
    meant = put_block(draw, page, 0, 3)
    page.lines.append("# the last line")
    end = draw(st.sampled_from(["\n", "\r\n"]))
    return draw(st.sampled_from(["", "\ufeff"])) + end.join([*page.lines, ""]), meant


def groups(meant: Any, path: tuple[str, ...] = ()) -> list[tuple[str, ...]]:
    """Give every place where a key stands or could stand."""
    if not isinstance(meant, dict):
        return []
    return [path, *(place for key, value in meant.items() for place in groups(value, (*path, key)))]


def leaf_paths(meant: Any, path: tuple[str, ...] = ()) -> list[tuple[str, ...]]:
    if not isinstance(meant, dict):
        return [path]
    return [place for key, value in meant.items() for place in leaf_paths(value, (*path, key))]


def comments(text: str) -> list[str]:
    return [line for line in text.splitlines() if line.lstrip("\ufeff ").startswith("#")]


def expected(meant: dict[str, Any], path: tuple[str, ...], value: str) -> dict[str, Any]:
    below = meant.get(path[0])
    inner = value if len(path) == 1 else expected(below if isinstance(below, dict) else {}, path[1:], value)
    return {**meant, path[0]: inner}


THOROUGH = settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))


@THOROUGH
@given(documents(), st.data(), ANY_TEXT)
def test_any_value_anywhere(document: tuple[str, dict[str, Any]], data: st.DataObject, value: str) -> None:
    """Set anywhere, old or new, a value is read back with all else as it was, and every comment line survives."""
    text, meant = document
    assert tree(text) == meant
    group = data.draw(st.sampled_from(groups(meant)))
    inner: Any = meant
    for key in group:
        inner = inner[key]
    keys = st.one_of(st.sampled_from(sorted(inner)), PLAIN) if inner else PLAIN
    path = (*group, data.draw(keys), *data.draw(st.lists(PLAIN, max_size=2)))
    found: Any = meant
    for key in path:
        assume(isinstance(found, dict))
        found = found.get(key)
        if found is None:
            break
    assume(not isinstance(found, dict | list))
    assume(found is None or len(path) == len(group) + 1)
    after = set_setting(text, path, value)
    assert tree(after) == expected(meant, path, value)
    assert comments(after) == comments(text)
    assert ("\r\n" in text) == ("\r\n" in after)
    assert after.startswith("\ufeff") == text.startswith("\ufeff")
    gone, _ = moved(text, after)
    old = found if isinstance(found, str) else ""
    assert len(gone) <= 1 + old.count("\n")


@THOROUGH
@given(documents(), st.data())
def test_taking_out_what_was_put_in(document: tuple[str, dict[str, Any]], data: st.DataObject) -> None:
    """A value that is taken out again leaves the tree as it was, and every comment line where it was."""
    text, meant = document
    group = data.draw(st.sampled_from([group for group in groups(meant) if _at(meant, group)]))
    path = (*group, data.draw(PLAIN), *data.draw(st.lists(PLAIN, max_size=2)))
    assume(path[len(group)] not in _at(meant, group))
    assert remove_setting(set_setting(text, path, "value"), path) == text


@THOROUGH
@given(documents(), st.data())
def test_taking_out_anything(document: tuple[str, dict[str, Any]], data: st.DataObject) -> None:
    """Without a value the rest is read as before."""
    text, meant = document
    path = data.draw(st.sampled_from(leaf_paths(meant) or [()]))
    assume(path)
    rest = _rest(meant, path)
    assume(rest)
    assert tree(remove_setting(text, path)) == rest


def _at(meant: Any, path: tuple[str, ...]) -> Any:
    for key in path:
        meant = meant[key]
    return meant


def _rest(meant: dict[str, Any], path: tuple[str, ...]) -> dict[str, Any]:
    rest = {key: value for key, value in meant.items() if key != path[0]}
    below = _rest(meant[path[0]], path[1:]) if len(path) > 1 else {}
    return {**meant, path[0]: below} if below else rest


CONCESSIONS = """\
# Ours.
format: asleft-concessions-1
concessions:
   first:   # since spring
      setting: panel.menus
      until: 2026-12-31   # the last day

# End.
"""
ENTRY: Mapping[str, str | tuple[str, ...]] = {
    "setting": "panel.menus",
    "where": ("hall/drums", "hall/keys, left"),
    "reason": "yes: # no",
    "until": "2026-09-01",
}
MEANT = {**ENTRY, "where": ["hall/drums", "hall/keys, left"]}


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_an_entry_comes_last_in_its_group_and_indents_as_the_file_does(end: str) -> None:
    """Its lines are new, and not one other line moves."""
    before = CONCESSIONS.replace("\n", end)
    after = add_entry(before, ("concessions", "second"), ENTRY)
    gone, new = moved(before, after)
    assert gone == []
    assert [line.rstrip() for line in new] == [
        "   second:",
        "      setting: panel.menus",
        '      where: [hall/drums, "hall/keys, left"]',
        '      reason: "yes: # no"',
        "      until: 2026-09-01",
    ]
    assert all(line.endswith(end) for line in new)
    assert tree(after)["concessions"] == {**tree(before)["concessions"], "second": MEANT}


@pytest.mark.parametrize("group", ["{}", "{first: {setting: x}}", "{first: {setting: x},}"])
def test_an_entry_of_a_group_in_braces_stands_in_braces(group: str) -> None:
    """Be the group empty or not."""
    before = f"concessions: {group}  # none\n"
    after = add_entry(before, ("concessions", "second"), ENTRY)
    assert tree(after)["concessions"]["second"] == MEANT
    assert after.endswith("# none\n")


@pytest.mark.parametrize(
    "text,path,said",
    [
        (CONCESSIONS, ("concessions", "first"), "is there already"),
        (CONCESSIONS, ("exceptions", "second"), "is not a group"),
        (CONCESSIONS, ("format", "second"), "is not a group"),
        ("a: {b", ("a", "second"), "cannot be edited"),
    ],
)
def test_an_entry_that_cannot_be_added_is_refused(text: str, path: tuple[str, ...], said: str) -> None:
    """Nothing that stands is written over."""
    with pytest.raises(NotEdited, match=said):
        add_entry(text, path, ENTRY)


LINE = st.text(st.characters(codec="utf-8", exclude_categories=("Cc", "Cf", "Cs", "Zl", "Zp")), max_size=20)


@settings(deadline=None)
@given(
    entry=st.dictionaries(
        st.from_regex(r"[a-z]{1,8}", fullmatch=True),
        LINE | st.lists(LINE, min_size=1, max_size=3).map(tuple),
        min_size=1,
        max_size=4,
    )
)
def test_whatever_an_entry_says_is_read_back_by_another_reader(
    entry: dict[str, str | tuple[str, ...]],
) -> None:
    """ruamel.yaml, every scalar as text, finds the very texts and lists."""
    after = add_entry(CONCESSIONS, ("concessions", "second"), entry)
    found = tree(after)["concessions"]["second"]
    assert found == {key: value if isinstance(value, str) else [*value] for key, value in entry.items()}
    assert YAML(typ="base").load(after)["concessions"]["second"] == found
