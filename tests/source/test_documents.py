"""Reading one YAML text: text stays text, every value knows its line, and every problem is told in words."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asleft.domain.problems import Problem
from asleft.source.documents import MAX_BYTES, MAX_DEPTH, MAX_PROBLEMS, Document, read_document


def read(text: str) -> Document:
    document, problems = read_document("a.yaml", text.encode())
    assert problems == []
    assert document is not None
    return document


def problems_of(text: str | bytes) -> list[Problem]:
    return read_document("a.yaml", text if isinstance(text, bytes) else text.encode())[1]


def told(text: str | bytes) -> list[tuple[str, int]]:
    return [(problem.rule, problem.line) for problem in problems_of(text)]


# Scalars that YAML 1.1 loaders turn into something else: shared/reference/bench.md section 1, the table of traps (its
# rows were run there); yes, Off, y and 1_000.5 from the YAML 1.1 type repository (yaml.org/type/bool, /float).
TRAPS = [
    "no",
    "on",
    "yes",
    "Off",
    "y",
    "True",
    "12:30",
    "12:30:45.5",
    "010",
    "0o10",
    "1_000",
    "1_000.5",
    "2024-01-02",
    "1e3",
    "0x1F",
    ".5",
    ".inf",
    ".nan",
    "Null",
    "NULL",
    "=",
    "<<",
]


@pytest.mark.parametrize("trap", TRAPS)
def test_a_scalar_stays_the_text_it_is(trap: str) -> None:
    """No plain scalar is guessed at, as a value or in a list."""
    assert read(f"a: {trap}\nb: [{trap}]\n").tree == {"a": trap, "b": [trap]}


@pytest.mark.parametrize("key", ["no", "010", "12:30", "2024-01-02", "1e3"])
def test_a_key_stays_the_text_it_is(key: str) -> None:
    """Keys are not guessed at either."""
    assert read(f"{key}: x\n").tree == {key: "x"}


@pytest.mark.parametrize("plain", ["null", "~"])
def test_only_a_plain_null_is_none(plain: str) -> None:
    """A null takes a setting away when it stands plain, and is text when it is quoted."""
    assert read(f"a: {plain}\nb: '{plain}'\nc: \"{plain}\"\nd: [{plain}]\n").tree == {
        "a": None,
        "b": plain,
        "c": plain,
        "d": [None],
    }


def test_a_quoted_empty_text_is_a_value() -> None:
    """Two quotes with nothing between say that the text is empty."""
    assert read("a: ''\nb: \"\"\n").tree == {"a": "", "b": ""}


def test_every_value_knows_its_line() -> None:
    """A scalar stands where it starts, a mapping or list under a key where the key stands, an item where it starts."""
    document = read("# first\na: x\nb:\n  c:\n    y\n  d:\n  - p\n  -\n    e: q\nf: >\n  long\n  text\n")
    assert dict(document.lines) == {
        ("a",): 2,
        ("b",): 3,
        ("b", "c"): 5,
        ("b", "d"): 6,
        ("b", "d", 0): 7,
        ("b", "d", 1): 9,
        ("b", "d", 1, "e"): 9,
        ("f",): 10,
    }


def test_an_unknown_path_falls_back_to_its_nearest_parent() -> None:
    """A value that is not written has the line of what would hold it; without any, the first."""
    document = read("a: x\nb:\n  c: y\n")
    assert [document.line(path) for path in [("b", "c"), ("b", "z", 3), ("z",), ()]] == [3, 2, 1, 1]


@pytest.mark.parametrize(
    "text, expected",
    [
        pytest.param("a: 1\nb: 2\na: 3\n", [("yaml.duplicate-key", 3)], id="duplicate"),
        pytest.param("x:\n  a: 1\n  'a': 3\n", [("yaml.duplicate-key", 3)], id="duplicate-nested-quoted"),
        pytest.param("a:\nb: 1\n", [("yaml.empty-value", 1)], id="empty-value"),
        pytest.param("a:\n- x\n-\n", [("yaml.empty-value", 3)], id="empty-item"),
        pytest.param("a: 1\nb: &x 2\n", [("yaml.anchor", 2)], id="anchor"),
        pytest.param("a: &x 1\nb: *x\n", [("yaml.anchor", 1), ("yaml.alias", 2)], id="alias"),
        pytest.param("a: &x {b: 1}\nc:\n  <<: *x\n", [("yaml.anchor", 1), ("yaml.alias", 3)], id="merge"),
        pytest.param("a: 1\nb: !!int 2\n", [("yaml.tag", 2)], id="tag"),
        pytest.param("a: !!str 2\n", [("yaml.tag", 1)], id="tag-str"),
        pytest.param("a: !x {b: 1}\n", [("yaml.tag", 1)], id="own-tag"),
        pytest.param("a: 1\n? [x]\n: 2\n", [("yaml.key-not-text", 2)], id="list-key"),
        pytest.param("{a: 1}: 2\n", [("yaml.key-not-text", 1)], id="mapping-key"),
        pytest.param("a: 1\nnull: 2\n", [("yaml.key-not-text", 2)], id="null-key"),
        pytest.param("a: 1\n'': 2\n", [("yaml.key-not-text", 2)], id="empty-key"),
        pytest.param("? |\n  x\n: 2\n", [("yaml.key-not-text", 1)], id="block-key"),
        pytest.param("a: 1\n---\nb: 2\n", [("yaml.several-documents", 2)], id="two-documents"),
        pytest.param("a: 1\nb: [1,\n", [("yaml.syntax", 3)], id="open-list"),
        pytest.param("a: 1\nb: c: d\n", [("yaml.syntax", 2)], id="two-colons"),
        pytest.param("a: 1\n\tb: 2\n", [("yaml.syntax", 2)], id="tab-indent"),
        pytest.param("a: 'x\n", [("yaml.syntax", 2)], id="open-quote"),
        pytest.param("a: *x\n", [("yaml.alias", 1)], id="alias-to-nothing"),
        pytest.param("", [("yaml.not-a-mapping", 1)], id="empty"),
        pytest.param("# only words\n", [("yaml.not-a-mapping", 1)], id="comment"),
        pytest.param("\n- a\n", [("yaml.not-a-mapping", 2)], id="list"),
        pytest.param("some words\n", [("yaml.not-a-mapping", 1)], id="text"),
        pytest.param("\x1b[31m: x\n", [("yaml.control-character", 1)], id="escape"),
    ],
)
def test_what_is_wrong_is_told_with_its_line(text: str, expected: list[tuple[str, int]]) -> None:
    """Each thing that is refused has a rule and the line where it stands."""
    assert told(text) == expected


# C0 but tab and newline, DEL and C1 (ECMA-48, Unicode category Cc), a lone CR, U+2028/2029, the bidirectional overrides
# and isolates (Unicode UAX #9, table of explicit formatting characters) and a BOM that is not at the start.
HIDDEN = [0x00, 0x07, 0x08, 0x0B, 0x0C, 0x0D, 0x1B, 0x1F, 0x7F, 0x80, 0x85, 0x9B, 0x9F, 0x2028, 0x2029]
HIDDEN += [*range(0x202A, 0x202F), *range(0x2066, 0x206A), 0xFEFF]


@pytest.mark.parametrize("code", HIDDEN, ids=hex)
def test_hidden_characters_are_refused_however_they_are_written(code: int) -> None:
    """A control character is found as itself, and as an escape in a quoted value or key."""
    escape = f"\\u{code:04x}"
    assert told(f"a: 1\nb: x{chr(code)}y\n") == [("yaml.control-character", 2)]
    assert told(f'a: 1\nb: ["x{escape}y"]\n') == [("yaml.control-character", 2)]
    assert told(f'a: 1\n"x{escape}y": 2\n') == [("yaml.control-character", 2)]


def test_tabs_line_breaks_and_a_leading_mark_are_let_through() -> None:
    """CR LF ends a line as LF does, a BOM may open the file, and a text may hold tabs and line feeds."""
    document, problems = read_document("a.yaml", b'\xef\xbb\xbfa: "x\\ty\\nz"\r\nb: p\tq\r\n')
    assert problems == []
    assert document is not None
    assert document.tree == {"a": "x\ty\nz", "b": "p\tq"}
    assert document.line(("b",)) == 2


def test_signs_that_only_look_like_anchors_and_tags_are_text() -> None:
    """An ampersand, star or exclamation mark inside a text is no anchor, alias or tag."""
    assert read("a: drums & bass\nb: 'louder!'\nc: 3 * 4 # !x &y *z\n").tree == {
        "a": "drums & bass",
        "b": "louder!",
        "c": "3 * 4",
    }


def test_a_duplicate_key_names_both_lines_and_keeps_the_first() -> None:
    """Both places are named, and the tree goes on with the first for further checks."""
    document, problems = read_document("a.yaml", b"a: 1\nb: 2\na: 3\n")
    assert [problem.what for problem in problems] == ["'a' stands twice: on line 1 and on line 3"]
    assert document is not None
    assert document.tree == {"a": "1", "b": "2"}


def test_an_empty_value_says_how_to_take_a_setting_away() -> None:
    """Nothing after a colon is no null."""
    (problem,) = problems_of("a:\n")
    assert (problem.what, problem.fix) == (
        "nothing stands after the colon",
        "write null to take a setting away",
    )


def test_all_problems_of_a_file_are_told_in_order_of_line() -> None:
    """The reader goes on after each problem that leaves a tree."""
    text = 'a:\nb: !!int 2\nb: 3\nc: "\\e"\n[d]: 1\ne: [x, ]\nf:\n  g:\n'
    assert told(text) == [
        ("yaml.empty-value", 1),
        ("yaml.tag", 2),
        ("yaml.duplicate-key", 3),
        ("yaml.control-character", 4),
        ("yaml.key-not-text", 5),
        ("yaml.empty-value", 8),
    ]


def test_text_that_is_not_utf_8_is_told_by_line_and_byte() -> None:
    """The line and the byte are named."""
    (problem,) = problems_of("a: 1\nb: Bühne\n".encode("latin-1"))
    assert (problem.rule, problem.line) == ("yaml.not-utf-8", 2)
    assert "0xfc" in problem.what
    assert [rule for rule, _ in told("a: 1\n".encode("utf-16"))] == ["yaml.not-utf-8"]


def test_a_file_may_have_256_kib_and_not_a_byte_more() -> None:
    """The bound is exact."""
    just = b"a: 1\n#" + b"x" * (MAX_BYTES - 7) + b"\n"
    assert len(just) == 256 * 1024
    assert told(just) == []
    assert told(just + b"\n") == [("yaml.too-large", 1)]


@pytest.mark.parametrize(
    "deep",
    [
        pytest.param("a: " + "[" * MAX_DEPTH + "]" * MAX_DEPTH, id="just-too-deep"),
        pytest.param("a: " + "[" * 900 + "]" * 900, id="deep"),
        pytest.param("a: " + "[" * 100_000, id="brackets"),
        pytest.param("a: " + "{x: " * 50_000, id="braces"),
        pytest.param("a:\n" + "- " * 100_000 + "x", id="dashes"),
        pytest.param("".join(" " * n + "k:\n" for n in range(700)), id="indent"),
        pytest.param("? " * 100_000, id="questions"),
    ],
)
def test_a_bomb_of_levels_is_one_problem(deep: str) -> None:
    """However deep the levels go, they end in one sentence and not in an exhausted stack."""
    assert [rule for rule, _ in told(deep)] == ["yaml.too-deep"]


def test_the_deepest_that_is_let_through() -> None:
    """Just as many levels as the bound says are read."""
    levels = MAX_DEPTH - 1
    assert told("a: " + "[" * levels + "]" * levels) == []


def test_an_alias_bomb_is_never_unfolded() -> None:
    """Anchors and aliases are told and nothing is built from them."""
    levels = ["a0: &a0 [x, x]"] + [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 9)}]" for n in range(1, 8)]
    document, problems = read_document("a.yaml", "\n".join(levels).encode())
    assert document is None
    assert {problem.rule for problem in problems} == {"yaml.anchor", "yaml.alias"}


def test_the_list_of_problems_has_an_end() -> None:
    """After a hundred problems the rest is counted in one more."""
    problems = problems_of("".join(f"k{n}:\n" for n in range(MAX_PROBLEMS + 50)))
    assert len(problems) == MAX_PROBLEMS + 1
    assert problems[-1].what == "50 more problems in this file are not listed"
    problems = problems_of("a: x\x07\n" * (MAX_PROBLEMS + 50))
    assert problems[-1].what == "50 more problems in this file are not listed"


def test_foreign_text_in_a_problem_is_quoted_and_short() -> None:
    """What a sentence quotes from the file can neither fill nor command a screen."""
    name = "x" * 5_000
    (problem,) = problems_of(f"{name}: 1\n{name}: 2\n")
    assert len(problem.what) < 200
    problems = problems_of('"\\e[31mk": 1\n"\\e[31mk": 2\n')
    assert all(problem.what.isprintable() for problem in problems)
    assert "'\\x1b[31mk'" in problems[-1].what


_LETTERS = st.characters(exclude_categories=("C", "Zl", "Zp"))
_TEXT = st.text(_LETTERS)
_TREES = st.dictionaries(
    _TEXT.filter(bool),
    st.recursive(
        st.none() | _TEXT,
        lambda inner: st.lists(inner, max_size=4) | st.dictionaries(_TEXT.filter(bool), inner, max_size=4),
        max_leaves=20,
    ),
    min_size=1,
)


@given(_TREES)
def test_whatever_json_can_say_in_text_and_null_is_read_back(tree: dict[str, object]) -> None:
    """A JSON object of text and nulls, which is YAML (YAML 1.2.2 section 1.2), comes back as it was."""
    document, problems = read_document("a.yaml", json.dumps(tree, ensure_ascii=False, indent=1).encode())
    depth = _depth(tree)
    if depth <= MAX_DEPTH:
        assert problems == []
        assert document is not None
        assert document.tree == tree
    else:
        assert [problem.rule for problem in problems] == ["yaml.too-deep"]


def _depth(tree: object) -> int:
    if isinstance(tree, dict):
        return 1 + max(map(_depth, tree.values()), default=0)
    if isinstance(tree, list):
        return 1 + max(map(_depth, tree), default=0)
    return 0


@given(st.binary() | st.text(st.sampled_from("ab:-?[]{}#&*!|>'\"%@`~, \n\t\\\x00é\ufeff")).map(str.encode))
def test_no_bytes_at_all_raise(data: bytes) -> None:
    """Any bytes give a document or at least one problem, each on a line of the file, and never an exception."""
    document, problems = read_document("a.yaml", data)
    assert document is not None or problems
    last = max(data.count(b"\n"), data.count(b"\r")) + 2
    assert all(1 <= problem.line <= last and problem.what.isprintable() for problem in problems)
    assert problems == sorted(problems)
