"""A home with a past, for tests of questions about it: real rounds, orders and commits, at times that lie days back."""

import asyncio
import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from unittest import mock

from asleft.daemon.assembly import now
from estates import HALL, Bench, a_bench, asleft, confirmed, git, order_of
from estates import commit as committed
from stage import a_stage

__all__ = ["DRUMS", "VOICE", "Past", "a_past", "dated", "dated_stage"]

DRUMS = f"{HALL}/drums"
VOICE = f"{HALL}/lead-voice"
DAY = timedelta(days=1)


class Clock:
    """A clock that a test sets."""

    def __init__(self, at: datetime) -> None:
        self.at = at

    def __call__(self) -> datetime:
        """Give the time."""
        return self.at


@dataclass(frozen=True, kw_only=True)
class Past:
    """What there is after it all.

    Args:
        bench: The estate, its stations and its home.
        begin: When its first round was, twenty days back.
        commits: Revisions of the baseline by what they are.
        order: Id of the order that restored a gain.
        lapsed: Id of the order that lapsed.
    """

    bench: Bench
    begin: datetime
    commits: Mapping[str, str]
    order: str
    lapsed: str

    def at(self, days: float) -> datetime:
        """Give a time so many days after the first round."""
        return self.begin + days * DAY

    def stamp(self, days: float) -> str:
        """Give it as the command line takes it."""
        return self.at(days).isoformat()


@contextmanager
def dated(at: datetime) -> Iterator[None]:
    """Have git date commits of people so."""
    when = at.isoformat()
    with mock.patch.dict(os.environ, {"GIT_AUTHOR_DATE": when, "GIT_COMMITTER_DATE": when}):
        yield


@contextmanager
def dated_stage(
    folder: Path, at: datetime, names: Sequence[str] = ("drums",), **stage: Any
) -> Iterator[Bench]:
    """Set a stage up whose baseline is approved at a time; what is committed after that is dated as usual."""
    with ExitStack() as stack:
        with dated(at):
            bench = stack.enter_context(a_stage(folder, names, **stage))
        yield bench


@contextmanager
def a_past(folder: Path) -> Iterator[Past]:  # noqa: PLR0915 a long story, told in one go
    """Approve, drift, restore, approve anew, lose a station and find it, let an order lapse, put a clock back, concede."""
    begin = now().replace(microsecond=0) - 20 * DAY
    clock = Clock(begin)
    with ExitStack() as stack:
        with dated(begin - timedelta(hours=1)):
            bench = stack.enter_context(a_bench(folder))
        first = git(bench.repository, "rev-parse", "HEAD").strip()

        def go(days: float, *sites: str) -> None:
            clock.at = begin + days * DAY
            with bench.desk(clock=clock) as desk:
                asyncio.run(desk.round(sites=sites))

        async def restore() -> str:
            with bench.desk(clock=clock) as desk:
                order = order_of(await desk.restore([DRUMS]))
                clock.at += timedelta(minutes=5)
                await confirmed(desk, order)
                return order.id

        async def lapse() -> str:
            with bench.desk(clock=clock) as desk:
                order = order_of(await desk.restore([DRUMS]))
                clock.at += timedelta(hours=2)
                desk.sweep()
                return order.id

        go(0)
        bench.meddle(DRUMS, "headphones.gain", "+12 dB")
        go(1)
        clock.at += timedelta(minutes=30)
        order = asyncio.run(restore())
        with dated(begin + 5 * DAY):
            second = bench.approve("estate.yaml", "key-dim: 40 %", "key-dim: 50 %")
        bench.fleet.call(bench.station(VOICE).switch_off)
        go(6)
        bench.fleet.call(bench.station(VOICE).switch_on)
        go(8)
        bench.meddle(DRUMS, "panel.menus", "open")
        go(9)
        lapsed = asyncio.run(lapse())
        bench.meddle(f"{HALL}/bass", "headphones.gain", "+12 dB")
        go(3)  # a clock that was put back by a week
        go(12)
        home = ("--home", bench.home)
        told = asleft(
            *("concede", DRUMS, "panel.menus", "open", "--holder", "idris-quill", "--by", "wren-halloway"),
            *("--reason", "the drummer asked", "--until", "2099-09-01", *home),
        )
        assert told.code == 0, told.err
        branch = next(name for name in bench.branches() if name != "main")
        git(bench.repository, "merge", "--quiet", "--ff-only", branch)
        third = git(bench.repository, "rev-parse", "HEAD").strip()
        # A round that finds nothing moved leaves no commit: somebody turns a knob, so that the records name what is in force.
        bench.meddle(f"{HALL}/bass", "headphones.gain", "0 dB")
        asleft("round", "--site", HALL, *home)
        (bench.repository / "README").write_text("nothing\n", "utf-8")
        fourth = committed(bench.repository, "Say nothing")
        git(bench.home / "baseline", "fetch", "--quiet", str(bench.repository), "+main:main")
        commits = {"first": first, "second": second, "conceded": third, "written": fourth}
        yield Past(bench=bench, begin=begin, commits=commits, order=order, lapsed=lapsed)
