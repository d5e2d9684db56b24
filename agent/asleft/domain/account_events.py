"""What a person is told of what happened to their own sign-in: which events matter, and all of them in plain words.

ASVS 5.0.0, 6.3.5: users are notified of suspicious attempts to sign in, successful or not; 6.3.7: and after updates to what
they sign in with.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final

from asleft.domain.accounts import AccountEvent, AccountLimits, AccountMove, How, Mark
from asleft.domain.names import harmless, plural

__all__ = [
    "BY_LINK",
    "OWN",
    "KeptEvent",
    "by_words",
    "from_words",
    "gathered",
    "kept_of",
    "matters",
    "news",
    "what_words",
]

OWN: Final = "asleft"
"""Who does what nobody asked for: what ends by time."""
_SOMEBODY: Final = "somebody"
"""Who tries to sign in and is not let in: nobody knows who it was."""
BY_LINK: Final = "by a link"
"""The detail of a password that was set so."""
_ACCOUNT: Final = "account "
_LINE: Final = "command line"
_GATHERS: Final = timedelta(hours=24)
_REFUSALS: Final = frozenset(
    {AccountMove.SIGN_IN_REFUSED, AccountMove.TOKEN_REFUSED, AccountMove.PASSKEY_REFUSED}
)
_CHANGES: Final = frozenset(
    {
        AccountMove.PASSWORD_SET,
        AccountMove.PASSKEY_ADDED,
        AccountMove.PASSKEY_REMOVED,
        AccountMove.TOKEN_MADE,
        AccountMove.REMOVED,
    }
)
"""These are told whoever did them: somebody at a browser that was left alone looks like the person."""
_OF_OTHERS: Final = frozenset(
    {AccountMove.LINK_MADE, AccountMove.SIGNED_OUT, AccountMove.SESSION_ENDED, AccountMove.TOKEN_REVOKED}
)
_LONGEST_DETAIL: Final = 160


@dataclass(frozen=True, kw_only=True, slots=True)
class KeptEvent:
    """An event of a person as it is kept; refused tries that follow one another are one.

    Args:
        number: Its place among all that are kept; a later one has a higher number. 0 where it is not kept yet.
        event: The event; of several the last one.
        count: How many they are.
        since: When the first one was, UTC.
        elsewhere: Whether some of them came from another address than the last one.
        matters: Whether the person is told of it.
    """

    number: int = 0
    event: AccountEvent
    count: int = 1
    since: datetime
    elsewhere: bool = False
    matters: bool


def matters(event: AccountEvent) -> bool:
    """Tell whether a person is told of an event: it is suspicious (6.3.5), or changes what they sign in with (6.3.7)."""
    if event.marks or event.move in _CHANGES:
        return True
    return event.move in _OF_OTHERS and event.by not in {event.person, OWN}


def kept_of(event: AccountEvent) -> KeptEvent:
    """Give an event as it is kept where it stands alone."""
    return KeptEvent(event=event, since=event.at, matters=matters(event))


def gathered(last: KeptEvent | None, event: AccountEvent, *, seen: int, limits: AccountLimits) -> KeptEvent:
    """Give what is kept of an event: one with the last one where both are refused tries, else one of its own.

    A flood of tries is one line, so that it can wash nothing out of what is kept. What the person has seen grows no more.

    Args:
        last: What was kept last of the person; None where nothing was.
        event: What happened now.
        seen: Number up to which the person has seen them.
        limits: From how many tries on they are told of.
    """
    alone = kept_of(event)
    if (
        last is None
        or event.move not in _REFUSALS
        or last.event.move is not event.move
        or last.number <= seen
        or not timedelta(0) <= event.at - last.since < _GATHERS
    ):
        return alone
    count = last.count + 1
    marks = last.event.marks | event.marks
    return replace(
        last,
        event=replace(event, marks=marks),
        count=count,
        elsewhere=last.elsewhere or last.event.whence.address != event.whence.address,
        matters=bool(marks) or count >= limits.free,
    )


def news(unseen: Iterable[KeptEvent], session: str) -> tuple[KeptEvent, ...]:
    """Give what somebody who is signed in has not been told of yet; what was done in that very session they know.

    Whoever has just set a password by a link knows that the link was made.

    Args:
        unseen: What matters and was not seen yet.
        session: Id of the session.
    """
    some = tuple(unseen)
    by_link = max(
        (
            one.number
            for one in some
            if one.event.session == session and one.event.move is AccountMove.PASSWORD_SET
        ),
        default=0,
    )
    return tuple(
        one
        for one in some
        if one.event.session != session
        and not (one.event.move is AccountMove.LINK_MADE and one.number < by_link)
    )


def what_words(kept: KeptEvent) -> str:
    """Say what happened, as `a passkey was added: 'phone'`, harmless and no longer than a line."""
    event, count = kept.event, kept.count
    detail = harmless(event.detail, longest=_LONGEST_DETAIL)
    match event.move:
        case AccountMove.SIGNED_IN:
            return _signed_in(event)
        case AccountMove.SIGN_IN_REFUSED:
            if Mark.LIMIT not in event.marks:
                return plural(count, "wrong password")
            # Where a sign-in came in between, those before it stand in a line of their own.
            several = "several wrong passwords" if count == 1 else plural(count, "wrong password")
            return f"{several}; the limit was reached, and each further try has to wait"
        case AccountMove.PASSKEY_REFUSED:
            return f"{plural(count, 'passkey')} refused: {detail}"
        case AccountMove.TOKEN_REFUSED:
            return f"a token that has ended was tried{'' if count == 1 else f' {count} times'}: {detail}"
        case AccountMove.PASSWORD_SET if detail == BY_LINK:
            return "your password was set, by a link that somebody else had made"
        case AccountMove.SIGNED_OUT:
            own = event.by == event.person
            return ("a sign-out" if own else "you were signed out") + (f", {detail}" if detail else "")
        case move:
            return _PLAIN[move] + (f": {detail}" if detail and move in _WITH_DETAIL else "")


_PLAIN: Final = {
    AccountMove.LINK_MADE: "a link was made by which your password can be set",
    AccountMove.LINK_REFUSED: "a link was refused",
    AccountMove.PASSWORD_SET: "your password was changed",
    AccountMove.SESSION_ENDED: "a session ended",
    AccountMove.TOKEN_MADE: "a token was made, by which a program acts as you",
    AccountMove.TOKEN_REVOKED: "a token was taken away",
    AccountMove.PASSKEY_ADDED: "a passkey was added",
    AccountMove.PASSKEY_REMOVED: "a passkey was removed",
    AccountMove.PASSKEY_PROVED: "a passkey was used",
    AccountMove.REMOVED: "your account was removed, with all that opens it",
}
_WITH_DETAIL: Final = frozenset(_PLAIN) - {AccountMove.PASSWORD_SET}


def _signed_in(event: AccountEvent) -> str:
    why = [
        words
        for mark, words in (
            (Mark.AFTER_WRONG, "after several wrong passwords"),
            (Mark.NEW_ADDRESS, "from an address that nobody used for it in the last weeks"),
        )
        if mark in event.marks
    ]
    how = " through the proxy" if event.detail == How.PROXY else ""
    return f"a sign-in{how}" + (f" {', '.join(why)}" if why else "")


def from_words(kept: KeptEvent) -> str:
    """Say from where it was done, as `192.0.2.7`; empty where that is nowhere."""
    address = harmless(kept.event.whence.address)
    if address == _LINE:
        return "the command line of the agent's computer"
    return f"{address} and elsewhere" if kept.elsewhere else address


def by_words(event: AccountEvent, name: Callable[[str], str]) -> str:
    """Say who did it, as far as that is known: a name, an account of the computer, whoever was signed in.

    Args:
        event: What was done.
        name: Gives the name of a person by key.
    """
    if event.by == event.person:
        return "you, or somebody as you"
    if event.by == _SOMEBODY:
        return "nobody knows who"
    if event.by == OWN:
        return "asleft itself"
    if event.by.startswith(_ACCOUNT):
        return f"the account {harmless(event.by.removeprefix(_ACCOUNT))} of the agent's computer"
    return harmless(name(event.by))
