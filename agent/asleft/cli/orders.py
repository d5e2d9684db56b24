"""Commands that restore: restore, confirm."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated

import typer

from asleft.cli.exits import Exit
from asleft.cli.options import HomeOption, JsonOption
from asleft.cli.output import clock_time, note, paint, safe, say, say_json, table
from asleft.cli.rounds import tell_notices, tell_taken_up
from asleft.cli.running import run
from asleft.cli.through import desk_at

if TYPE_CHECKING:
    from pathlib import Path

    from asleft.daemon.local.calls import RemoteDesk
    from asleft.ports.ledger import KeptOrder
    from asleft.work.desk import OwnerDesk
    from asleft.work.restores import DrawnUp

__all__ = ["add_to", "tell_end", "tell_order"]


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command(short_help="Draw up restore orders; nothing is written yet.")(restore)
    app.command(short_help="Confirm an order and have it carried out.")(confirm)


def restore(
    stations: Annotated[
        list[str], typer.Argument(metavar="SITE/STATION...", help="Stations to draw up orders for.")
    ],
    home: HomeOption,
    *,
    as_json: JsonOption = False,
) -> None:
    """Read stations again and draw up the orders that would bring them back as left; nothing is written yet."""
    with desk_at(home, "asleft restore") as desk:
        drawn = run(_restore(desk, stations))
    tell_notices(desk.notices)
    if as_json:
        say_json("orders", orders=[_drawn_json(item) for item in drawn])
    else:
        for item in drawn:
            if item.order is not None:
                tell_order(item.order, home)
            elif item.why_not is not None:
                say(f"{item.station}: no order: {safe(item.why_not.what)}", f"    {safe(item.why_not.todo)}")
    if any(item.order is None for item in drawn):
        raise typer.Exit(Exit.REFUSED)


async def _restore(desk: "OwnerDesk | RemoteDesk", stations: Sequence[str]) -> "list[DrawnUp]":
    tell_taken_up(await desk.take_up())
    return await desk.restore(stations)


def _drawn_json(item: "DrawnUp") -> dict[str, object]:
    if item.order is None:
        return {"station": item.station, "order": None, "why-not": item.why_not.what if item.why_not else ""}
    return {"station": item.station, **order_json(item.order)}


def order_json(kept: "KeptOrder") -> dict[str, object]:
    """Give an order and what became of it as JSON holds it."""
    order = kept.order
    steps = {step.setting: step for step in kept.steps}
    return {
        "order": order.id,
        "digest": order.digest,
        "state": kept.state,
        "outcome": kept.outcome or None,
        "confirmed-by": kept.by or None,
        "reason": kept.reason or None,
        "lapses": order.lapses,
        "writes": [
            {
                "setting": write.setting,
                "from": write.shown[0],
                "to": write.shown[1],
                "stage": write.stage.name.lower(),
                "outcome": steps[write.setting].state if write.setting in steps else None,
                "read-back": steps[write.setting].note if write.setting in steps else None,
            }
            for write in order.writes
        ],
        "hazards": [
            {
                "id": hazard.id,
                "words": hazard.words,
                "caution": hazard.caution,
                "accepted": hazard.id in kept.accepted,
            }
            for hazard in order.hazards
        ],
        "left-alone": dict(order.left_alone),
        "canonical": order.body(),
    }


def tell_order(kept: "KeptOrder", home: "Path") -> None:
    """Say what an order would write, what can go wrong, and how it is confirmed."""
    order = kept.order
    say(
        f"Order {paint(order.id, 'strong')} for {order.station}, serial {safe(order.serial)}; lapses {clock_time(order.lapses)}"
    )
    say(*table([(write.setting, write.shown[0], "→", write.shown[1]) for write in order.writes], indent="  "))
    for name, reason in order.left_alone:
        say(f"  left alone: {name}, {safe(reason)}")
    for hazard in order.hazards:
        say(f"  hazard {paint(hazard.id, 'high')}: {safe(hazard.words)}", f"      {safe(hazard.caution)}")
    accepts = "".join(f" --accept {hazard.id}" for hazard in order.hazards)
    say(f"Confirm with: asleft confirm {order.id} --home {home} --by NAME --reason TEXT{accepts}", "")


def confirm(
    order: Annotated[str, typer.Argument(metavar="ORDER", help="Id of the order, or the beginning of it.")],
    home: HomeOption,
    by: Annotated[str, typer.Option(help="Who confirms: a key in people.yaml.")],
    reason: Annotated[str, typer.Option(help="Why, in a few words.")],
    accept: Annotated[
        list[str] | None, typer.Option(help="A hazard that is taken on; once for each.")
    ] = None,
    *,
    as_json: JsonOption = False,
) -> None:
    """Confirm an order as a named person, and carry it out: guarded, read back, put back if anything fails."""
    with desk_at(home, "asleft confirm") as desk:
        kept = run(_confirm(desk, order, by, reason, accept or []))
    tell_notices(desk.notices)
    if as_json:
        say_json("order", station=kept.order.station, **order_json(kept))
    else:
        tell_end(kept)
    if kept.state != "restored":
        raise typer.Exit(Exit.REFUSED)


async def _confirm(
    desk: "OwnerDesk | RemoteDesk", order: str, by: str, reason: str, accepted: Sequence[str]
) -> "KeptOrder":
    tell_taken_up(await desk.take_up())
    return await desk.confirm(order, by=by, reason=reason, accepted=accepted)


def tell_end(kept: "KeptOrder") -> None:
    """Say how an order ended."""
    order = kept.order
    say(f"{order.station}: order {order.id} is {paint(kept.state, 'strong')}: {safe(kept.outcome)}")
    say(
        *table(
            [
                (step.setting, str(step.state), f"reads {step.note}" if step.note else "")
                for step in kept.steps
            ],
            indent="  ",
        )
    )
    if kept.state == "halted":
        note("asleft: HALTED. Nobody should play on this station before a person has looked at it.")
