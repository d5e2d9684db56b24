"""Pushing the records to their remote: at once, off the loop, never with force; a refusal is kept until it is over."""

import asyncio
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

from asleft.daemon.agent.supervising import aside
from asleft.daemon.clock import now
from asleft.daemon.logs import log_of
from asleft.domain.alerts.ailing import Ailment
from asleft.domain.errors import AsleftError
from asleft.domain.estate import Estate
from asleft.ports.clock import Clock
from asleft.ports.ledger import Ledger
from asleft.work.bookkeeping import RECORDS_HEAD

__all__ = ["PUSHED", "PushPart", "ailments", "kept", "push_now"]

_log = log_of("records")
PUSHED: Final = "records head pushed"
"""Under this key the ledger notes the commit that was the newest when the remote last took the records."""
UNREACHED: Final = "records remote unreached"
"""Under this key the ledger notes why the remote could not be reached last; empty where it could."""
UNREACHED_SINCE: Final = "records remote unreached since"
"""Under this key the ledger notes since when it could not be reached."""
_LONG: Final = timedelta(hours=1)
"""So long a remote may be out of reach before people are told: networks come back by themselves."""
_SECOND: Final = 1.0
_AGAIN: Final = 60
"""So many seconds after a push that failed it is tried again; a new commit is tried at once."""


class PushPart:
    """Pushes each new commit of the records.

    Args:
        folder: The records.
        remote: URL or path of the repository that takes them.
        ledger: Says which commit is the newest, and keeps what the remote said.
        second: How long to wait between two looks, in seconds.
    """

    def __init__(self, folder: Path, remote: str, ledger: Ledger, *, second: float = _SECOND) -> None:
        self._folder = folder
        self._remote = remote
        self._ledger = ledger
        self._second = second
        self._said = ""

    @property
    def name(self) -> str:
        """What it is called in the log."""
        return "copy of the records"

    async def run(self, ready: Callable[[], None]) -> None:
        """Push until cancelled."""
        from asleft.records.remote import push  # noqa: PLC0415 as in the assembly

        ready()
        tried, rest = "", 0
        while True:
            head = self._ledger.note(RECORDS_HEAD) or ""
            if head and head != self._ledger.note(PUSHED) and (head != tried or rest <= 0):
                tried, rest = head, _AGAIN
                trouble: AsleftError | None = None
                try:
                    await aside(lambda: push(self._folder, self._remote), name="push of the records")
                except AsleftError as problem:
                    trouble = problem
                self._keep(head, trouble)
            rest -= 1
            await asyncio.sleep(self._second)

    def follow(self, estate: Estate) -> None:
        """Do nothing: what is pushed does not depend on the estate."""

    def _keep(self, head: str, trouble: AsleftError | None) -> None:
        kept(self._ledger, head, trouble)
        said = "" if trouble is None else trouble.what
        if said == self._said:
            return
        self._said = said
        if trouble is None:
            _log.info("the remote has the records again")
        else:
            _log.error("the records are not at their remote", why=trouble.what, todo=trouble.todo)


def kept(ledger: Ledger, head: str, trouble: AsleftError | None, *, clock: Clock = now) -> None:
    """Keep what became of a push.

    A remote that cannot be reached takes back no refusal, and one that refuses can be reached.

    Args:
        ledger: Where it is kept.
        head: The commit that was pushed.
        trouble: Why it was not taken; None where it was.
        clock: Gives the time.
    """
    from asleft.records.remote import REFUSED, REFUSED_SINCE, PushRefused  # noqa: PLC0415 as in the assembly

    if trouble is None:
        ledger.set_note(PUSHED, head)
        _over(ledger, REFUSED)
        _over(ledger, UNREACHED)
    elif isinstance(trouble, PushRefused):
        _lasts(ledger, REFUSED, REFUSED_SINCE, trouble, clock)
        _over(ledger, UNREACHED)
    else:
        _lasts(ledger, UNREACHED, UNREACHED_SINCE, trouble, clock)


def _lasts(ledger: Ledger, key: str, since: str, trouble: AsleftError, clock: Clock) -> None:
    if not ledger.note(key):
        ledger.set_note(since, clock().isoformat())
    ledger.set_note(key, trouble.what)


def _over(ledger: Ledger, key: str) -> None:
    if ledger.note(key):
        ledger.set_note(key, "")


def ailments(ledger: Ledger, remote: str, *, clock: Clock = now) -> tuple[Ailment, ...]:
    """Give what is to be told to people of the copy of the records, until the remote takes it again.

    Args:
        ledger: Has what `kept` noted.
        remote: URL or path of the remote.
        clock: Gives the time.

    Returns:
        That the remote refuses the records, from the first time on; that it cannot be reached, after an hour of that.
    """
    from asleft.records.remote import REFUSED, REFUSED_SINCE, shown  # noqa: PLC0415 as in the assembly

    at = clock()
    where = f"copy of the records at {shown(remote)}"
    found: list[Ailment] = []
    refused = ledger.note(REFUSED)
    if refused:
        found.append(
            Ailment(
                cause="the remote refuses the records",
                what=refused,
                where=where,
                since=_since(ledger, REFUSED_SINCE, at),
                matters="what is recorded has no copy elsewhere, and somebody may have rewritten one of the two",
                todo="run asleft prove, find out what stands at the remote and who put it there; nothing is pushed with force",
            )
        )
    unreached = ledger.note(UNREACHED)
    since = _since(ledger, UNREACHED_SINCE, at)
    if unreached and at - since >= _LONG:
        found.append(
            Ailment(
                cause="the remote of the records cannot be reached",
                what=unreached,
                where=where,
                since=since,
                matters="what is recorded since then has no copy elsewhere",
                todo="check the address, the network and the agent's access; it is tried again by itself",
            )
        )
    return tuple(found)


def _since(ledger: Ledger, key: str, at: datetime) -> datetime:
    noted = ledger.note(key)
    return datetime.fromisoformat(noted) if noted else at


def push_now(folder: Path, remote: str, ledger: Ledger) -> None:
    """Push what a single command recorded; what fails is told by asleft prove, and tried again by whoever records next."""
    from asleft.records.remote import push  # noqa: PLC0415 as in the assembly

    head = ledger.note(RECORDS_HEAD) or ""
    if not head or head == ledger.note(PUSHED):
        return
    trouble: AsleftError | None = None
    try:
        push(folder, remote)
    except AsleftError as problem:
        trouble = problem
    kept(ledger, head, trouble)
