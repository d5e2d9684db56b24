"""The rule about secrets: none stands in the repository, for everybody who may read it could use it."""

import re
from collections.abc import Iterator

from asleft.domain.layers import Origin
from asleft.domain.names import harmless
from asleft.domain.problems import Level, Problem
from asleft.domain.rules.rule import Rule

__all__ = ["RULES", "look_for_secrets"]

FOUND = Rule(
    id="secret.found",
    level=Level.ERROR,
    sentence="no file holds a private key, a password or another secret",
)
RULES: tuple[Rule, ...] = (FOUND,)

# Plain searches cost a fraction of a microsecond each on a small file; only a file that has one of these is looked at
# with the expression below.
_WORDS = ("pass", "secret", "token", "api", "shared", "psk", "private")
_FOUND = re.compile(
    r"""
    (?P<block> -----BEGIN\ [A-Z0-9\ ]{0,30}PRIVATE\ KEY(?:\ BLOCK)?----- | ^Private-Lines:[ ] )
    | \b[a-z][a-z0-9+.\-]{1,20}://[^\s/@:"'<]{0,100}:(?P<within>[^\s/@"']{1,200})@
    | (?<![\w.\-])(?P<key>[\w.\-]{0,40}
        (?:password|passwd|passphrase|secret|token|api[\-_]?key|pre[\-_]?shared(?:[\-_]?key)?|psk
          |(?:secret|private)[\-_]key)s?[\-_]?[0-9]{0,2})
      (?: (?:["'`]|[ ]is)?[ \t]*[:=][ \t]*
          (?P<value> (?:[|>][+\-0-9]{0,2})?[ \t]*\n[ \t]+(?:-[ \t]+)?[^\s:][^\n:]*$ | [^\n]* )
        | [^\n:=]{0,24}?(?P<near>[A-Za-z0-9+/_\-]{32,200}) )
    """,
    re.IGNORECASE | re.MULTILINE | re.VERBOSE,
)
# What may stand before a key on its line in YAML: indentation, list and comment marks; an opened or running mapping; a query.
_BEFORE_KEY = re.compile(r"(?:[\s#>*?-]*|.*[{\[,?&;]\s*)[\"']?\Z", re.DOTALL)
_PROSE = (".md", ".txt", ".ics")
_NO_SECRET = frozenset({"null", "~", "none", "no", "yes", "on", "off", "true", "false", "-", "|", ">"})
_PLACEHOLDER = re.compile(r"[<$%{]|[*.…x_-]+\Z", re.IGNORECASE)
_SHORTEST, _FEW = 6, 4
_WORD_KEYS = ("password", "passwd", "passphrase", "psk", "key", "shared")


def look_for_secrets(path: str, text: str) -> Iterator[Problem]:
    """Tell every line of a text file that holds a secret, without repeating the secret.

    Found are private key blocks, keys that are named like a secret and have a value, addresses with a password in them,
    and long random-looking strings beside such a word. In running text (md, txt, ics) a value must look like a secret,
    for people write about passwords there.

    Args:
        path: Path of the file in the repository.
        text: What stands in it.
    """
    lower = text.lower()
    if not ("://" in text and "@" in text) and not any(word in lower for word in _WORDS):
        return
    prose = path.lower().endswith(_PROSE)
    line, counted, told = 1, 0, 0
    for found in _FOUND.finditer(text):
        what = _told(found, text, prose=prose)
        if what:
            line += text.count("\n", counted, found.start())
            counted = found.start()
            if line != told:
                told = line
                yield FOUND.at(
                    Origin(layer="", file=path, line=line),
                    what,
                    "take it out, give everything that it opens a new one, and keep that outside the repository; "
                    "the old one stays readable in the history",
                )


def _told(found: re.Match[str], text: str, *, prose: bool) -> str:
    """Say what was found; nothing where it is none."""
    if found["block"]:
        return "a private key stands here"
    if found["within"]:
        return "" if _PLACEHOLDER.match(found["within"]) else "an address with a password in it stands here"
    key = harmless(found["key"], longest=60)
    if found["near"]:
        return f"a long random-looking text stands beside '{key}'" if _looks_random(found["near"]) else ""
    value = _value(found["value"])
    if not value or value.lower() in _NO_SECRET or _PLACEHOLDER.match(value):
        return ""
    start = text.rfind("\n", 0, found.start()) + 1
    at_key = _BEFORE_KEY.match(text, start, found.start()) is not None
    if prose and not _is_meant(found["key"], value):
        return ""
    if not prose and not at_key:
        return ""
    return f"'{key}' has a value here"


def _value(text: str) -> str:
    """Give the value without marks of a block, quotes, a comment or what closes a mapping."""
    value = text.strip().lstrip("|>+*").strip()
    if value.startswith("#"):
        return ""
    value = re.split(r"\s+#|[&;,}\]]", value, maxsplit=1)[0].strip()
    return value.strip("\"'`*").strip()


def _is_meant(key: str, value: str) -> bool:
    """Tell whether what follows a word like `password:` in running text is one, and not a sentence about it."""
    word, _, rest = value.partition(" ")
    word = word.strip("\"'`*.")
    if len(word) < _SHORTEST:
        return False
    if any(not character.isalpha() and character not in "-'" for character in word):
        return True
    return not rest and key.lower().rstrip("s").endswith(_WORD_KEYS)


def _looks_random(text: str) -> bool:
    digits = sum(character.isdigit() for character in text)
    letters = sum(character.isalpha() for character in text)
    return digits >= _FEW and letters >= _FEW
