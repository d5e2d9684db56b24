"""Tells what happens to accounts, and keeps it for the person whose account it is."""

from collections.abc import Callable, Sequence

from asleft.domain.account_events import KeptEvent, gathered, news
from asleft.domain.accounts import AccountEvent, AccountLimits, AccountMove, Mark, Whence
from asleft.ports.account_events import AccountEventStore
from asleft.ports.clock import Clock

__all__ = ["OwnEvents", "Telling"]


class OwnEvents:
    """What happened to people's own sign-in (ASVS 6.3.5, 6.3.7): kept for a time, and told until they have seen it.

    Args:
        store: Keeps it.
        limits: How much, and for how long.
    """

    def __init__(self, store: AccountEventStore, limits: AccountLimits) -> None:
        self._store = store
        self._limits = limits

    def keep(self, event: AccountEvent) -> None:
        """Keep an event of a person; what is nobody's is kept for nobody."""
        if not event.person:
            return
        person = event.person
        last, seen = self._store.last(person), self._store.seen(person)
        self._store.keep(gathered(last, event, seen=seen, limits=self._limits), most=self._limits.most_events)

    def of(self, person: str) -> Sequence[KeptEvent]:
        """Give what is kept of a person, the newest first."""
        return self._store.events(person)

    def news(self, person: str, session: str) -> Sequence[KeptEvent]:
        """Give what a person who is signed in has not been told of yet, the newest first.

        Args:
            person: Key in people.yaml.
            session: Id of their session: what was done in that one they know.
        """
        return news(self._store.unseen(person), session)

    def see(self, person: str, number: int) -> None:
        """Note that a person says to have seen all up to a number."""
        self._store.see(person, number)

    def sweep(self, people: Sequence[str], clock: Clock) -> None:
        """Forget what is too old, and what is of people who are no longer there."""
        self._store.forget(clock() - self._limits.keep_events, people=frozenset(people))


class Telling:
    """Makes events of what happens, with the time, and hands them on.

    Args:
        clock: Gives the time.
        told: Takes each event.
        own: Keeps each for its person.
    """

    def __init__(self, clock: Clock, told: Callable[[AccountEvent], None], own: OwnEvents) -> None:
        self._clock = clock
        self._told = told
        self._own = own

    def __call__(
        self,
        move: AccountMove,
        person: str,
        whence: Whence,
        *,
        by: str = "",
        detail: str = "",
        marks: frozenset[Mark] = frozenset(),
        session: str = "",
        keeps: bool = True,
    ) -> None:
        """Tell one thing; the person did it where nobody else is named.

        Args:
            move: What.
            person: Whose account; empty where nobody is meant.
            whence: From where.
            by: Who did it.
            detail: More, in words.
            marks: What makes it suspicious.
            session: Id of the session in which it was done.
            keeps: Whether it is kept, too; a try that was not even looked at must not cost a write.
        """
        event = AccountEvent(
            at=self._clock(),
            move=move,
            person=person,
            by=by or person,
            whence=whence,
            detail=detail,
            marks=marks,
            session=session,
        )
        # Kept first: a log or a receiver that fails must not take it from the person.
        if keeps:
            self._own.keep(event)
        self._told(event)
