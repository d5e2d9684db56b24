"""Tokens by which a program acts as a person, with some of the person's rights, until a day."""

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import timedelta
from typing import Final

from asleft.domain.account_events import OWN
from asleft.domain.accounts import AccountLimits, AccountMove, ApiToken, Whence, narrowed
from asleft.domain.errors import AsleftError
from asleft.domain.names import harmless, unprintable
from asleft.domain.people import Person, Right
from asleft.ports.accounts import AccountStore
from asleft.ports.clock import Clock
from asleft.work.accounts.refusals import NoAccount, NoToken
from asleft.work.accounts.secret import Chance, digest_of, secret_text
from asleft.work.accounts.telling import Telling

__all__ = ["TOKEN_MARK", "Bearer", "MadeToken", "Tokens", "check_label"]

TOKEN_MARK: Final = "asleft_"  # noqa: S105 a mark, no secret
"""Every token begins so: who finds one in a file knows what it opens (common practice, no source)."""
_LONGEST_LABEL: Final = 60
_USED: Final = timedelta(minutes=1)


@dataclass(frozen=True, kw_only=True, slots=True)
class MadeToken:
    """A new token.

    Args:
        text: The token itself; it is nowhere else, and given once.
        token: What is kept of it.
    """

    text: str = field(repr=False)
    token: ApiToken


@dataclass(frozen=True, kw_only=True, slots=True)
class Bearer:
    """Who asks with a token.

    Args:
        person: The person, with no more rights than the token has. Whoever acts for it asks this one what it may.
        token: The token.
    """

    person: Person
    token: ApiToken


def check_label(text: str, refusal: type[AsleftError] = NoToken) -> str:
    """Give a name that a person chose for something, where it can be shown as it is.

    Raises:
        AsleftError: It is empty, too long or would not show as itself; a `NoToken` where no other class is given.
    """
    label = text.strip()
    if not label or len(label) > _LONGEST_LABEL or unprintable(label):
        raise refusal(
            f"'{harmless(text, longest=_LONGEST_LABEL)}' is no name that can be shown",
            todo=f"take 1 to {_LONGEST_LABEL} plain characters",
        )
    return label


class Tokens:
    """Keeps tokens.

    Args:
        store: Keeps them.
        clock: Gives the time.
        people: Gives the people of the baseline in force.
        chance: Gives random bytes.
        tell: Tells what happens.
        limits: When they end.
    """

    def __init__(
        self,
        store: AccountStore,
        clock: Clock,
        people: Callable[[], Mapping[str, Person]],
        chance: Chance,
        tell: Telling,
        limits: AccountLimits,
    ) -> None:
        self._store = store
        self._clock = clock
        self._people = people
        self._chance = chance
        self._tell = tell
        self._limits = limits

    def make(
        self,
        person: str,
        name: str,
        rights: Collection[Right],
        *,
        lasting: timedelta,
        whence: Whence,
        by: str = "",
    ) -> MadeToken:
        """Make a token for a person, who signed in a short while ago (`Sessions.fresh`) where the person asks for it.

        Args:
            person: Whose.
            name: What it is for.
            rights: What it may do: some of what the person may.
            lasting: How long it works.
            whence: From where it is asked for.
            by: Who asks for it, where it is not the person.

        Raises:
            NoAccount: The person has no account.
            NoToken: It cannot be made so.
        """
        label = check_label(name)
        known = self._people().get(person)
        if known is None or self._store.account(person) is None:
            raise NoAccount(
                f"{harmless(person)} has no account", todo=f"asleft people add {harmless(person)}"
            )
        self._check(known, label, frozenset(rights), lasting)
        now = self._clock()
        text = TOKEN_MARK + secret_text(self._chance)
        token = ApiToken(
            digest=digest_of(text),
            person=person,
            name=label,
            rights=frozenset(rights),
            made=now,
            ends=now + lasting,
        )
        self._store.put_token(token)
        self._tell(AccountMove.TOKEN_MADE, person, whence, by=by, detail=_about(token))
        return MadeToken(text=text, token=token)

    def _check(self, person: Person, label: str, rights: frozenset[Right], lasting: timedelta) -> None:
        if not rights or not rights <= person.rights:
            theirs = ", ".join(right for right in Right if right in person.rights)
            raise NoToken(
                "a token has one right or more, and none that its person has not",
                todo=f"{person.key} has: {theirs}",
            )
        if not timedelta(0) < lasting <= self._limits.token:
            raise NoToken("a token ends", todo=f"give it 1 to {self._limits.token.days} days")
        # Only what has ended gives its name and place up by itself.
        self._end([one for one in self._store.tokens(person.key) if one.ends <= self._clock()])
        theirs_now = self._store.tokens(person.key)
        if any(one.name == label for one in theirs_now):
            raise NoToken(
                f"{person.key} has a token '{harmless(label)}'", todo="revoke it, or take another name"
            )
        if len(theirs_now) >= self._limits.most_tokens:
            raise NoToken(
                f"{person.key} has {len(theirs_now)} tokens", todo="revoke one that is no longer needed"
            )

    def bearer(self, text: str, whence: Whence) -> Bearer:
        """Give who asks with a token, with what it may do now.

        Raises:
            NoToken: It is unknown, was revoked, or has ended; or its person is no longer in people.yaml.
        """
        now = self._clock()
        token = self._store.token(digest_of(text)) if text.startswith(TOKEN_MARK) else None
        person = self._people().get(token.person) if token else None
        if token is None or person is None or now >= token.ends:
            why = "unknown" if token is None else f"{_about(token)}: it has ended"
            self._tell(
                AccountMove.TOKEN_REFUSED,
                token.person if token else "",
                whence,
                by="somebody",
                detail=why,
            )
            raise NoToken("the token is unknown, was revoked or has ended", todo="have a new one made")
        if token.used is None or now - token.used >= _USED:
            token = replace(token, used=now)
            self._store.put_token(token)
        return Bearer(person=narrowed(person, token.rights), token=token)

    def of(self, person: str) -> Sequence[ApiToken]:
        """Give the tokens of a person, by name; those that have ended, too, until they are swept."""
        return self._store.tokens(person)

    def revoke(self, person: str, name: str, whence: Whence, *, by: str = "") -> None:
        """Revoke a token by its name; it works no more at once.

        Raises:
            NoToken: The person has none of that name.
        """
        found = [one for one in self._store.tokens(person) if one.name == name]
        if not found:
            named = ", ".join(f"'{harmless(one.name)}'" for one in self._store.tokens(person))
            raise NoToken(
                f"{harmless(person)} has no token '{harmless(name)}'",
                todo=f"there is: {named}" if named else "there is none at all",
            )
        self._store.end_tokens([one.digest for one in found])
        self._tell(AccountMove.TOKEN_REVOKED, person, whence, by=by, detail=_about(found[0]))

    def sweep(self) -> None:
        """Forget tokens that have ended, and those of people who are no longer there."""
        now, people = self._clock(), self._people()
        self._end([one for one in self._store.tokens() if one.ends <= now or one.person not in people])

    def _end(self, tokens: Collection[ApiToken]) -> None:
        self._store.end_tokens([one.digest for one in tokens])
        for one in tokens:
            self._tell(
                AccountMove.TOKEN_REVOKED, one.person, Whence(""), by=OWN, detail=f"{_about(one)}: ended"
            )


def _about(token: ApiToken) -> str:
    rights = ", ".join(right for right in Right if right in token.rights)
    return f"'{token.name}' ({rights}) until {token.ends:%Y-%m-%d %H:%M} UTC"
