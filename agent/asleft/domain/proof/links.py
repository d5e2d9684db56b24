"""What a proof looks at and what it says: one commit after another, and findings."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from enum import StrEnum

__all__ = ["Changed", "Check", "Finding", "Link", "Proof", "SignedWord"]


class Check(StrEnum):
    """What is proved."""

    CHAIN = "hash chain"
    """Every object is there and is what its name says; the commits are one unbroken line from the first."""
    HEADS = "nothing rewritten"
    """Every commit that the agent wrote is there, and none that it did not write."""
    SIGNED = "signatures of the agent"
    """Every commit is signed by the agent's key."""
    ORDERS = "orders as signed for"
    """The digest of every order is that of what was carried out."""
    CONFIRMED = "confirmations"
    """Who confirmed had the right to, by the revision in force then; two people where that asks for two."""
    WRITES = "writes"
    """Every write belongs to an order that was confirmed before it; no page changed without its commit saying so."""
    CLOCK = "clock"
    """Time never runs backwards."""
    REMOTE = "copy at the remote"
    """What was pushed is part of the chain."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Finding:
    """One thing that does not hold.

    Args:
        check: What it breaks.
        commit: The commit of the records where it shows, 40 digits.
        what: One sentence; text out of the records in it is not yet made harmless.
        todo: What to do.
    """

    check: Check
    commit: str
    what: str
    todo: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Changed:
    """A file that a commit changed: its path, and the ids of its content before and after; empty where it was not there."""

    path: str
    before: str
    after: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Link:
    """One commit of the records, as a link of the chain.

    Args:
        commit: Its id.
        parents: The commits that it follows; one, but for the first of all.
        at: Its committer date, seconds since 1970.
        told: The whole message.
        trailers: Keys and values, in order.
        changed: The files that it changed.
    """

    commit: str
    parents: tuple[str, ...]
    at: int
    told: str
    trailers: tuple[tuple[str, str], ...]
    changed: tuple[Changed, ...]

    @property
    def when(self) -> datetime:
        """Its committer date, UTC."""
        return datetime.fromtimestamp(self.at, UTC)

    def named(self, key: str) -> list[str]:
        """Give the values of the trailers with a key."""
        return [value for one, value in self.trailers if one == key]


@dataclass(frozen=True, kw_only=True, slots=True)
class SignedWord:
    """A signed confirmation, and what it takes to check it by hand.

    Args:
        signature: Path of the signature in the records.
        document: Path of what was signed.
        revision: The revision of the baseline whose allowed signers and revoked keys count.
        principal: The name in the allowed-signers file.
        at: When it was given, UTC.
    """

    signature: str
    document: str
    revision: str
    principal: str
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class Proof:
    """What was proved, and what was not.

    Args:
        since: The commit after which it begins; empty where it begins with the first of all.
        last: The commit with which it ends.
        until: When that was made, UTC.
        commits: How many it looked at.
        counted: How much each check looked at; checks that could not be made are left out.
        findings: What does not hold, in the order of the chain.
        notices: Sentences about what could not be looked at, and why.
        revisions: Revisions of the baseline that the commits name.
        words: The signed confirmations.
        unsigned: The last commit before the first signed one; empty where none is signed or all are.
        signing: Whether any commit is signed.
    """

    since: str
    last: str
    until: datetime
    commits: int
    counted: Mapping[Check, int]
    findings: tuple[Finding, ...]
    notices: tuple[str, ...] = field(default=())
    revisions: tuple[str, ...] = ()
    words: tuple[SignedWord, ...] = ()
    unsigned: str = ""
    signing: bool = False

    @property
    def holds(self) -> bool:
        """Whether nothing was found."""
        return not self.findings
