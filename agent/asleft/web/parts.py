"""What the page is given: it reaches the house through these and nothing else."""

from collections.abc import Awaitable, Callable, Mapping, Sequence
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Protocol
from urllib.parse import urlsplit

from asleft.domain.alarms.times import Watch
from asleft.ports.clock import Clock
from asleft.web.errands import Errands
from asleft.web.gathered import Gathered
from asleft.web.live import Live
from asleft.web.past import OpenEvidence
from asleft.work.accounts.desk import AccountDesk
from asleft.work.accounts.proxy import ProxyTrust
from asleft.work.accounts.secret import Chance
from asleft.work.desk import OwnerDesk

__all__ = ["Log", "Parts"]


class Log(Protocol):
    """Takes what is said; the daemon's log is one."""

    def info(self, event: str, **about: Any) -> Any:
        """Take an everyday line."""

    def warning(self, event: str, **about: Any) -> Any:
        """Take a line about something that somebody should know."""

    def exception(self, event: str, **about: Any) -> Any:
        """Take a line about the error that is being handled."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Parts:
    """All that the page is given.

    Args:
        desk: Answers and acts.
        accounts: Knows who is signed in.
        clock: Gives the time.
        chance: Gives random bytes that nobody can foresee.
        log: Takes what is said.
        gathered: Tells the log what is refused, what is alike together.
        live: Knows which pages are open, and is told what changed.
        evidence: Opens the two repositories, in any thread, for one question about the past.
        turn: Gives what is held while orders are drawn up, so that no round comes between; confirming needs none.
        health: Gives what is wrong with the agent itself, in words; nothing where it is well.
        rounds: Gives when the last round of each site ended, UTC; a site without one yet is left out.
        watch: Gives how stations are looked at now: how long from round to round, and who is followed.
        version: The program's version.
        url: The address under which people know the page, as `https://monitors.quillfen.example`; empty where it is
            known by the address that it listens at. With https, cookies are for TLS only.
        hosts: Names under which it may be asked for, besides the one in `url`, localhost and the address itself.
        proxy: What is trusted of a reverse proxy; None where there is none.
        errands: What people set going and do not wait for; whoever serves the page ends them in order.
        fresh: Fetches the baseline before an order is drawn up or confirmed, so that a right that was taken away a minute ago no
            longer counts; None where the desk fetches by itself.
    """

    desk: OwnerDesk
    accounts: AccountDesk
    clock: Clock
    chance: Chance
    log: Log
    gathered: Gathered
    live: Live
    evidence: OpenEvidence
    turn: Callable[[], AbstractAsyncContextManager[object]]
    health: Callable[[], Sequence[str]] = tuple
    rounds: Callable[[], Mapping[str, datetime]] = dict
    watch: Callable[[], Watch] = Watch
    version: str = ""
    url: str = ""
    hosts: frozenset[str] = field(default_factory=frozenset)
    proxy: ProxyTrust | None = None
    errands: Errands = field(default_factory=Errands)
    fresh: Callable[[], Awaitable[object]] | None = None

    @property
    def all_hosts(self) -> frozenset[str]:
        """Every name under which the page may be asked for, besides localhost and the address itself."""
        named = urlsplit(self.url).hostname
        return frozenset(name.lower() for name in (*self.hosts, *([named] if named else [])))

    @property
    def is_public_tls(self) -> bool:
        """Whether people reach the page over TLS, whoever ends it."""
        return urlsplit(self.url).scheme == "https"
