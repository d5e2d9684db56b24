"""An agent that carries out one order and is to be killed at a given instant of it, in a process of its own."""

import asyncio
import logging
import os
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime, timedelta
from functools import wraps
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, Final
from unittest import mock

from asleft.daemon.home import Home
from asleft.daemon.settings.settings import read_settings
from asleft.devices.ocp1 import gateway
from asleft.devices.ocp1.gateway import Ocp1Conversation, Ocp1Stations
from asleft.devices.ocp1.session import Timings
from asleft.domain.orders import OrderState
from asleft.ledger.alarms import SqliteAlarms
from asleft.ledger.store import SqliteLedger
from asleft.ports.clock import Clock
from asleft.records.repository import Records
from asleft.source.baseline import GitBaseline
from asleft.source.checkout import Commits
from asleft.source.profiles import shipped_profiles
from asleft.work.desk import OwnerDesk
from asleft.work.presence import Patience
from faults.forked import see_forked

__all__ = ["BEGUN", "TWO", "carry_out", "desk_of", "settle"]

BEGUN: Final = b"begun"
"""Told through the door when the home is open and the work begins."""
TWO: Final = ("wren-halloway", "idris-quill")
"""Who confirm it."""
_LOG: Final = "struck.log"
_UNHURRIED: Final = Timings(connect_limit=30.0, command_limit=30.0, keepalive=0)
"""A busy machine is no silent station: what does not listen refuses at once, and is not waited for."""
_PROFILES: Final = shipped_profiles()
"""Read once, in the server that forks agents."""


class _Awake:
    """A clock that goes on by what is really slept: nothing is given up before the stations had that time.

    Args:
        moment: When it begins, in seconds since 1970.
    """

    def __init__(self, moment: float) -> None:
        self._now = datetime.fromtimestamp(moment, UTC)

    def __call__(self) -> datetime:
        """Give the time."""
        return self._now

    async def sleep(self, seconds: float) -> None:
        """Let so much time go by."""
        await asyncio.sleep(seconds)
        self._now += timedelta(seconds=seconds)

    @property
    def patience(self) -> Patience:
        """Patience that goes by this clock."""
        return Patience(pause=0.02, longest=0.02, sleep=self.sleep)


@contextmanager
def desk_of(folder: Path, clock: Clock, patience: Patience) -> Iterator[OwnerDesk]:
    """Own a home, with time and patience as whoever asks wants them."""
    home = Home(folder)
    settings = read_settings(home.settings)
    with ExitStack() as stack:
        stack.enter_context(home.owned("a test"))
        stack.enter_context(mock.patch.object(gateway, "_SEARCH", _UNHURRIED))
        ledger = SqliteLedger(home.ledger)
        stack.callback(ledger.close)
        # What was cloned is all there is: fetching it anew would take longer than the order.
        commits = Commits.open(home.baseline)
        baseline = GitBaseline(commits, _PROFILES, branch=settings.branch, follows_remote=False)
        stack.callback(baseline.close)
        yield OwnerDesk(
            baseline=baseline,
            records=Records.open(home.records),
            ledger=ledger,
            alarms=SqliteAlarms(ledger),
            stations=Ocp1Stations(ledger, timings=_UNHURRIED),
            clock=clock,
            patience=patience,
        )


class _Fuse:
    """Counts the instants that a process goes through, and kills it at one of them.

    Args:
        at: At which, counted from 0; never where it is negative.
    """

    def __init__(self, at: int) -> None:
        self._at = at
        self.passed: list[str] = []

    def come(self, what: str) -> None:
        """Go through an instant."""
        if len(self.passed) == self._at:
            os.kill(os.getpid(), signal.SIGKILL)
        self.passed.append(what)

    def lay(self) -> None:
        """Have every instant at which something is kept, recorded or sent pass here, before and after."""
        honest = SqliteLedger.change
        come = self.come

        @contextmanager
        def change(ledger: SqliteLedger, *, survives_power_cut: bool = False) -> Iterator[Any]:
            come("before a note")
            with honest(ledger, survives_power_cut=survives_power_cut) as done:
                yield done
            come("after a note")

        commit = Records.commit

        @wraps(commit)
        def record(records: Records, *args: Any, **kwargs: Any) -> str | None:
            come("before a record")
            done = commit(records, *args, **kwargs)
            come("after a record")
            return done

        setattr(SqliteLedger, "change", change)  # noqa: B010 this process lives for one order
        setattr(Records, "commit", record)  # noqa: B010
        for name in ("write", "settle", "hold", "let_go"):
            setattr(Ocp1Conversation, name, self._around(getattr(Ocp1Conversation, name), name))

    def _around(self, call: Callable[..., Any], name: str) -> Callable[..., Any]:
        @wraps(call)
        async def around(*args: Any, **kwargs: Any) -> Any:
            self.come(f"before {name}")
            done = await call(*args, **kwargs)
            self.come(f"after {name}")
            return done

        return around


def _begin(folder: str) -> None:
    see_forked()
    os.setpgid(0, 0)  # so that the git that it starts can be waited for
    logging.disable(logging.INFO)
    sys.stderr = (Path(folder) / _LOG).open("a", encoding="utf-8")


def carry_out(folder: str, station: str, moment: float, at: int, door: Connection) -> None:
    """Have an order drawn up and confirmed by two people, and tell through a door which instants were gone through.

    Args:
        folder: The home.
        station: Which station is put right.
        moment: The agent's time, in seconds since 1970; it goes on by what is slept alone.
        at: The instant at which the process kills itself; never where it is negative.
        door: Takes `BEGUN`, and in the end the instants.
    """
    _begin(folder)
    fuse = _Fuse(at)

    async def work(desk: OwnerDesk) -> None:
        fuse.lay()
        door.send_bytes(BEGUN)
        (drawn,) = await desk.restore([station])
        assert drawn.order is not None, drawn.why_not
        order = drawn.order.order
        for by in TWO:
            kept = await desk.confirm(
                order.id, by=by, reason="before doors", accepted=[hazard.id for hazard in order.hazards]
            )
        assert kept.state is OrderState.RESTORED, kept.outcome

    clock = _Awake(moment)
    with desk_of(Path(folder), clock, clock.patience) as desk:
        asyncio.run(work(desk))
    door.send_bytes("\n".join(fuse.passed).encode())


def settle(folder: str, moment: float, at: int, door: Connection) -> None:
    """Take up what another agent left, as the next start does; arguments as above."""
    _begin(folder)
    fuse = _Fuse(at)
    clock = _Awake(moment)
    with desk_of(Path(folder), clock, clock.patience) as desk:
        fuse.lay()
        door.send_bytes(BEGUN)
        asyncio.run(_take_up(desk))
    door.send_bytes("\n".join(fuse.passed).encode())


async def _take_up(desk: OwnerDesk) -> None:
    await desk.take_up()
