"""Connections of which nothing whole was heard: how many one peer may hold, and which of them makes room where all is full.

A connection costs whoever opens it nothing, and each holds a place that a person may need. That open connections have to be
bounded, and idle ones closed when places run out, is common practice; a server may close an idle one at any time (RFC 9112
§9.5). There is no clock and no timer here: what came first stands first.
"""

from collections import Counter
from collections.abc import Callable, Hashable
from enum import StrEnum
from typing import Final, Generic, TypeVar

from asleft.domain.accounts import network_of

__all__ = ["MOST_OF_ONE", "Turned", "Unheard"]

MOST_OF_ONE: Final = 32
"""Connections of one peer on which nothing whole was asked yet; a browser opens six or so ahead, and a crowd may share an address."""

One = TypeVar("One", bound=Hashable)


class Turned(StrEnum):
    """Why a connection was closed, in a word of the log."""

    SILENT = "silent"
    GAVE_WAY = "gave-way"


class Unheard(Generic[One]):
    """Keeps which connections are without a whole request.

    Args:
        most: At so many connections, whatever they do, there is no room left.
        boundless: Tells whether a peer may hold as many as there is room for.
        told: Takes why a connection is closed, and its peer.
        of_one: So many silent ones may one peer hold; an IPv6 /64 is one.
    """

    def __init__(
        self,
        *,
        most: int,
        boundless: Callable[[str], bool],
        told: Callable[[Turned, str], None],
        of_one: int = MOST_OF_ONE,
    ) -> None:
        self._most = most
        self._boundless = boundless
        self._told = told
        self._of_one = of_one
        self._silent: dict[One, str] = {}
        self._resting: dict[One, str] = {}
        self._networks: Counter[str] = Counter()

    def came(self, one: One, peer: str, there: int) -> list[One]:
        """Take a new connection, and give those that have to be closed now: itself, or what makes room for it.

        Args:
            one: The connection.
            peer: From which address it comes.
            there: How many are open, with it.
        """
        network = network_of(peer)
        if self._networks[network] >= self._of_one and not self._boundless(peer):
            self._told(Turned.SILENT, peer)
            return [one]
        closed: list[One] = []
        # Those that never asked go first: what rests between two requests is as a rule somebody's browser.
        while there - len(closed) >= self._most and (waiting := self._silent or self._resting):
            oldest, its_peer = next(iter(waiting.items()))
            self.gone(oldest)
            self._told(Turned.GAVE_WAY, its_peer)
            closed.append(oldest)
        self._silent[one] = peer
        self._networks[network] += 1
        return closed

    def heard(self, one: One) -> None:
        """Take that a request of a connection is whole: it stays as long as its answer lasts."""
        self.gone(one)

    def rests(self, one: One, peer: str) -> None:
        """Take that a connection was answered, and waits for its next request; one that never sent a whole one stays silent."""
        if one not in self._silent:
            self._resting[one] = peer

    def gone(self, one: One) -> None:
        """Forget a connection."""
        self._resting.pop(one, None)
        peer = self._silent.pop(one, None)
        if peer is not None:
            network = network_of(peer)
            self._networks[network] -= 1
            if not self._networks[network]:
                del self._networks[network]

    def __len__(self) -> int:
        return len(self._silent) + len(self._resting)
