"""A server that has loaded all that an agent needs, and forks one in milliseconds; and what becomes of such an agent."""

import multiprocessing
import os
import threading
import time
from contextlib import suppress
from multiprocessing import forkserver
from multiprocessing.context import ForkServerContext
from pathlib import Path
from typing import Final
from unittest import mock

__all__ = ["agents", "gone", "see_forked"]

_LOADED_BY: Final = os.getpid()
_LIMIT: Final = 60
"""Seconds after which a process that was killed should have gone."""
_LOADED: Final = (
    "__main__",
    "faults.order_struck",
    "faults.struck",
    "apscheduler.schedulers.asyncio",
    "apscheduler.triggers.cron",
    "apscheduler.triggers.date",
    "apscheduler.triggers.interval",
    "asleft.alerts.make",
    "asleft.alerts.rows",
    "asleft.alerts.webhook",
    "asleft.devices.drop.stations",
    "asleft.devices.ocp1.gateway",
    "asleft.ledger.alarms",
    "asleft.ledger.outbox",
    "asleft.ledger.store",
    "asleft.records.repository",
    "asleft.source.approvals",
    "asleft.source.baseline",
    "asleft.source.calendars",
    "asleft.source.checkout",
    "asleft.source.profiles",
    "httpx",
    "icalendar",
    "jsonpatch",
    "recurring_ical_events",
    "watchdog.events",
    "watchdog.observers",
)
"""What an agent loads in its first second; loaded once, an agent that is killed costs no more than what it does."""


def agents() -> ForkServerContext:
    """Give a way to begin an agent in milliseconds: a server that has loaded everything forks it.

    A process has one such server, so that all tests that fork agents share what it loads.
    """
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload([*_LOADED])
    # The server passes over what it cannot find, and knows nothing of where pytest found these modules.
    folder = str(Path(__file__).parents[1])
    with mock.patch.dict(
        os.environ, PYTHONPATH=os.pathsep.join(filter(None, (folder, os.environ.get("PYTHONPATH"))))
    ):
        forkserver.ensure_running()
    return context


def see_forked() -> None:
    """See in an agent that what it runs was loaded by the server, once for all, and not by itself."""
    assert os.getpid() != _LOADED_BY, "the server that forks agents has not found these modules"


def gone(group: int) -> None:
    """Wait until every process of a group has ended: an agent that was killed alone, and what it had started."""
    until = time.monotonic() + _LIMIT
    while _alive(group):
        assert time.monotonic() < until, f"processes of group {group} go on after it was killed"
        threading.Event().wait(0.002)


def _alive(group: int) -> bool:
    """Tell whether a process of a group still runs; one that has ended and was not fetched yet does not."""
    for file in Path("/proc").glob("[0-9]*/stat"):
        with suppress(OSError):
            # proc(5): behind the name in parentheses come state, parent and process group.
            state, _, of = file.read_text("utf-8", "replace").rpartition(")")[2].split()[:3]
            if int(of) == group and state not in {"Z", "X"}:
                return True
    return False
