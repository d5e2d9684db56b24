"""The guide's list of log lines is what the agent's code says (OWASP ASVS 5.0.0, 16.1.1): every event, its level, its keys."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from asleft.daemon import accounts, listening
from asleft.daemon.unheard import MOST_OF_ONE, Turned
from asleft.domain.accounts import AccountMove
from asleft.web.api.problems import KINDS
from asleft.web.door import LONGEST_BODY, MOST_BODY, MOST_HEAD
from asleft.web.gathered import AT_ONCE_KNOWN, MANY, MOST_KEPT
from asleft.web.refusals import HIDDEN
from asleft.work.following.followers import Word

TOP: Final = Path(__file__).resolve().parents[2]
CODE: Final = TOP / "agent" / "asleft"
GUIDE: Final = TOP / "shared" / "guide" / "logs.md"
TEXT: Final = GUIDE.read_text("utf-8")

Line = tuple[str, str]
"""A part of the agent, and the words of an event."""
Told = tuple[str, frozenset[str]]
"""Its level, and its keys."""

LEVELS: Final = {
    **{name: name for name in ("debug", "info", "warning", "error", "critical")},
    "exception": "error",
    "refused": "warning",  # of `Gathered`
    "failed": "warning",  # of `Repeats`: the first time
    "mended": "info",
}
PART_OF: Final = {
    "daemon/agent/supervising.py": "service",
    "daemon/logs.py": "service",
    "daemon/listening.py": "page",
}
"""Where a module says something through a log that it was given: of which part that is."""
WORDS: Final[dict[tuple[str, str], dict[str, str]]] = {
    ("daemon/accounts.py", "_log.warning"): {
        str(move): "warning" if move in accounts._REFUSALS else "info" for move in AccountMove
    },
    ("daemon/accounts.py", "_log.info"): {},
    ("daemon/agent/parts.py", "f'followed: {word}'"): {f"followed: {word}": "info" for word in Word},
    # What these hand on stands where it is given to them, below `HANDED`.
    ("daemon/agent/paging.py", "log.warning"): {},
    ("daemon/agent/supervising.py", "what"): {},
    ("daemon/listening.py", "said"): {},
    ("daemon/logs.py", "event"): {},
    ("web/logged.py", "self._taken"): {},
    ("web/logged.py", "self._refused"): {},
    ("web/numbered.py", "self._event"): {},
}
"""Events that are no words in the code at the place where they are told; a new one of the kind has to be put here."""
REFUSAL: Final = frozenset(
    {"path", "person", "peer", "method", "status", "why", "times", "since", "until", "peers"}
)
HANDED: Final = {
    "taken": ("info", frozenset({"path", "person", "peer"})),
    "refused": ("warning", REFUSAL | {"what"}),
    "event": ("error", frozenset({"reference", "path", "trace"})),
}
"""What is handed to `Logged` and `Numbered`: by which name, its level and its keys."""
GUARDED: Final = ("warning", frozenset({"part", "why", "trace"}))
MORE: Final[dict[str, frozenset[str]]] = {
    "an act of a program was taken": frozenset({"program"}),
    "a program was refused something": frozenset({"program"}),
    "the page refused something": frozenset({"origin", "site"}),
    "the door turned something away": REFUSAL | {"host"},
    "the server turned something away": REFUSAL - {"path", "method"},
    "it works again": frozenset({"failed", "seconds", "why"}),
    "a command failed": frozenset({"trace"}),
    "a result cannot be sent": frozenset({"trace"}),
}
"""Keys that a line has besides those at the place where it is told."""
ACCOUNT: Final = frozenset({"person", "by", "address", "agent", "detail"})


def literals(node: ast.expr) -> list[str] | None:
    """Give the words that an expression can be; None where it is none that stands there."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return [node.value]
    if isinstance(node, ast.IfExp):
        both = (literals(node.body), literals(node.orelse))
        return None if None in both else [word for one in both for word in one or ()]
    return None


def keys_of(call: ast.Call) -> frozenset[str]:
    """Give the keys that stand at a call."""
    given = {keyword.arg for keyword in call.keywords if keyword.arg} - {"exc_info"}
    return frozenset(given)


def is_log(node: ast.expr) -> bool:
    """Tell whether an expression is a log, by its name: `log`, `_log`, `parts.log`, `said`; or what tells for one."""
    name = node.attr if isinstance(node, ast.Attribute) else node.id if isinstance(node, ast.Name) else ""
    return name.endswith("log") or name in {"said", "gathered", "_gathered", "_repeats", "repeats"}


def in_the_code() -> Iterator[tuple[Line, Told]]:
    """Give every event that the agent can log, from what its code says."""
    for path in sorted(CODE.rglob("*.py")):
        file = path.relative_to(CODE).as_posix()
        tree = ast.parse(path.read_text("utf-8"))
        own = re.search(r'log_of\("([a-z]+)"\)', path.read_text("utf-8"))
        part = "page" if file.startswith("web/") else PART_OF.get(file) or (own[1] if own else "")
        called = {id(node.func): node for node in ast.walk(tree) if isinstance(node, ast.Call)}
        for node in ast.walk(tree):
            if isinstance(node, ast.Attribute) and node.attr in LEVELS and is_log(node.value):
                yield from told_at(file, part, node, called.get(id(node)))
            elif isinstance(node, ast.Call):
                yield from handed_at(part, node)


def told_at(file: str, part: str, node: ast.Attribute, call: ast.Call | None) -> Iterator[tuple[Line, Told]]:
    """Give the events that are told at one place."""
    level = LEVELS[node.attr]
    event: ast.expr = call.args[1 if node.attr in {"failed", "mended"} else 0] if call else node
    words = literals(event)
    if words is None:
        said = WORDS.get((file, ast.unparse(event)))
        assert said is not None, (
            f"{file}:{node.lineno} tells {ast.unparse(event)}: say in WORDS what that can be"
        )
        keys = ACCOUNT if file == "daemon/accounts.py" else keys_of(call) if call else frozenset()
        for word, of in said.items():
            yield (part, word), (of, keys)
        return
    assert part, f"{file}:{node.lineno} tells something, and nobody knows through which log"
    assert call is not None
    trace = {"trace"} if node.attr == "exception" else set()
    for word in words:
        yield (part, word), (level, keys_of(call) | trace | MORE.get(word, frozenset()))


def handed_at(part: str, call: ast.Call) -> Iterator[tuple[Line, Told]]:
    """Give the events that are handed to what tells them later."""
    name = call.func.attr if isinstance(call.func, ast.Attribute) else getattr(call.func, "id", "")
    if name in {"guarded", "_failed"}:
        for word in literals(call.args[1]) or () if len(call.args) > 1 else ():
            yield ("service", word), GUARDED
    if name == "Middleware":
        for keyword in call.keywords:
            if keyword.arg in HANDED:
                level, keys = HANDED[keyword.arg]
                for word in literals(keyword.value) or ():
                    yield (part, word), (level, keys | MORE.get(word, frozenset()))


ROW: Final = re.compile(
    r"^\| `([^`]+)` \| (debug|info|warning|error|critical) \| ([^|]*) ?\| ([^|]+) \| ([^|]+) \|$",
    re.MULTILINE,
)
WHY: Final = re.compile(r"^\| `([a-z-]+)` \| ([^|]+) \| ([^|]+) \|$", re.MULTILINE)


def in_the_guide() -> Iterator[tuple[Line, Told]]:
    """Give every event that the guide lists."""
    part = ""
    for line in TEXT.splitlines():
        heading = re.search(r"`asleft\.([a-z]+)`", line) if line.startswith("#") else None
        part = heading[1] if heading else part
        if found := ROW.match(line):
            keys = frozenset(re.findall(r"`([a-z_]+)`", found[3]))
            yield (part, found[1]), (found[2], keys)


def test_the_scan_finds_what_there_is() -> None:
    """A few lines of each kind, each told in another way, are among those that are found in the code."""
    found = dict(in_the_code())
    assert found["service", "ready"] == ("info", frozenset({"baseline", "stations"}))
    assert found["accounts", "sign-in refused"] == ("warning", ACCOUNT)
    assert found["parts", "followed: gone"] == ("info", frozenset({"why"}))
    assert found["page", "a page failed"] == ("error", frozenset({"reference", "path", "trace"}))
    assert found["page", "the door turned something away"][0] == "warning"
    assert found["service", "the round failed"] == GUARDED
    assert found["service", "an order that was left unfinished was settled"][0] == "warning"
    assert len(found) > 70


def test_every_log_has_a_name_that_the_scan_knows() -> None:
    """What holds a log is called so; what is called otherwise would tell what nobody lists."""
    seen = 0
    for path in sorted(CODE.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Assign) and re.match(r"(log or )?log_of\(", ast.unparse(node.value)):
                seen += 1
                assert all(is_log(target) for target in node.targets), f"{path}:{node.lineno}"
    assert seen > 8


def test_the_guide_lists_every_line() -> None:
    """16.1.1: each event that the code tells is in the guide, under the part that tells it, and no other is."""
    listed = [line for line, _ in in_the_guide()]
    assert len(listed) == len(set(listed))
    told = {line for line, _ in in_the_code()}
    assert sorted(told - set(listed)) == [], "not in shared/guide/logs.md"
    assert sorted(set(listed) - told) == [], "in shared/guide/logs.md, and told nowhere"


def test_the_guide_tells_levels_and_keys() -> None:
    """16.1.1, 16.2.1: with how much weight each is told, and by which keys."""
    told, listed = dict(in_the_code()), dict(in_the_guide())
    assert {line: listed[line] for line in told} == told


def test_one_event_is_told_in_one_way() -> None:
    """Two places that tell the same thing tell it with the same weight and keys."""
    assert len(set(in_the_code())) == len(dict(in_the_code()))


def reasons() -> Iterator[str]:
    """Give each word by which the page says why it refused something."""
    yield HIDDEN
    yield from (name for name, kind in KINDS.items() if kind.status != 500)  # a failure is no refusal
    yield from (why for why, _ in listening._KNOWN.values())
    yield from Turned
    for path in sorted((CODE / "web").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if not isinstance(node, ast.Call):
                continue
            name = getattr(node.func, "id", "")
            if name == "note" and len(node.args) > 1:
                yield from literals(node.args[1]) or ()
            if name == "FormRefused":
                yield from (
                    word for one in node.keywords if one.arg == "why" for word in literals(one.value) or ()
                )


def test_the_guide_lists_every_reason() -> None:
    """16.1.1: each word that can stand under `why` where the page refuses something is explained, with what to do."""
    table = TEXT[TEXT.index("| `why` | the page") :].split("\n\n")[0]
    listed = [found[1] for found in WHY.finditer(table)][1:]
    assert sorted(listed) == sorted(set(reasons()))


def test_the_numbers_are_those_of_the_code() -> None:
    """16.1.1: how many lines are gathered into one, and the words for too many addresses."""
    assert f"the first {AT_ONCE_KNOWN} are a line each. {MOST_KEPT} kinds" in TEXT
    assert f"*{MANY}*" in TEXT
    assert f"larger than {MOST_HEAD // 1024} KiB" in TEXT
    assert f"larger than {MOST_BODY // 1024} KiB" in TEXT
    assert f"longer than {LONGEST_BODY:.0f} s" in TEXT
    assert f"holds {MOST_OF_ONE} connections" in TEXT


def test_the_guide_can_be_found() -> None:
    """It is linked where the other guides are, and named where settings and the agent are explained."""
    assert "(shared/guide/logs.md)" in (TOP / "README.md").read_text("utf-8")
    for name in ("settings.md", "integrator.md"):
        assert "logs.md" in (GUIDE.parent / name).read_text("utf-8")
