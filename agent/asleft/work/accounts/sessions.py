"""Sessions on the server: begun at sign-in, ended by time, by a person, or because the person is no longer one of the people."""

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Final

from asleft.domain.account_events import OWN
from asleft.domain.accounts import AccountLimits, AccountMove, How, Mark, Session, Whence
from asleft.domain.people import Person
from asleft.ports.accounts import AccountStore
from asleft.ports.clock import Clock
from asleft.work.accounts.refusals import NotFresh, NotSignedIn
from asleft.work.accounts.secret import Chance, digest_of, secret_text
from asleft.work.accounts.telling import Telling

__all__ = ["Here", "Sessions", "SignedIn"]

_SEEN: Final = timedelta(minutes=1)
"""That somebody is still there is noted no more often: a page that is open must not write all the time."""


@dataclass(frozen=True, kw_only=True, slots=True)
class SignedIn:
    """A session that has just begun.

    Args:
        token: What the browser keeps; it is nowhere else, and given once.
        session: The session.
        person: Whose it is.
    """

    token: str = field(repr=False)
    session: Session
    person: Person


@dataclass(frozen=True, kw_only=True, slots=True)
class Here:
    """Who asks: a person with a session."""

    person: Person
    session: Session


class Sessions:
    """Keeps sessions.

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

    def begin(
        self,
        person: Person,
        how: How,
        whence: Whence,
        *,
        old: str = "",
        marks: frozenset[Mark] = frozenset(),
        password: str = "",
    ) -> SignedIn:
        """Begin a session with a token of its own; the one that the browser had before ends (ASVS 7.2.4).

        Args:
            person: Who has shown who they are.
            how: By what.
            whence: From where.
            old: The token that the browser had before; empty where it had none.
            marks: What makes it suspicious.
            password: How the password was set by the same act, which is told first; empty where it was not.
        """
        now = self._clock()
        if old:
            self._store.end_sessions([digest_of(old)])
        token = secret_text(self._chance)
        session = Session(
            digest=digest_of(token),
            person=person.key,
            how=how,
            made=now,
            seen=now,
            ends=now + self._limits.longest,
            whence=whence,
        )
        self._store.put_session(session)
        theirs = sorted(self._store.sessions(person.key), key=lambda one: one.seen, reverse=True)
        too_many = [one for one in theirs if one.digest != session.digest][self._limits.most_sessions - 1 :]
        self._end(too_many, detail=f"more than {self._limits.most_sessions} at once")
        if password:
            self._tell(AccountMove.PASSWORD_SET, person.key, whence, detail=password, session=session.id)
        self._tell(AccountMove.SIGNED_IN, person.key, whence, detail=how, marks=marks, session=session.id)
        return SignedIn(token=token, session=session, person=person)

    def whose(self, token: str, *, acting: bool = True) -> Here:
        """Give whose session a token is, as it stands now.

        Args:
            token: What the browser sent.
            acting: Whether a person does something; a page that only keeps itself up to date does not hold a session open.

        Raises:
            NotSignedIn: There is none, or it has ended; by this look at the latest.
        """
        now = self._clock()
        session = self._store.session(digest_of(token)) if token else None
        if session is None:
            raise NotSignedIn
        person = self._people().get(session.person)
        if person is None:
            self.end_all(session.person, detail="no longer in people.yaml")
            raise NotSignedIn
        if self._over(session, now):
            self._end([session], detail=self._over(session, now))
            raise NotSignedIn
        if acting and now - session.seen >= min(_SEEN, self._limits.idle / 10):
            session = replace(session, seen=now)
            self._store.put_session(session)
        return Here(person=person, session=session)

    def fresh(self, token: str) -> Here:
        """Give whose session a token is, where the person signed in a short while ago (ASVS 7.5.1).

        Raises:
            NotSignedIn: There is none.
            NotFresh: It was begun too long ago.
        """
        here = self.whose(token)
        self.check_fresh(here.session)
        return here

    def check_fresh(self, session: Session) -> None:
        """Refuse a session that was begun too long ago to change how an account can be entered.

        Raises:
            NotFresh: It was.
        """
        if self._clock() - session.made >= self._limits.fresh:
            raise NotFresh

    def of(self, person: str) -> Sequence[Session]:
        """Give the sessions of a person that have not ended, the newest first."""
        now = self._clock()
        return tuple(one for one in self._store.sessions(person) if not self._over(one, now))

    def sign_out(self, token: str, whence: Whence) -> None:
        """End a session; one that has ended already is none."""
        session = self._store.session(digest_of(token)) if token else None
        if session is not None:
            self._store.end_sessions([session.digest])
            self._tell(AccountMove.SIGNED_OUT, session.person, whence)

    def sign_out_one(self, person: str, session_id: str, whence: Whence, *, by: str = "") -> bool:
        """End one of a person's own sessions by its id; tell whether there was such a one (ASVS 7.5.2)."""
        found = [one for one in self._store.sessions(person) if one.id == session_id]
        self._store.end_sessions([one.digest for one in found])
        for one in found:
            self._tell(
                AccountMove.SIGNED_OUT, person, whence, by=by, detail=f"begun from {one.whence.address}"
            )
        return bool(found)

    def sign_out_everywhere(self, person: str, whence: Whence, *, by: str = "", but: str = "") -> int:
        """End all sessions of a person, or all but one; tell how many (ASVS 7.4.3, 7.4.5).

        Args:
            person: Whose.
            whence: From where it is asked for.
            by: Who asks for it, where it is not the person.
            but: Token of the session that stays.
        """
        kept = digest_of(but) if but else ""
        gone = [one.digest for one in self._store.sessions(person) if one.digest != kept]
        self._store.end_sessions(gone)
        detail = f"{len(gone)} {'session' if len(gone) == 1 else 'sessions'}"
        self._tell(AccountMove.SIGNED_OUT, person, whence, by=by, detail=f"everywhere: {detail}")
        return len(gone)

    def end_all(self, person: str, *, detail: str) -> None:
        """End all sessions of a person, for a reason that is no person's wish."""
        self._end(self._store.sessions(person), detail=detail)

    def sweep(self) -> None:
        """End what has ended by time, and what is of people who are no longer there."""
        now, people = self._clock(), self._people()
        for session in self._store.sessions():
            why = "no longer in people.yaml" if session.person not in people else self._over(session, now)
            if why:
                self._end([session], detail=why)

    def _over(self, session: Session, now: datetime) -> str:
        if now >= session.ends:
            return "its longest time is over"
        return "nothing was done for too long" if now - session.seen >= self._limits.idle else ""

    def _end(self, sessions: Collection[Session], *, detail: str) -> None:
        if not sessions:
            return
        self._store.end_sessions([one.digest for one in sessions])
        for one in sessions:
            self._tell(AccountMove.SESSION_ENDED, one.person, one.whence, by=OWN, detail=detail)
