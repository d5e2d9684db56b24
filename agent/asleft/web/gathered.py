"""Refusals on their way to the log: the first of a kind is a line at once, what follows is gathered to one line a minute.

Whoever can reach the page can have it refuse something, as often as they like. Each refusal has to be told (OWASP ASVS 5.0.0,
16.3.2, 16.3.3), and none of them may push the others out of the log, nor fill the disk or the memory that they are counted in.
"""

from collections import OrderedDict
from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final

from asleft.domain.accounts import network_of
from asleft.domain.names import harmless
from asleft.ports.clock import Clock

__all__ = ["AT_ONCE", "AT_ONCE_KNOWN", "MANY", "MOST_KEPT", "PAUSE", "Gathered"]

PAUSE: Final = timedelta(minutes=1)
"""From one line about refusals of a kind to the next, once they are gathered."""
AT_ONCE: Final = 1
"""So many of a kind are a line each before they are gathered, where nobody is known."""
AT_ONCE_KNOWN: Final = 20
"""The same of a person who is signed in: what somebody tried who has a name is read line by line (16.3.2)."""
MOST_KEPT: Final = 256
"""So many kinds are told apart at once, and as many of known people; what comes on top of them is counted together."""
MANY: Final = "more than are told apart"
_LONGEST: Final = 500
_MOST_ITEMS: Final = 5


@dataclass(kw_only=True, slots=True)
class _Kind:
    """Refusals that are alike.

    Args:
        event: What the log calls them.
        began: When this minute of theirs began, UTC.
        said: How many were a line each.
        count: How many were not told yet.
        since: When the first of those was, UTC.
        until: When the last of them was.
        about: What there is to tell of the last.
    """

    event: str
    began: datetime
    said: int = 0
    count: int = 0
    since: datetime
    until: datetime
    about: dict[str, object] = field(default_factory=dict)


class Gathered:
    """Tells refusals. It has no timer of its own: whoever has a clock that ticks calls `sweep`, and `end` before it stops.

    Args:
        say: Takes a line.
        clock: Gives the time, UTC.
        most: So many kinds are told apart at once.
    """

    def __init__(self, say: Callable[..., object], clock: Clock, *, most: int = MOST_KEPT) -> None:
        self._say = say
        self._clock = clock
        self._most = most
        self._strangers: OrderedDict[Hashable, _Kind] = OrderedDict()
        # Apart from the others: a crowd of addresses must not hide in its number what one person tried.
        self._known: OrderedDict[Hashable, _Kind] = OrderedDict()

    def refused(self, event: str, *, why: str, peer: str, person: str | None = None, **about: object) -> None:
        """Tell a refusal, or count it where others like it were told a moment ago.

        Args:
            event: What the log calls it.
            why: In a word; with the event, the person and the peer's network it makes the kind.
            peer: From which address.
            person: Key of the person; None where nobody is known.
            about: What else the line tells; texts may be foreign.
        """
        self.sweep()
        now = self._clock()
        kept = self._strangers if person is None else self._known
        key: Hashable = (event, why, person, network_of(peer))
        line = {"peer": peer, "person": person, "why": why, **about}
        if key not in kept and len(kept) >= self._most:
            key = (event, MANY)
            line["peers"] = MANY
        kind = kept.get(key)
        if kind is None:
            kind = kept[key] = _Kind(event=event, began=now, since=now, until=now)
        shown = {name: _short(value) for name, value in line.items()}
        if kind.said < (AT_ONCE if person is None else AT_ONCE_KNOWN):
            kind.said += 1
            self._say(event, **shown)
            return
        kind.since = kind.since if kind.count else now
        kind.until = now
        kind.count += 1
        kind.about = shown

    def sweep(self) -> None:
        """Tell what was gathered for a minute, and forget kinds of which no more came."""
        now = self._clock()
        for kept in (self._strangers, self._known):
            # In the order in which their minutes began. A clock that was set back ends a minute early, not late.
            while kept and not timedelta(0) <= now - next(iter(kept.values())).began < PAUSE:
                key, kind = kept.popitem(last=False)
                if kind.count:
                    self._sum_up(kind)
                    kind.began, kind.count = now, 0
                    kept[key] = kind

    def end(self) -> None:
        """Tell all that was gathered, and begin anew."""
        for kept in (self._strangers, self._known):
            for kind in kept.values():
                if kind.count:
                    self._sum_up(kind)
            kept.clear()

    def _sum_up(self, kind: _Kind) -> None:
        self._say(
            kind.event,
            times=kind.count,
            since=_instant(kind.since),
            until=_instant(kind.until),
            **kind.about,
        )

    def __len__(self) -> int:
        return len(self._strangers) + len(self._known)


def _instant(at: datetime) -> str:
    return at.isoformat(timespec="seconds").replace("+00:00", "Z")


def _short(value: object) -> object:
    """Make a value that can be kept and shown: what somebody sent is neither long nor a command to a terminal."""
    if value is None or isinstance(value, int):
        return value
    if isinstance(value, list | tuple):
        return [_short(item) for item in value[:_MOST_ITEMS]]
    return harmless(str(value), longest=_LONGEST)
