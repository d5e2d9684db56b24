"""Commands that settle what nobody should wait for any longer: withdraw, looked-at."""

from typing import TYPE_CHECKING, Annotated

import typer

from asleft.cli.options import HomeOption, JsonOption
from asleft.cli.order_text import order_json, tell_end
from asleft.cli.output import safe, say, say_json
from asleft.cli.rounds import tell_notices
from asleft.cli.running import run
from asleft.cli.through import desk_at

if TYPE_CHECKING:
    from asleft.daemon.local.calls import RemoteDesk
    from asleft.ports.orders import KeptOrder
    from asleft.work.desk import OwnerDesk

__all__ = ["add_to"]


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command(short_help="Take back an order that waits for its confirmation.")(withdraw)
    app.command("looked-at", short_help="Say that you have looked at the station of a halted order.")(
        looked_at
    )


def withdraw(
    order: Annotated[
        str,
        typer.Argument(
            metavar="ORDER|GROUP", help="Id of the order, or its beginning; or the whole id of a group."
        ),
    ],
    home: HomeOption,
    by: Annotated[str, typer.Option("--by", help="Who takes it back: a key in people.yaml.")],
    reason: Annotated[str, typer.Option("--reason", help="Why, in a few words.")] = "",
    *,
    as_json: JsonOption = False,
) -> None:
    """Take back an order, or a group, that waits: who had it drawn up may, and whoever may confirm it. Nothing is written."""
    from asleft.work.desk import OwnerDesk  # noqa: PLC0415 keeps --help quick

    async def work(desk: "OwnerDesk | RemoteDesk") -> "list[KeptOrder]":
        if isinstance(desk, OwnerDesk):
            return desk.withdraw(order, by=by, reason=reason)
        return await desk.orders.withdraw(order, by=by, reason=reason)

    with desk_at(home, "asleft withdraw") as desk:
        kepts = run(work(desk))
    tell_notices(desk.notices)
    if as_json:
        say_json("orders", orders=[{"station": kept.order.station, **order_json(kept)} for kept in kepts])
        return
    for kept in kepts:
        tell_end(kept)


def looked_at(
    order: Annotated[str, typer.Argument(metavar="ORDER", help="Id of the halted order, or its beginning.")],
    home: HomeOption,
    by: Annotated[str, typer.Option("--by", help="Who looked: a key in people.yaml.")],
    reason: Annotated[str, typer.Option("--reason", help="What you found there, and did about it.")],
    *,
    as_json: JsonOption = False,
) -> None:
    """Say that you have looked at the station of a halted order, with the earphones out: others will play there by your word."""
    from asleft.work.desk import OwnerDesk  # noqa: PLC0415 keeps --help quick

    async def work(desk: "OwnerDesk | RemoteDesk") -> "KeptOrder":
        if isinstance(desk, OwnerDesk):
            return desk.looked_at(order, by=by, reason=reason)
        return await desk.orders.looked_at(order, by=by, reason=reason)

    with desk_at(home, "asleft looked-at") as desk:
        kept = run(work(desk))
    tell_notices(desk.notices)
    if as_json:
        say_json("order", station=kept.order.station, **order_json(kept))
    else:
        say(f"It is noted that you looked at {safe(kept.order.station)} after order {kept.id}.")
