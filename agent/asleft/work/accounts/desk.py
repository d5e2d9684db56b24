"""The desk of accounts: first links, passwords, sign-in and removal; sessions, tokens and passkeys have desks of their own."""

import asyncio
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import datetime

from asleft.domain.account_events import BY_LINK
from asleft.domain.accounts import (
    Account,
    AccountEvent,
    AccountLimits,
    AccountMove,
    FirstLink,
    How,
    Mark,
    Whence,
)
from asleft.domain.kinds import nearest
from asleft.domain.names import harmless
from asleft.domain.people import Person, Right
from asleft.ports.account_events import AccountEventStore
from asleft.ports.accounts import AccountStore
from asleft.ports.clock import Clock
from asleft.work.accounts.checking import Checking
from asleft.work.accounts.choosing import check_choice
from asleft.work.accounts.hashing import Hashing
from asleft.work.accounts.passkeys import PasskeyPlace, Passkeys
from asleft.work.accounts.refusals import (
    BadPassword,
    NoAccount,
    NoLink,
    NotForThem,
    NotSignedIn,
    TooBusy,
)
from asleft.work.accounts.secret import Chance, digest_of, secret_text
from asleft.work.accounts.sessions import Here, Sessions, SignedIn
from asleft.work.accounts.telling import OwnEvents, Telling
from asleft.work.accounts.tokens import Tokens
from asleft.work.accounts.tries import Counting

__all__ = ["AccountDesk", "AccountView", "MadeLink"]

_HANDLE_BYTES = 32
"""WebAuthn §5.4.3: a user handle has at most 64."""


@dataclass(frozen=True, kw_only=True, slots=True)
class MadeLink:
    """A new one-time link.

    Args:
        path: Path on the page; it is nowhere else, and given once.
        person: Who may set a password by it.
        ends: From when on it no longer works.
        again: Whether there is a password already, which holds until the link is used.
    """

    path: str = field(repr=False)
    person: str
    ends: datetime
    again: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class AccountView:
    """How the account of a person stands.

    Args:
        person: Key.
        name: Name as a person reads it; empty for somebody who is no longer in people.yaml.
        has_account: Whether there is an account.
        password_set: When the password was set; None where there is none.
        link_ends: Until when a one-time link waits; None where none does.
        sessions: How many have not ended.
        tokens: How many there are.
        passkeys: How many there are.
    """

    person: str
    name: str
    has_account: bool
    password_set: datetime | None
    link_ends: datetime | None
    sessions: int
    tokens: int
    passkeys: int


class AccountDesk:
    """Does what is done about accounts. There is no account that was not made for somebody in people.yaml (ASVS 6.3.2).

    What people may do about stations is asked elsewhere, of `Person.may`.

    Args:
        store: Keeps accounts.
        events: Keeps what happened to people's own sign-in.
        clock: Gives the time.
        people: Gives the people of the baseline in force, by key.
        chance: Gives random bytes that nobody can foresee.
        told: Takes what happens, for the log.
        rules: Times and numbers.
        estate: Gives the estate's name, which makes no password.
        hashing: Makes hashes; with the usual parameters where None.
        place: The page that passkeys belong to; None where the settings name no address for it.
    """

    def __init__(
        self,
        store: AccountStore,
        events: AccountEventStore,
        clock: Clock,
        people: Callable[[], Mapping[str, Person]],
        chance: Chance,
        told: Callable[[AccountEvent], None],
        rules: AccountLimits,
        *,
        estate: Callable[[], str] = str,
        hashing: Hashing | None = None,
        place: PasskeyPlace | None = None,
    ) -> None:
        self._store = store
        self._clock = clock
        self._people = people
        self._chance = chance
        self._rules = rules
        self._estate = estate
        self.events = OwnEvents(events, rules)
        """What happened to people's own sign-in."""
        self._tell = Telling(clock, told, self.events)
        self._hashing = hashing or Hashing(chance)
        self._tries = Counting(store, clock, rules, chance)
        self._checking = Checking(store, people, self._hashing, self._tries, self._tell)
        self.sessions = Sessions(store, clock, people, chance, self._tell, rules)
        """Who is signed in."""
        self.tokens = Tokens(store, clock, people, chance, self._tell, rules)
        """By what programs act as people."""
        self.passkeys = Passkeys(store, clock, chance, self._tell, rules, self.sessions, place)
        """The second factor."""

    def make_link(self, person: str, whence: Whence, *, by: str) -> MadeLink:
        """Make a one-time link by which a person sets a password; an earlier one no longer works.

        Args:
            person: Key in people.yaml.
            whence: From where it is asked for.
            by: Who asks for it.

        Raises:
            NoAccount: Nobody has that key.
        """
        known = self._people()
        if person not in known:
            raise NoAccount(
                f"'{harmless(person)}' is nobody in people.yaml", todo=nearest(person, list(known))
            )
        now = self._clock()
        account = self._account(person, now)
        token = secret_text(self._chance)
        link = FirstLink(person=person, digest=digest_of(token), made=now, ends=now + self._rules.link)
        self._store.put_link(link)
        self._tell(
            AccountMove.LINK_MADE, person, whence, by=by, detail=f"until {link.ends:%Y-%m-%d %H:%M} UTC"
        )
        return MadeLink(path=f"/first/{token}", person=person, ends=link.ends, again=bool(account.password))

    def linked(self, token: str) -> Person:
        """Give who may set a password by a link, without using it.

        Raises:
            NoLink: It does not work.
        """
        link = self._store.link(digest_of(token))
        person = self._people().get(link.person) if link else None
        if link is None or person is None or self._clock() >= link.ends:
            raise NoLink
        return person

    async def set_password(self, token: str, password: str, whence: Whence) -> SignedIn:
        """Set a password by a link, which is used up by that, and sign in; every session there was ends.

        Raises:
            NoLink: It does not work.
            BadPassword: The password cannot be taken; the link still works.
            TooBusy: Too many people sign in at once; the link still works.
        """
        try:
            person, account, hashed = await self._by_link(token, password)
        except NoLink:
            self._tell(AccountMove.LINK_REFUSED, "", whence, by="somebody")
            raise
        # The very first password is set from wherever it is.
        marks = self._tries.new_address(person.key, whence) if account.password else frozenset()
        self._tries.know(person.key, whence)
        return self._changed(account, person, hashed, whence, detail=BY_LINK, marks=marks)

    async def sign_in(self, name: str, password: str, whence: Whence, *, old: str = "") -> SignedIn:
        """Sign a person in; also once more, where it has been too long for something.

        Args:
            name: Key in people.yaml, as it was typed.
            password: As it was typed.
            whence: From where.
            old: Token of the session that the browser had; it ends.

        Raises:
            SignInRefused: The name or the password is wrong.
            TooManyTries: It has to wait; nothing was looked at.
            TooBusy: Too many people sign in at once; nothing was looked at.
        """
        shown = await self._checking.shown(name, password, whence)
        if self._hashing.is_old(shown.account.password):
            await self._hash_anew(shown.account, password)
        return self.sessions.begin(shown.person, How.PASSWORD, whence, old=old, marks=shown.marks)

    def sign_in_through_proxy(self, key: str, whence: Whence, *, old: str = "") -> SignedIn:
        """Sign a person in whom a proxy has asked (`person_through`); an account is made where there is none.

        Raises:
            NoAccount: Nobody has that key.
        """
        person = self._people().get(key)
        if person is None:
            self._tell(AccountMove.SIGN_IN_REFUSED, "", whence, by="somebody", detail="nobody in people.yaml")
            raise NoAccount(
                "the proxy names somebody who is not in people.yaml", todo="have the person added"
            )
        self._account(key, self._clock())
        marks = self._tries.new_address(key, whence) if self._store.is_known(key) else frozenset()
        self._tries.know(key, whence)
        return self.sessions.begin(person, How.PROXY, whence, old=old, marks=marks)

    async def change_password(self, token: str, current: str, new: str, whence: Whence) -> SignedIn:
        """Change one's own password; every session ends, and a new one begins here (ASVS 6.2.2, 6.2.3, 7.4.3).

        Args:
            token: Of the session in which it is asked for.
            current: The password until now.
            new: The one from now on.
            whence: From where.

        Raises:
            NotSignedIn: There is no such session.
            BadPassword: The new one cannot be taken.
            SignInRefused: The current one is wrong.
            TooManyTries: It has to wait; nothing was looked at.
            TooBusy: Too many people sign in at once.
        """
        here: Here = self.sessions.whose(token)
        await asyncio.to_thread(check_choice, new, here.person, self._estate())
        if new == current:
            raise BadPassword("the new password is the old one", todo="take another one")
        shown = await self._checking.shown(here.person.key, current, whence)
        hashed = await self._hashing.make(new)
        self.sessions.whose(token)
        if self._store.account(shown.person.key) != shown.account:
            raise NotSignedIn("the account was changed meanwhile")
        return self._changed(
            shown.account, shown.person, hashed, whence, detail="by its holder", marks=shown.marks
        )

    def remove(self, person: str, whence: Whence, *, by: str) -> None:
        """Remove an account: its password, link, sessions, tokens and passkeys (ASVS 7.4.2).

        Raises:
            NoAccount: There is none.
        """
        self.sessions.end_all(person, detail="the account is removed")
        if not self._store.remove_account(person):
            raise NoAccount(f"{harmless(person)} has no account", todo="see asleft people list")
        self._tell(AccountMove.REMOVED, person, whence, by=by)

    def may_sign_out(self, by: Person, person: str) -> bool:
        """Tell whether somebody may end the sessions of a person: one's own always, those of others whoever approves.

        Who approves at some sites alone may do it to people of these sites, and to nobody who may do something elsewhere.
        """
        if person == by.key:
            return True
        other = self._people().get(person)
        if other is None or Right.APPROVE not in by.rights:
            return False
        return not by.sites or (bool(other.sites) and other.sites <= by.sites)

    def sign_out(self, person: str, whence: Whence, *, by: str) -> int:
        """End all sessions of a person because another one says so; tell how many (ASVS 7.4.5, 8.2.1).

        Tokens and passkeys stay: they are taken away where they were made.

        Args:
            person: Whose.
            whence: From where it is asked for.
            by: Key of who asks for it.

        Raises:
            NotForThem: That is not for this person to do, or there is no such person: both sound the same.
        """
        asks = self._people().get(by)
        if asks is None or not self.may_sign_out(asks, person):
            raise NotForThem(
                "you may not sign this person out", todo="ask somebody who may approve at all of their sites"
            )
        return self.sessions.sign_out_everywhere(person, whence, by=by)

    def views(self) -> list[AccountView]:
        """Give how it stands with everybody in people.yaml, and with accounts of people who are no longer there."""
        people, now = self._people(), self._clock()
        accounts = {one.person: one for one in self._store.accounts()}
        links = {one.person: one.ends for one in self._store.links() if one.ends > now}
        return [
            AccountView(
                person=key,
                name=people[key].name if key in people else "",
                has_account=key in accounts,
                password_set=accounts[key].password_set if key in accounts else None,
                link_ends=links.get(key),
                sessions=len(self.sessions.of(key)),
                tokens=len(self.tokens.of(key)),
                passkeys=len(self.passkeys.of(key)),
            )
            for key in sorted({*people, *accounts})
        ]

    def sweep(self) -> None:
        """Forget what has ended, and end what is of people who are no longer there; done now and then."""
        self.sessions.sweep()
        self.tokens.sweep()
        for link in self._store.links():
            if link.ends <= self._clock() or link.person not in self._people():
                self._store.use_link(link.digest)
        self.events.sweep(tuple(self._people()), self._clock)

    def _account(self, person: str, now: datetime) -> Account:
        account = self._store.account(person)
        if account is None:
            account = Account(person=person, handle=self._chance(_HANDLE_BYTES).hex(), made=now)
            self._store.put_account(account)
        return account

    async def _by_link(self, token: str, password: str) -> tuple[Person, Account, str]:
        """Use a link up, and give whose it was and the hash of the password."""
        person = self.linked(token)
        # In a thread, for the longest ones take a good part of a second.
        await asyncio.to_thread(check_choice, password, person, self._estate())
        hashed = await self._hashing.make(password)
        # Looked at again: while it was hashed the link may have been used, or the person may have left.
        person = self.linked(token)
        account = self._store.account(person.key)
        if account is None or not self._store.use_link(digest_of(token)):
            raise NoLink
        return person, account, hashed

    async def _hash_anew(self, account: Account, password: str) -> None:
        # Where too many wait it is done at another time.
        with suppress(TooBusy):
            hashed = await self._hashing.make(password)
            if self._store.account(account.person) == account:
                self._store.put_account(replace(account, password=hashed))

    def _changed(
        self,
        account: Account,
        person: Person,
        hashed: str,
        whence: Whence,
        *,
        detail: str,
        marks: frozenset[Mark],
    ) -> SignedIn:
        self._store.put_account(replace(account, password=hashed, password_set=self._clock()))
        self.sessions.end_all(person.key, detail="the password was changed")
        return self.sessions.begin(person, How.PASSWORD, whence, marks=marks, password=detail)
