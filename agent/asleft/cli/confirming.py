"""Commands of a person who confirms: confirm, stop."""

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from asleft.cli.exits import Exit
from asleft.cli.options import HomeOption, JsonOption
from asleft.cli.order_text import (
    confirm_with,
    order_json,
    outlook_json,
    rises,
    tell_end,
    tell_ends,
    tell_waiting,
)
from asleft.cli.orders import outlook_at, tell_drawn
from asleft.cli.output import clock_time, note, safe, say, say_json
from asleft.cli.rounds import tell_notices, tell_taken_up
from asleft.cli.running import run
from asleft.cli.through import desk_at
from asleft.domain.errors import AsleftError

if TYPE_CHECKING:
    from asleft.daemon.local.calls import RemoteDesk
    from asleft.ports.orders import KeptOrder
    from asleft.work.desk import OwnerDesk
    from asleft.work.guards import Confirming
    from asleft.work.handing import Handed
    from asleft.work.outlook import Outlook
    from asleft.work.restores import DrawnUp

__all__ = ["add_to"]

_LOOK_EVERY = 0.5
_LARGEST_SIGNATURE = 64 * 1024
_WAITING = "drawn up"
_NO_FURTHER = "asleft: no further station is begun; those under way are finished"
_INTERRUPTED = "interrupted with Ctrl-C"


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command(short_help="Confirm an order, or a group of them, and have it carried out.")(confirm)
    app.command(short_help="Begin no further station of a group that is being carried out.")(stop)


def confirm(
    order: Annotated[
        str,
        typer.Argument(
            metavar="ORDER|GROUP", help="Id of the order, or its beginning; or the whole id of a group."
        ),
    ],
    home: HomeOption,
    by: Annotated[str, typer.Option(help="Who confirms: a key in people.yaml.")],
    reason: Annotated[str, typer.Option(help="Why, in a few words.")],
    accept: Annotated[
        list[str] | None, typer.Option(help="A hazard that is taken on; once for each.")
    ] = None,
    signature: Annotated[
        Path | None,
        typer.Option(help="File with an SSH signature under what asleft orders --canonical gives."),
    ] = None,
    *,
    as_json: JsonOption = False,
) -> None:
    """Confirm as a named person, and have it carried out: guarded, read back, put back if anything fails.

    Where two people are asked for, the first confirmation waits for the second.
    """
    from asleft.cli.lending import tell_not_shown  # noqa: PLC0415 keeps --help quick
    from asleft.work.guards import Confirming  # noqa: PLC0415 as above

    confirming = Confirming(
        by=by, reason=reason, accepted=tuple(accept or ()), signature=_signature(signature)
    )
    with desk_at(home, "asleft confirm") as desk:
        done = run(_Confirmation(desk, home, order, confirming, quiet=as_json).go())
    tell_notices(desk.notices)
    if as_json:
        _say_json(done)
        tell_not_shown(done.kepts)
    else:
        _tell(done, home)
    if any(kept.state not in {"restored", _WAITING} for kept in done.kepts):
        raise typer.Exit(Exit.REFUSED)


def _signature(file: Path | None) -> str:
    if file is None:
        return ""
    try:
        with file.open("rb") as opened:
            data = opened.read(_LARGEST_SIGNATURE)
    except OSError as wrong:
        raise AsleftError(
            f"the signature cannot be read: {wrong.strerror}",
            where=str(file),
            todo="name the file that ends in .sig",
        ) from wrong
    return data.decode("utf-8", "replace")


class _Done:
    """What confirming gave.

    Args:
        kepts: The orders as they are now.
        together: Whether they are a group's.
    """

    def __init__(self, kepts: "Sequence[KeptOrder]", *, together: bool) -> None:
        self.kepts = kepts
        self.together = together
        self.outlook: Outlook | None = None
        self.handed: Handed | None = None
        """What the station handed over; for the person who confirmed, once."""
        self.behind: list[DrawnUp] = []
        """The set-up that was drawn up behind a factory state."""
        self.behind_outlook: Outlook | None = None


class _Confirmation:
    """One confirmation, from what is said beforehand to what comes behind it.

    Args:
        desk: Does it.
        home: The home.
        name: Id of the order or group.
        confirming: The confirmation.
        quiet: Whether only a document is wanted: no progress of a group, and nothing that a station hands over.
    """

    def __init__(
        self, desk: "OwnerDesk | RemoteDesk", home: Path, name: str, confirming: "Confirming", *, quiet: bool
    ) -> None:
        self._desk = desk
        self._home = home
        self._name = name
        self._given: dict[str, Any] = {
            "by": confirming.by,
            "reason": confirming.reason,
            "signature": confirming.signature,
        }
        self._accepted = confirming.accepted
        self._quiet = quiet

    async def go(self) -> _Done:
        """Confirm."""
        from asleft.work.outlook import is_group  # noqa: PLC0415 keeps --help quick

        tell_taken_up(await self._desk.take_up())
        before = await outlook_at(self._desk, self._name)
        for line in rises(before):
            note(line)
        # The group of one order does not count here: whoever names an order confirms that one.
        together = is_group(self._name)
        if together:
            done = _Done(await self._group(before), together=True)
        else:
            handed: list[Handed] = []
            kept = await self._desk.confirm(
                self._name,
                accepted=self._accepted,
                # A document of JSON is read by programs, and kept by them: no secret goes into it.
                hand=None if self._quiet else handed.append,
                **self._given,
            )
            done = _Done([kept], together=False)
            done.handed = handed[0] if handed else None
        if any(kept.state == _WAITING for kept in done.kepts):
            done.outlook = await outlook_at(self._desk, self._name)
        await self._set_up_behind(done)
        return done

    async def _set_up_behind(self, done: _Done) -> None:
        """Draw up a set-up where a station was returned to factory state: it has nothing of ours then."""
        from asleft.domain.drawing import Wish  # noqa: PLC0415 keeps --help quick
        from asleft.domain.orders import Purpose  # noqa: PLC0415 as above

        for kept in done.kepts:
            order = kept.order
            if order.purpose is Purpose.FACTORY and kept.state == "restored":
                wish = Wish(
                    purpose=Purpose.SET_UP,
                    by=self._given["by"],
                    cannot_wait=order.cannot_wait,
                    everything=True,
                )
                done.behind = await self._desk.restore([str(order.station)], wish)
                made = [item.order for item in done.behind if item.order is not None]
                if made:
                    done.behind_outlook = await outlook_at(self._desk, made[0].id)

    async def _group(self, before: "Outlook") -> "list[KeptOrder]":
        from asleft.work.desk import OwnerDesk  # noqa: PLC0415 keeps --help quick

        waiting = [kept for kept in before.kepts if kept.state == _WAITING]
        with _progress(len(waiting), quiet=self._quiet) as told:
            if isinstance(self._desk, OwnerDesk):
                return await self._here(self._desk, told)
            return await self._through_the_agent(self._desk, told)

    async def _here(self, desk: "OwnerDesk", told: "Callable[[KeptOrder], None]") -> "list[KeptOrder]":
        """Carry it out; the first interrupt stops between stations, the next one has what is under way put back."""
        import asyncio  # noqa: PLC0415 keeps --help quick

        asking = asyncio.create_task(
            desk.confirm_group(self._name, accepted=self._accepted, progress=told, **self._given)
        )
        stopped = False
        while not asking.done():
            try:
                await asyncio.wait({asking})
            except asyncio.CancelledError:
                if stopped:
                    note("asleft: what is under way is put back")
                else:
                    stopped = True
                    note(f"{_NO_FURTHER} (Ctrl-C: put those back)")
                    try:
                        desk.stop(self._name, by=self._given["by"], reason=_INTERRUPTED)
                    except AsleftError as problem:  # it is stopped all the same
                        note(f"asleft: {safe(problem)}")
                asking.cancel()
        return asking.result()

    async def _through_the_agent(
        self, desk: "RemoteDesk", told: "Callable[[KeptOrder], None]"
    ) -> "list[KeptOrder]":
        """Wait for the agent, and tell what is seen in the ledger meanwhile; the first interrupt stops between stations."""
        import asyncio  # noqa: PLC0415 keeps --help quick

        asking = asyncio.create_task(
            desk.orders.confirm_group(self._name, accepted=self._accepted, **self._given)
        )
        seen: set[str] = set()
        while not asking.done():
            try:
                await asyncio.wait({asking}, timeout=_LOOK_EVERY)
                self._look(seen, told)
            except asyncio.CancelledError:
                if asking.done():
                    break
                note(f"{_NO_FURTHER} (Ctrl-C: do not wait)")
                await desk.orders.stop(self._name, by=self._given["by"], reason=_INTERRUPTED)
        kepts = asking.result()
        for kept in kepts:
            if kept.ended is not None and kept.id not in seen:
                told(kept)
        return kepts

    def _look(self, seen: set[str], told: "Callable[[KeptOrder], None]") -> None:
        """Tell what ended since the last look; who may not read the home is told at the end."""
        from asleft.daemon.assembly import open_desk  # noqa: PLC0415 keeps --help quick

        try:
            with open_desk(self._home) as looking:
                kepts = looking.outlook(self._name).kepts
        except AsleftError:
            return
        for kept in kepts:
            if kept.ended is not None and kept.id not in seen:
                seen.add(kept.id)
                told(kept)


@contextmanager
def _progress(count: int, *, quiet: bool) -> "Iterator[Callable[[KeptOrder], None]]":
    """Show how a group goes on: a bar on a terminal, a line a station elsewhere."""
    if quiet:
        yield lambda _: None
        return
    if not sys.stderr.isatty():
        yield lambda kept: say(f"{kept.order.station}: {kept.state}: {safe(kept.outcome)}")
        return
    from rich.console import Console  # noqa: PLC0415 keeps --help quick
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn  # noqa: PLC0415 as above
    from rich.text import Text  # noqa: PLC0415 as above

    console = Console(stderr=True)
    columns = (BarColumn(), MofNCompleteColumn(), TextColumn("stations"))
    with Progress(*columns, console=console) as bar:
        task = bar.add_task("orders", total=count)

        def told(kept: "KeptOrder") -> None:
            if kept.state != "restored":
                bar.console.print(Text(f"{kept.order.station}: {kept.state}: {safe(kept.outcome)}"))
            bar.advance(task)

        yield told


def _tell(done: _Done, home: Path) -> None:
    if done.outlook is not None:
        _tell_first_of_two(done.outlook, home, together=done.together)
    elif done.together:
        tell_ends(done.kepts)
    else:
        from asleft.cli.lending import tell_lent  # noqa: PLC0415 keeps --help quick

        tell_end(done.kepts[0])
        tell_lent(done.kepts[0], done.handed)
    if done.behind:
        say("", "It has nothing of ours now. To set it up again:")
        tell_drawn(done.behind, done.behind_outlook, home)


def _tell_first_of_two(outlook: "Outlook", home: Path, *, together: bool) -> None:
    waiting = [kept for kept in outlook.kepts if kept.state == _WAITING]
    orders = [kept.order for kept in waiting]
    name = outlook.group.id if together and outlook.group else orders[0].id
    what = f"Group {name}" if together else f"Order {name} for {orders[0].station}"
    say(f"{what}: your confirmation counts, and nothing is written yet.")
    tell_waiting(outlook)
    say(
        f"It waits until {clock_time(min(order.lapses for order in orders))}. The second person confirms with:",
        f"  {confirm_with(name, orders, home)}",
    )


def _say_json(done: _Done) -> None:
    behind = [order_json(item.order) for item in done.behind if item.order is not None]
    more: dict[str, object] = {"set-up": behind} if behind else {}
    if done.outlook is not None:
        more = {**more, **outlook_json(done.outlook)}
    if done.together:
        rows = [{"station": kept.order.station, **order_json(kept)} for kept in done.kepts]
        say_json("orders", orders=rows, **more)
    else:
        (kept,) = done.kepts
        say_json("order", station=kept.order.station, **{**more, **order_json(kept)})


def stop(
    group: Annotated[str, typer.Argument(metavar="GROUP", help="Id of the group.")],
    home: HomeOption,
    by: Annotated[str, typer.Option("--by", help="Who stops it: a key in people.yaml.")],
    reason: Annotated[str, typer.Option("--reason", help="Why, in a few words.")] = "",
) -> None:
    """Begin no further station of a group that the running agent carries out; those under way are finished."""
    from asleft.work.desk import OwnerDesk  # noqa: PLC0415 keeps --help quick

    async def work(desk: "OwnerDesk | RemoteDesk") -> "tuple[Sequence[KeptOrder], int]":
        if isinstance(desk, OwnerDesk):
            return desk.stop(group, by=by, reason=reason), 0
        sent = await desk.orders.stop(group, by=by, reason=reason)
        return sent.going, sent.hidden

    with desk_at(home, "asleft stop") as desk:
        going, hidden = run(work(desk))
    if not going and not hidden:
        say(f"Group {safe(group)} is not being carried out.")
        return
    under_way = [str(kept.order.station) for kept in going if kept.state == "under way"]
    say(f"Group {safe(group)}: no further station is begun.")
    if under_way:
        say(f"Finished first: {safe(', '.join(under_way))}")
    if hidden:
        say(
            f"It is stopped at sites that you may not look at, too; orders there that were going on: {hidden}"
        )
