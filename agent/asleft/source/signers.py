"""Lines of an allowed-signers file (ssh-keygen(1), ALLOWED SIGNERS): who is named there, and which key is whose."""

import fnmatch
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from asleft.ports.signatures import NAMESPACE

__all__ = ["Listed", "listed"]

# A name that ssh-keygen takes as it stands: no blank, quote, comma, pattern or denial.
_PLAIN: Final = re.compile(r"[^\s\"\\,*?!#]+")
# The options before a key: text without blanks but in quotes; a line without options begins with the type of its key.
_OPTIONS: Final = re.compile(r'(?!(?:sk-)?(?:ssh|ecdsa)-)(?:[^\s"]|"(?:\\"|[^"])*")+')
_NAMESPACES: Final = re.compile(r'(?:\A|,)namespaces="([^"]*)"', re.IGNORECASE)


@dataclass(frozen=True, kw_only=True, slots=True)
class Listed:
    """One line of an allowed-signers file.

    Args:
        principals: The names before the key, as they stand there.
        rest: Options and key.
    """

    principals: tuple[str, ...]
    rest: str

    def names(self, principal: str) -> bool:
        """Whether it names a principal letter by letter; a pattern names nobody."""
        return bool(_PLAIN.fullmatch(principal)) and principal in self.principals

    @property
    def key(self) -> str:
        """The key, in base64; empty where none can be made out."""
        options = _OPTIONS.match(self.rest)
        parts = self.rest[options.end() if options else 0 :].split()
        return parts[1] if len(parts) > 1 else ""

    @property
    def takes(self) -> bool:
        """Whether its options take signatures under orders."""
        options = _OPTIONS.match(self.rest)
        named = _NAMESPACES.search(options[0]) if options else None
        if named is None:
            return True
        parts = [part.strip() for part in named[1].split(",")]
        denied = any(part.startswith("!") and _fits(part[1:]) for part in parts)
        return not denied and any(_fits(part) for part in parts)

    @property
    def is_authority(self) -> bool:
        """Whether its key signs certificates and not orders."""
        options = _OPTIONS.match(self.rest)
        return bool(options and re.search(r"(?:\A|,)cert-authority(?:,|\s|\Z)", options[0], re.IGNORECASE))


def _fits(pattern: str) -> bool:
    """Whether a pattern of ssh fits the namespace of orders: `*` is any text and `?` any character."""
    return fnmatch.fnmatchcase(NAMESPACE, pattern.replace("[", "[[]"))


def listed(signers: bytes) -> Iterator[Listed]:
    """Give the lines of an allowed-signers file (ssh-keygen(1), ALLOWED SIGNERS)."""
    # Only a line feed ends a line: what str.splitlines takes for one, too, could hide a line in a comment.
    for raw in signers.decode("utf-8", "surrogateescape").split("\n"):
        line = raw.strip(" \t\r")
        first, _, rest = (
            line.partition('" ') if line.startswith('"') else re.sub(r"\t", " ", line).partition(" ")
        )
        if rest and not line.startswith("#"):
            yield Listed(principals=tuple(first.strip('"').split(",")), rest=rest.strip(" \t"))
