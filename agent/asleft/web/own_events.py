"""What somebody who is signed in is told of what happened to their own sign-in, on every page until they have seen it."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from asleft.domain.account_events import KeptEvent, by_words, from_words, what_words

__all__ = ["EventRow", "OwnEventsView", "OwnNews", "events_view", "news_of"]

_MOST_TOLD: Final = 3
"""So many stand on every page; the others are on the page of the account."""
_MOST_LISTED: Final = 30


@dataclass(frozen=True, kw_only=True, slots=True)
class EventRow:
    """One event.

    Args:
        at: When; of several tries the last one.
        since: When the first of several was; None where it is one.
        what: What happened.
        address: From where; empty where that is nowhere.
        agent: What the browser said of itself.
        by: Who did it.
        new: Whether it is yet to be seen.
    """

    at: datetime
    since: datetime | None
    what: str
    address: str
    agent: str
    by: str
    new: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class OwnNews:
    """What is yet to be seen.

    Args:
        rows: The newest of it.
        more: How many others there are.
        number: Up to where it is seen when the person says so.
    """

    rows: tuple[EventRow, ...] = ()
    more: int = 0
    number: int = 0


@dataclass(frozen=True, kw_only=True, slots=True)
class OwnEventsView:
    """All that is shown of one's own events, the newest first.

    Args:
        told: What is suspicious, or changed what one signs in with.
        others: All else.
        older: How many are kept and not shown.
    """

    told: tuple[EventRow, ...]
    others: tuple[EventRow, ...]
    older: int


def news_of(news: Sequence[KeptEvent], name: Callable[[str], str]) -> OwnNews:
    """Put together what is yet to be seen, given the newest first.

    Args:
        news: What it is.
        name: Gives the name of a person by key.
    """
    return OwnNews(
        rows=tuple(_row(one, name, new=True) for one in news[:_MOST_TOLD]),
        more=max(0, len(news) - _MOST_TOLD),
        number=max((one.number for one in news), default=0),
    )


def events_view(
    kept: Sequence[KeptEvent], news: Sequence[KeptEvent], name: Callable[[str], str]
) -> OwnEventsView:
    """Put together what is shown of one's own events, given the newest first.

    Args:
        kept: All that is kept.
        news: What of it is yet to be seen.
        name: Gives the name of a person by key.
    """
    new = {one.number for one in news}
    told = [one for one in kept if one.matters]
    others = [one for one in kept if not one.matters]
    return OwnEventsView(
        told=tuple(_row(one, name, new=one.number in new) for one in told[:_MOST_LISTED]),
        others=tuple(_row(one, name, new=False) for one in others[:_MOST_LISTED]),
        older=max(0, len(told) - _MOST_LISTED) + max(0, len(others) - _MOST_LISTED),
    )


def _row(kept: KeptEvent, name: Callable[[str], str], *, new: bool) -> EventRow:
    event = kept.event
    return EventRow(
        at=event.at,
        since=kept.since if kept.count > 1 else None,
        what=what_words(kept),
        address=from_words(kept),
        agent=event.whence.agent,
        by=by_words(event, name),
        new=new,
    )
