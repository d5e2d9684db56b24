"""Commands that draw orders up and show them: restore, set-up, undo, orders."""

import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated

import typer

from asleft.cli.exits import Exit
from asleft.cli.options import HomeOption, JsonOption
from asleft.cli.order_text import (
    order_json,
    outlook_json,
    tell_end,
    tell_full,
    tell_group,
    tell_order,
)
from asleft.cli.output import Unwritten, clock_time, safe, say, say_json, table
from asleft.cli.rounds import tell_notices, tell_taken_up
from asleft.cli.running import run
from asleft.cli.through import desk_at

if TYPE_CHECKING:
    from pathlib import Path

    from asleft.daemon.local.calls import RemoteDesk
    from asleft.domain.drawing import Wish
    from asleft.ports.orders import KeptOrder
    from asleft.work.answers import Desk
    from asleft.work.desk import OwnerDesk
    from asleft.work.outlook import Outlook
    from asleft.work.restores import DrawnUp

__all__ = [
    "CannotWaitOption",
    "add_to",
    "order_json",
    "outlook_at",
    "tell_drawn",
    "tell_end",
    "tell_order",
]

_NOTHING = "nothing needs to be done"
"""What the work says of a station that is as wanted: no failure."""

ByOption = Annotated[
    str, typer.Option("--by", help="Who wants it: a key in people.yaml.", show_default=False)
]
CannotWaitOption = Annotated[
    str,
    typer.Option(
        "--cannot-wait",
        metavar="REASON",
        help="Write even beside a performance, and why; two people confirm it.",
        show_default=False,
    ),
]
StopShareOption = Annotated[
    str,
    typer.Option(
        "--stop-share",
        metavar="SHARE",
        help="Of many stations, stop once so many went wrong, as 10%; at the first one if left out.",
        show_default=False,
    ),
]
RoleOption = Annotated[str, typer.Option("--role", help="Only stations with this role.", show_default=False)]


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command(short_help="Draw up restore orders; nothing is written yet.")(restore)
    app.command("set-up", short_help="Draw up orders that write everything that is ours.")(set_up)
    app.command(short_help="Draw up the order that undoes another.")(undo)
    app.command(short_help="Show what orders wait for, or one of them in full.")(orders)


def restore(
    home: HomeOption,
    stations: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[SITE|SITE/STATION...]", help="Stations to draw up orders for; a site for all of its."
        ),
    ] = None,
    role: RoleOption = "",
    by: ByOption = "",
    cannot_wait: CannotWaitOption = "",
    stop_share: StopShareOption = "",
    *,
    as_json: JsonOption = False,
) -> None:
    """Read stations again and draw up the orders that would bring them back as left; nothing is written yet.

    Orders for several stations make a group, which is confirmed at once: the first station alone, then the rest.
    """
    from asleft.domain.drawing import Wish  # noqa: PLC0415 keeps --help quick

    if not stations and not role:
        raise typer.BadParameter("name a site, a station or a role")
    wish = Wish(by=by, cannot_wait=cannot_wait)
    _draw_up(home, stations or [], wish, role=role, stop_share=_share(stop_share), as_json=as_json)


def set_up(
    stations: Annotated[
        list[str], typer.Argument(metavar="SITE/STATION...", help="Stations that are new at their place.")
    ],
    home: HomeOption,
    by: ByOption = "",
    cannot_wait: CannotWaitOption = "",
    *,
    as_json: JsonOption = False,
) -> None:
    """Draw up orders that write everything that is ours, also what is as left already; nothing is written yet."""
    from asleft.domain.drawing import Wish  # noqa: PLC0415 keeps --help quick
    from asleft.domain.orders import Purpose  # noqa: PLC0415 as above

    wish = Wish(purpose=Purpose.SET_UP, by=by, cannot_wait=cannot_wait, everything=True)
    _draw_up(home, stations, wish, as_json=as_json)


def _share(text: str) -> float:
    if not text:
        return 0.0
    number = text.strip().removesuffix("%").strip()
    try:
        share = float(number) / 100
    except ValueError:
        share = -1.0
    if not text.strip().endswith("%") or not 0.0 <= share <= 1.0:
        raise typer.BadParameter(f"'{safe(text)}' is no share: write it as 10%", param_hint="--stop-share")
    return share


def _draw_up(
    home: "Path",
    stations: Sequence[str],
    wish: "Wish",
    *,
    role: str = "",
    stop_share: float = 0.0,
    as_json: bool,
) -> None:
    async def work(desk: "OwnerDesk | RemoteDesk") -> "tuple[list[DrawnUp], Outlook | None]":
        tell_taken_up(await desk.take_up())
        drawn = await desk.restore(stations, wish, role=role, stop_share=stop_share)
        return drawn, await _outlook_of(desk, drawn)

    with desk_at(home, f"asleft {'set-up' if wish.everything else 'restore'}") as desk:
        drawn, outlook = run(work(desk))
    tell_notices(desk.notices)
    tell_drawn(drawn, outlook, home, as_json=as_json)


async def _outlook_of(desk: "OwnerDesk | RemoteDesk", drawn: "Sequence[DrawnUp]") -> "Outlook | None":
    """Give how what was just drawn up goes on; None where nothing was."""
    kepts = [item.order for item in drawn if item.order is not None]
    return await outlook_at(desk, kepts[0].group or kepts[0].id) if kepts else None


async def outlook_at(desk: "OwnerDesk | RemoteDesk", name: str) -> "Outlook":
    """Give how an order, or a group, goes on."""
    from asleft.work.desk import OwnerDesk  # noqa: PLC0415 keeps --help quick

    return desk.outlook(name) if isinstance(desk, OwnerDesk) else await desk.orders.outlook(name)


def tell_drawn(
    drawn: "Sequence[DrawnUp]", outlook: "Outlook | None", home: "Path", *, as_json: bool = False
) -> None:
    """Say what was drawn up, and for which stations nothing was; the exit code says whether any was left out."""
    if as_json:
        say_json("orders", orders=[_drawn_json(item) for item in drawn], **outlook_json(outlook))
    else:
        together = outlook is not None and outlook.group is not None
        if outlook is not None and together:
            if any(item.waited for item in drawn):
                say("This group waits already, and none was drawn up anew.")
            tell_group(outlook, home)
        for item in drawn:
            if item.order is not None and not together:
                tell_order(item.order, home, outlook, waited=item.waited)
        _tell_left_out(drawn)
        if not drawn:
            say("No station has this role at the named sites.")
    missing = [item for item in drawn if item.why_not is not None and item.why_not.todo != _NOTHING]
    if missing or not any(item.order is not None for item in drawn):
        raise typer.Exit(Exit.REFUSED)


def _tell_left_out(drawn: "Sequence[DrawnUp]") -> None:
    """Say for which stations there is no order, those with the same reason together."""
    stations: dict[tuple[str, str], list[str]] = {}
    for item in drawn:
        if item.why_not is not None:
            stations.setdefault((item.why_not.what, item.why_not.todo), []).append(str(item.station))
    for (what, todo), names in stations.items():
        say(f"{', '.join(names)}: no order: {safe(what)}", f"    {safe(todo)}")


def _drawn_json(item: "DrawnUp") -> dict[str, object]:
    if item.order is None:
        return {"station": item.station, "order": None, "why-not": item.why_not.what if item.why_not else ""}
    return {"station": item.station, **order_json(item.order)}


def undo(
    order: Annotated[str, typer.Argument(metavar="ORDER", help="Id of the order to undo, or its beginning.")],
    home: HomeOption,
    by: ByOption = "",
    cannot_wait: CannotWaitOption = "",
    *,
    as_json: JsonOption = False,
) -> None:
    """Draw up the order that takes a station back to what an earlier order found there; nothing is written yet."""

    async def work(desk: "OwnerDesk | RemoteDesk") -> "tuple[KeptOrder, Outlook]":
        tell_taken_up(await desk.take_up())
        kept = await desk.undo(order, by=by, cannot_wait=cannot_wait)
        return kept, await outlook_at(desk, kept.id)

    with desk_at(home, "asleft undo") as desk:
        kept, outlook = run(work(desk))
    tell_notices(desk.notices)
    if as_json:
        say_json("order", station=kept.order.station, **{**outlook_json(outlook), **order_json(kept)})
    else:
        tell_order(kept, home, outlook)


def orders(
    home: HomeOption,
    name: Annotated[
        str, typer.Argument(metavar="[ORDER|GROUP]", help="Id of an order or of a group.", show_default=False)
    ] = "",
    *,
    everything: Annotated[
        bool, typer.Option("--all", help="Also those that ended, the newest first.")
    ] = False,
    limit: Annotated[int, typer.Option("--limit", min=1, help="With --all: so many at most.")] = 100,
    before: Annotated[
        str,
        typer.Option(
            "--before",
            metavar="ORDER",
            help="With --all: those drawn up before this one.",
            show_default=False,
        ),
    ] = "",
    canonical: Annotated[
        bool, typer.Option("--canonical", help="Give exactly the bytes that a confirmation signs.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Show which orders wait, and for what; one order or group in full where it is named."""
    from asleft.daemon.assembly import open_desk  # noqa: PLC0415 keeps --help quick

    with open_desk(home) as desk:
        if canonical:
            _give_canonical(desk, name)
        elif name:
            _show_one(desk.outlook(name), home, as_json=as_json)
        else:
            if before and not everything:
                raise typer.BadParameter("it goes with --all", param_hint="--before")
            _list(desk, limit if everything else 0, before, as_json=as_json)


def _give_canonical(desk: "Desk", name: str) -> None:
    from asleft.domain.canonical import canonical  # noqa: PLC0415 keeps --help quick
    from asleft.work.outlook import is_group  # noqa: PLC0415 as above

    if not name:
        raise typer.BadParameter("name the order or the group whose bytes are wanted")
    outlook = desk.outlook(name)
    group = outlook.group if is_group(name) else None
    data = canonical(outlook.kepts[0].order.body() if group is None else group.body())
    try:
        # Not through `say`: a line feed at the end would be signed, too.
        sys.stdout.buffer.write(data)
        sys.stdout.buffer.flush()
    except OSError as wrong:
        raise Unwritten(f"the bytes could not be written: {wrong.strerror}") from wrong


def _show_one(outlook: "Outlook", home: "Path", *, as_json: bool) -> None:
    many = len(outlook.kepts) > 1
    if as_json:
        rows = [{"station": kept.order.station, **order_json(kept)} for kept in outlook.kepts]
        say_json("orders", orders=rows, **outlook_json(outlook))
    elif many:
        tell_group(outlook, home)
    else:
        tell_full(outlook, home)


def _list(desk: "Desk", limit: int, before: str, *, as_json: bool) -> None:
    """List what has not ended, or so many of all where a limit is given; a page of years is not read to show one."""
    views = desk.order_views()
    waits = {view.kept.id: view.waits for view in views}
    more = False
    if limit:
        last = desk.outlook(before).kepts[0].id if before else ""
        found = desk.order_page(limit + 1, before=last)
        more, kepts = len(found) > limit, found[:limit]
    else:
        kepts = [view.kept for view in views]
    if as_json:
        rows = [
            {"station": kept.order.station, **order_json(kept), "waits": waits.get(kept.id, ())}
            for kept in kepts
        ]
        say_json("orders", orders=rows, next=kepts[-1].id if more else None)
        return
    if not kepts:
        say("No order waits." if not limit else "None is older." if before else "No order was drawn up yet.")
        return
    for kept in kepts:
        _say_listed(kept, waits.get(kept.id, ()))
    say("", "One of them in full: asleft orders ORDER")
    if more:
        say(f"Older ones: asleft orders --all --before {kepts[-1].id}")


def _say_listed(kept: "KeptOrder", waits: Sequence[str]) -> None:
    order = kept.order
    group = f"group {kept.group}" if kept.group else ""
    say(*table([(order.id, str(order.station), str(order.purpose), str(kept.state), group)]))
    if waits:
        say(*(f"    waits for {safe(words)}" for words in waits))
        if kept.state == "drawn up":
            say(f"    lapses {clock_time(order.lapses)}")
    elif kept.outcome:
        say(f"    {safe(kept.outcome)}")
