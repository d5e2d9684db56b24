"""Accounts of the people who come in through the page: what is kept of them, their sessions and tokens, and the limits.

Ids as 7.2.3 are requirements of the OWASP Application Security Verification Standard 5.0.0 (ASVS).
"""

from collections.abc import Collection
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import StrEnum
from ipaddress import IPv6Address, ip_address, ip_network
from typing import Final

from asleft.domain.names import harmless
from asleft.domain.people import Person, Right

__all__ = [
    "Account",
    "AccountEvent",
    "AccountLimits",
    "AccountMove",
    "ApiToken",
    "Challenge",
    "FirstLink",
    "How",
    "Mark",
    "Passkey",
    "Proved",
    "Session",
    "Tries",
    "Whence",
    "narrowed",
    "network_of",
    "wait_after",
]

_LONGEST_AGENT: Final = 160
_LONGEST_ADDRESS: Final = 60
_SHOWN_ID: Final = 16
"""96 bits of the id."""
_IPV6_PREFIX: Final = 64
"""What one connection is given as a rule (RFC 6177 §2 names /64 to /48): a stranger has all its addresses."""


class How(StrEnum):
    """By what a person signed in."""

    PASSWORD = "password"  # noqa: S105 a word, no password
    PROXY = "proxy"


class AccountMove(StrEnum):
    """What can happen to an account."""

    LINK_MADE = "link made"
    LINK_REFUSED = "link refused"
    PASSWORD_SET = "password set"  # noqa: S105 a word, no password
    SIGNED_IN = "signed in"
    SIGN_IN_REFUSED = "sign-in refused"
    SIGNED_OUT = "signed out"
    SESSION_ENDED = "session ended"
    TOKEN_MADE = "token made"  # noqa: S105 as above
    TOKEN_REFUSED = "token refused"  # noqa: S105 as above
    TOKEN_REVOKED = "token revoked"  # noqa: S105 as above
    PASSKEY_ADDED = "passkey added"
    PASSKEY_REFUSED = "passkey refused"
    PASSKEY_REMOVED = "passkey removed"
    PASSKEY_PROVED = "passkey proved"
    REMOVED = "account removed"


class Mark(StrEnum):
    """What makes a try to sign in suspicious (6.3.5)."""

    LIMIT = "limit of tries reached"
    """From the next try on it has to wait."""
    AFTER_WRONG = "after wrong tries"
    NEW_ADDRESS = "new address"
    """Nobody signed in to that account from there, in the last weeks at least."""


@dataclass(frozen=True, slots=True)
class Whence:
    """From where somebody asks, harmless to show and no longer than a line.

    Args:
        address: Address of the peer, or what stands for it, as `command line`.
        agent: What the browser says of itself; it may be a lie.
    """

    address: str
    agent: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "address", _bounded(self.address, _LONGEST_ADDRESS))
        object.__setattr__(self, "agent", _bounded(self.agent, _LONGEST_AGENT))


@dataclass(frozen=True, kw_only=True, slots=True)
class AccountEvent:
    """Something that happened to an account; it never holds a secret.

    Args:
        at: When, UTC.
        move: What.
        person: Whose account; empty where nobody in people.yaml is meant. What was typed in such a case is not kept:
            it may be a password in the wrong field.
        by: Who did it: a key in people.yaml, or an account of the computer as `account idris`.
        whence: From where.
        detail: More, in words: why it was refused, the name of a token.
        marks: What makes it suspicious.
        session: Id of the session in which it was done, or that began by it; empty where there is none.
    """

    at: datetime
    move: AccountMove
    person: str
    by: str
    whence: Whence
    detail: str = ""
    marks: frozenset[Mark] = frozenset()
    session: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Account:
    """An account of somebody in people.yaml.

    Args:
        person: Key in people.yaml.
        handle: Random name of the account for passkeys, 64 hexadecimal digits (WebAuthn §14.6.1: nothing personal).
        made: When it was made.
        password: The password's argon2id hash with its parameters; empty where none is set.
        password_set: When the password was set.
    """

    person: str
    handle: str
    made: datetime
    password: str = field(default="", repr=False)
    password_set: datetime | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class FirstLink:
    """A one-time link by which a person sets a password; one a person.

    Args:
        person: Key in people.yaml.
        digest: SHA-256 of the link's token, hexadecimal.
        made: When it was made.
        ends: From when on it no longer works.
    """

    person: str
    digest: str = field(repr=False)
    made: datetime
    ends: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class Session:
    """A person who is signed in, in one browser.

    Args:
        digest: SHA-256 of the session's token, hexadecimal.
        person: Key in people.yaml.
        how: By what the person signed in.
        made: When the person signed in.
        seen: When the person last did something; exact to a minute.
        ends: When it ends at the latest, whatever is done.
        whence: From where it was begun.
    """

    digest: str = field(repr=False)
    person: str
    how: How
    made: datetime
    seen: datetime
    ends: datetime
    whence: Whence

    @property
    def id(self) -> str:
        """What names it in a list and a form: a part of the digest, from which the token cannot be had."""
        return self.digest[:16]


@dataclass(frozen=True, kw_only=True, slots=True)
class ApiToken:
    """A token by which a program acts as a person.

    Args:
        digest: SHA-256 of the token, hexadecimal.
        person: Key in people.yaml.
        name: What it is for; a person's tokens have different names.
        rights: What it may do at most; never more than its person may at that time.
        made: When it was made.
        ends: From when on it no longer works.
        used: When it was last used, exact to a minute.
    """

    digest: str = field(repr=False)
    person: str
    name: str
    rights: frozenset[Right]
    made: datetime
    ends: datetime
    used: datetime | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Passkey:
    """A key in a person's phone, computer or hand, by WebAuthn.

    Args:
        id: The credential's id, base64url.
        person: Key in people.yaml.
        name: What the person calls it.
        public_key: COSE key, base64url.
        uses: The authenticator's own count of signatures; 0 where it keeps none.
        made: When it was added.
        used: When it last proved something.
    """

    id: str
    person: str
    name: str
    public_key: str
    uses: int
    made: datetime
    used: datetime | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Proved:
    """That a person who is there holds a passkey and meant one thing by it.

    Args:
        person: Key in people.yaml.
        about: What was proved by it: the digest of the order, or of the group, that is confirmed.
        passkey: The passkey's id.
        name: What the person calls it.
    """

    person: str
    about: str
    passkey: str
    name: str

    def words(self) -> str:
        """Say with what, as the records keep it: the name, and as much of the id as tells one passkey from another."""
        return f"passkey '{harmless(self.name)}' {self.passkey[:_SHOWN_ID]}"


@dataclass(frozen=True, kw_only=True, slots=True)
class Challenge:
    """What an authenticator has to sign; one a session and purpose, good for one answer.

    Args:
        session: Digest of the session that it was made for.
        purpose: `add` or `prove`.
        about: What is proved by it, such as the id of an order; for `add` the name of the new passkey.
        secret: 32 random bytes.
        ends: From when on an answer comes too late.
    """

    session: str = field(repr=False)
    purpose: str
    about: str
    secret: bytes = field(repr=False)
    ends: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class Tries:
    """Failed tries to sign in, one after the other.

    Args:
        failures: How many.
        last: When the last one was.
    """

    failures: int
    last: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class AccountLimits:
    """Times and numbers that bound accounts.

    Args:
        idle: A session in which so long nothing is done ends (7.3.1). NIST SP 800-63B-3 §4.2.3: 30 minutes.
        longest: A session ends at the latest after so long (7.3.2). NIST SP 800-63B-3 §4.2.3: 12 hours.
        most_sessions: Sessions a person has at once; one more ends the one that was longest not used (7.1.2).
        link: A one-time link works so long (6.4.1).
        fresh: So long after signing in a person may change what the account can be entered by (7.5.1).
        most_passkeys: Passkeys a person has.
        challenge: An answer of an authenticator may take so long (common practice, no source).
        free: Failed tries after which there is no wait yet (6.3.1).
        first_wait: The wait after one more; each further failure doubles it.
        longest_wait: The longest wait of an address.
        person_wait: The longest wait of a person from an address that the person never signed in from.
        forget: So long after the last failure all of them are forgotten.
        known: So long an address that a person signed in from is known.
        most_tries: Persons and addresses of which failed tries are kept; those longest ago go.
        several: So many failed tries before a sign-in are worth telling (6.3.5; the number is common practice, no source).
        token: A token ends after so long at the latest.
        most_tokens: Tokens a person has.
        most_events: Events kept of a person, of those that the person is told of and of all others each.
        keep_events: So long an event is kept.
    """

    idle: timedelta = timedelta(minutes=30)
    longest: timedelta = timedelta(hours=12)
    most_sessions: int = 20
    link: timedelta = timedelta(hours=24)
    fresh: timedelta = timedelta(minutes=10)
    most_passkeys: int = 10
    challenge: timedelta = timedelta(minutes=5)
    free: int = 5
    first_wait: timedelta = timedelta(seconds=1)
    longest_wait: timedelta = timedelta(minutes=15)
    person_wait: timedelta = timedelta(minutes=5)
    forget: timedelta = timedelta(hours=24)
    known: timedelta = timedelta(days=60)
    most_tries: int = 10_000
    several: int = 3
    token: timedelta = timedelta(days=365)
    most_tokens: int = 20
    most_events: int = 200
    keep_events: timedelta = timedelta(days=400)


def _bounded(text: str, longest: int) -> str:
    # Done to what was done already, it changes nothing: a value that comes back from the ledger is equal.
    return harmless(text[:longest])[:longest]


def wait_after(failures: int, *, free: int, first: timedelta, longest: timedelta) -> timedelta:
    """Give how long has to be waited after so many failed tries in a row.

    Args:
        failures: How many failed.
        free: So many fail without a wait, but for the one after the last of them.
        first: The wait then; each further failure doubles it.
        longest: No wait is longer.
    """
    if failures < free:
        return timedelta(0)
    doublings = failures - free
    # Far beyond the longest wait the power would be a number that no timedelta holds.
    return longest if doublings > 40 else min(longest, first * 2**doublings)  # noqa: PLR2004 2^40 s are ages


def network_of(address: str) -> str:
    """Give for what an address counts where tries are counted: an IPv6 address for its /64, anything else for itself."""
    try:
        parsed = ip_address(address.partition("%")[0])
    except ValueError:
        return harmless(address, longest=_LONGEST_ADDRESS)
    if isinstance(parsed, IPv6Address):
        if parsed.ipv4_mapped is not None:
            return str(parsed.ipv4_mapped)
        return str(ip_network((parsed, _IPV6_PREFIX), strict=False))
    return str(parsed)


def narrowed(person: Person, rights: Collection[Right]) -> Person:
    """Give a person with no more than some of their rights."""
    return Person(
        key=person.key,
        name=person.name,
        rights=person.rights & frozenset(rights),
        sites=person.sites,
        signs_as=person.signs_as,
        concerns=person.concerns,
    )
