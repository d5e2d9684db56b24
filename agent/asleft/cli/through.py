"""The desk that a changing command works with: the running agent's over its local socket, or one of its own."""

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from asleft.daemon.local.calls import RemoteDesk
    from asleft.work.desk import OwnerDesk

__all__ = ["desk_at", "zone_of"]


@contextmanager
def desk_at(home: Path, what: str) -> "Iterator[OwnerDesk | RemoteDesk]":
    """Give the desk of the agent that runs in a home, or own the home where none runs.

    Args:
        home: The home.
        what: What is done, for another process that is turned away meanwhile.

    Raises:
        HomeInUse: Something else than an agent that answers owns the home.
        NoAnswer: An agent runs, and this account may not ask it.
    """
    from asleft.daemon.local.client import listens, socket_of  # noqa: PLC0415 keeps --help quick

    path = socket_of(home)
    if listens(path):
        yield _remote(path)
        return
    from asleft.daemon.assembly import own_desk  # noqa: PLC0415 as above
    from asleft.daemon.home import HomeInUse  # noqa: PLC0415 as above

    with ExitStack() as stack:
        desk: OwnerDesk | RemoteDesk
        try:
            desk = stack.enter_context(own_desk(home, what))
        except HomeInUse:
            # An agent that started just now may answer by now.
            if not listens(path):
                raise
            desk = _remote(path)
        yield desk


def _remote(path: Path) -> "RemoteDesk":
    from asleft.daemon.local.calls import RemoteDesk  # noqa: PLC0415 as above

    return RemoteDesk(path)


def zone_of(desk: "OwnerDesk | RemoteDesk", site: str) -> str | None:
    """Give the time zone of a site, by whose clocks a person says until when; None where there is no such site."""
    from asleft.work.desk import OwnerDesk  # noqa: PLC0415 keeps --help quick

    if isinstance(desk, OwnerDesk):
        known = desk.in_force().estate.sites.get(site)
        return known.time_zone if known else None
    return desk.zone_of(site)
