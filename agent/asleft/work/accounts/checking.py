"""Looks at a name and a password: whose they are, whether they have to wait, and what is suspicious about it."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from asleft.domain.accounts import Account, AccountMove, Mark, Whence
from asleft.domain.people import Person
from asleft.ports.accounts import AccountStore
from asleft.work.accounts.hashing import Hashing
from asleft.work.accounts.refusals import SignInRefused, TooBusy, TooManyTries
from asleft.work.accounts.telling import Telling
from asleft.work.accounts.tries import Counting

__all__ = ["Checking", "Shown"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Shown:
    """Who has shown who they are.

    Args:
        person: Whose password it is.
        account: Their account as it was looked at.
        marks: What is suspicious about it.
    """

    person: Person
    account: Account
    marks: frozenset[Mark]


class Checking:
    """Checks passwords.

    Args:
        store: Keeps accounts.
        people: Gives the people of the baseline in force.
        hashing: Compares.
        tries: Counts what fails.
        tell: Tells what happens.
    """

    def __init__(
        self,
        store: AccountStore,
        people: Callable[[], Mapping[str, Person]],
        hashing: Hashing,
        tries: Counting,
        tell: Telling,
    ) -> None:
        self._store = store
        self._people = people
        self._hashing = hashing
        self._tries = tries
        self._tell = tell

    async def shown(self, name: str, password: str, whence: Whence) -> Shown:
        """Give whose password it is, in a time that does not tell whether there is such a person.

        Raises:
            SignInRefused: The name or the password is wrong.
            TooManyTries: It has to wait; nothing was looked at.
            TooBusy: Too many people sign in at once; nothing was looked at.
        """
        person = self._people().get(name)
        account = self._store.account(name) if person else None
        try:
            counted = self._tries.begin(name, whence, exists=person is not None)
        except TooManyTries as wrong:
            self._refused(person, whence, f"has to wait {wrong.wait.total_seconds():.0f} s", keeps=False)
            raise
        try:
            right = await self._hashing.check(account.password if account else "", password)
        except TooBusy:
            self._tries.not_looked_at(counted)
            raise
        # Looked at again: while it was hashed the password may have been changed, or the person may have left.
        same = person is not None and self._store.account(name) == account
        person = self._people().get(name)
        if not right or not same or person is None or account is None:
            why = "wrong password" if person else "nobody in people.yaml"
            self._refused(person, whence, why, marks=self._tries.marks_of_failure(counted))
            raise SignInRefused
        marks = self._tries.marks_of_success(counted, person.key, whence)
        self._tries.succeeded(counted, person.key, whence)
        return Shown(person=person, account=account, marks=marks)

    def _refused(
        self,
        person: Person | None,
        whence: Whence,
        why: str,
        *,
        marks: frozenset[Mark] = frozenset(),
        keeps: bool = True,
    ) -> None:
        self._tell(
            AccountMove.SIGN_IN_REFUSED,
            person.key if person else "",
            whence,
            by="somebody",
            detail=why,
            marks=marks,
            keeps=keeps,
        )
