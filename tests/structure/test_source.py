"""What our own source must look like, read from its syntax tree."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

import asleft

ROOT = Path(asleft.__file__).parent
MODULES = sorted(ROOT.rglob("*.py"))
NAMES = [str(path.relative_to(ROOT)) for path in MODULES]
DOMAIN = [name for name in NAMES if name.startswith("domain/")]
FORBIDDEN = frozenset(
    {
        "asyncio",
        "socket",
        "subprocess",
        "os",
        "pathlib",
        "logging",
        "structlog",
        "git",
        "watchdog",
        "sqlalchemy",
        "sqlite3",
        "apscheduler",
        "starlette",
        "typer",
        "rich",
        "httpx",
        "yaml",
    }
)
"""What no module of the ground floor may import: whatever reads, writes, waits or logs."""
CHANCE = frozenset({"random", "secrets", "time", "uuid"})
CLOCKS = frozenset({"now", "utcnow", "today"})
MOST_LINES = 400


def tree_of(name: str) -> ast.Module:
    return ast.parse((ROOT / name).read_text(encoding="utf-8"), filename=name)


def imported(tree: ast.AST) -> Iterator[tuple[int, str]]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield node.lineno, node.module or ""


def clock_reads(tree: ast.AST) -> Iterator[int]:
    for node in ast.walk(tree):
        if (
            isinstance(node, ast.Attribute)
            and node.attr in CLOCKS
            and ast.unparse(node.value).endswith(("datetime", "date"))
        ):
            yield node.lineno


def environment_reads(tree: ast.AST) -> Iterator[int]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and node.attr in {"environ", "environb", "getenv", "putenv"}:
            yield node.lineno
        elif isinstance(node, ast.ImportFrom) and node.module == "os":
            yield from (
                node.lineno for alias in node.names if alias.name in {"environ", "environb", "getenv"}
            )


def tight_percents(tree: ast.AST) -> Iterator[int]:
    """Give the lines where a number is written with a percent sign right after it (SI Brochure, 9th edition, 5.4.7: a space)."""
    for node in ast.walk(tree):
        if not isinstance(node, ast.JoinedStr):
            continue
        for one, after in zip(node.values, [*node.values[1:], None], strict=True):
            if not isinstance(one, ast.FormattedValue):
                continue
            spec = ast.unparse(one.format_spec)[2:-1] if one.format_spec else ""
            follows = after.value if isinstance(after, ast.Constant) else ""
            if spec.endswith("%") or str(follows).startswith("%"):
                yield node.lineno


def undocumented(tree: ast.Module) -> Iterator[str]:
    if ast.get_docstring(tree) is None:
        yield "the module"
    for node in tree.body:
        if isinstance(
            node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef
        ) and not node.name.startswith("_"):
            if ast.get_docstring(node) is None:
                yield node.name
            if isinstance(node, ast.ClassDef):
                yield from (
                    f"{node.name}.{inner.name}"
                    for inner in node.body
                    if isinstance(inner, ast.FunctionDef | ast.AsyncFunctionDef)
                    and not inner.name.startswith("_")
                    and ast.get_docstring(inner) is None
                )


def test_the_source_is_found() -> None:
    """The tests below read what is there."""
    assert len(DOMAIN) > 10
    assert {name.split("/")[0] for name in NAMES} >= {
        "cli",
        "daemon",
        "devices",
        "domain",
        "ledger",
        "source",
        "work",
    }


def test_a_space_stands_before_each_percent_sign() -> None:
    """What people read has one way to write a share: 82.6 % (SI Brochure, 9th edition, 5.4.7), in sentences and on pages."""
    assert [*tight_percents(ast.parse('f"{a:.1%}"\nf"{a}%"\nf"{a} %"\nf"{a:%Y}"'))] == [1, 2]
    found = [f"{name}:{line}" for name in NAMES for line in tight_percents(tree_of(name))]
    pages = [page for page in ROOT.rglob("*.html") if re.search(r"\}\}%", page.read_text("utf-8"))]
    assert (found, pages) == ([], [])


@pytest.mark.parametrize(
    "text,clock,environment,imports,bare",
    [
        ("from datetime import datetime\ndatetime.now()", [2], [], ["datetime"], ["the module"]),
        ("import datetime\ndatetime.datetime.utcnow()", [2], [], ["datetime"], ["the module"]),
        ("import os\nos.environ['A']\nos.getenv('A')", [], [2, 3], ["os"], ["the module"]),
        ("from os import environ", [], [1], ["os"], ["the module"]),
        (
            '"""D."""\nclass A:\n    def b(self): ...\n    def _c(self): ...\ndef _d(): ...',
            [],
            [],
            [],
            ["A", "A.b"],
        ),
    ],
)
def test_the_readers_find_what_they_look_for(
    text: str, clock: list[int], environment: list[int], imports: list[str], bare: list[str]
) -> None:
    """Each reader of the syntax tree finds a breach that was made for it."""
    tree = ast.parse(text)
    assert list(clock_reads(tree)) == clock
    assert list(environment_reads(tree)) == environment
    assert [module for _, module in imported(tree)] == imports
    assert list(undocumented(tree)) == bare


@pytest.mark.parametrize("name", DOMAIN)
def test_the_ground_floor_has_no_clock_and_no_chance(name: str) -> None:
    """Time and randomness come in as arguments."""
    tree = tree_of(name)
    assert list(clock_reads(tree)) == []
    assert [(line, module) for line, module in imported(tree) if module.split(".")[0] in CHANCE] == []


@pytest.mark.parametrize("name", DOMAIN)
def test_the_ground_floor_touches_nothing(name: str) -> None:
    """No module of the domain imports what reads, writes, waits or logs, nor a floor above."""
    for line, module in imported(tree_of(name)):
        assert module.split(".")[0] not in FORBIDDEN, f"{name}:{line}"
        if module.startswith("asleft"):
            assert module.startswith("asleft.domain"), f"{name}:{line}"


# They hand the environment on to git as it is, as a shell would, and look at no variable.
HANDS_ON = ("source/program.py", "records/objects.py")


@pytest.mark.parametrize(
    "name", [name for name in NAMES if not name.startswith(("cli/", "daemon/", *HANDS_ON))]
)
def test_only_the_outermost_floors_read_the_environment(name: str) -> None:
    """Below cli and daemon nothing depends on a variable of the environment."""
    assert list(environment_reads(tree_of(name))) == []


@pytest.mark.parametrize("name", NAMES)
def test_no_module_is_too_long_to_read(name: str) -> None:
    """A module has at most 400 lines."""
    assert len((ROOT / name).read_text(encoding="utf-8").splitlines()) <= MOST_LINES


@pytest.mark.parametrize("name", [name for name in NAMES if (ROOT / name).stat().st_size])
def test_everything_public_says_what_it_does(name: str) -> None:
    """Every module, public class, function and method has a docstring."""
    assert list(undocumented(tree_of(name))) == []
