"""Commands that have a station do something beside its settings: identify, clear-errors, factory-state."""

from typing import TYPE_CHECKING, Annotated

import typer

from asleft.cli.options import HomeOption, JsonOption
from asleft.cli.orders import CannotWaitOption, outlook_at, tell_drawn
from asleft.cli.output import note, safe, say, say_json
from asleft.cli.rounds import tell_notices, tell_taken_up
from asleft.cli.running import run
from asleft.cli.through import desk_at

if TYPE_CHECKING:
    from asleft.daemon.local.calls import RemoteDesk
    from asleft.work.acts import Cleared, Lit
    from asleft.work.desk import OwnerDesk
    from asleft.work.outlook import Outlook
    from asleft.work.restores import DrawnUp

__all__ = ["add_to"]

StationArgument = Annotated[str, typer.Argument(metavar="SITE/STATION", help="Station, as site/station.")]
ByOption = Annotated[str, typer.Option("--by", help="Who does it: a key in people.yaml.")]


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command(short_help="Light a station's lamp for some seconds, to find it.")(identify)
    app.command("clear-errors", short_help="Clear a station's error count.")(clear_errors)
    app.command("factory-state", short_help="Draw up the order that returns a station to factory state.")(
        factory_state
    )


def identify(
    station: StationArgument,
    home: HomeOption,
    by: ByOption,
    seconds: Annotated[
        int, typer.Option("--for", metavar="SECONDS", min=1, max=120, help="How long the lamp is on.")
    ] = 10,
    *,
    as_json: JsonOption = False,
) -> None:
    """Light a station's lamp for some seconds, to find it; it is put out again, also after Ctrl-C.

    It is a light: beside a performance it is refused, unless the estate allows lights then.
    """

    async def work(desk: "OwnerDesk | RemoteDesk") -> "Lit":
        tell_taken_up(await desk.take_up())
        note(f"asleft: the lamp of {safe(station)} is to be on for {seconds} s")
        return await desk.doing.identify(station, by=by, seconds=seconds)

    with desk_at(home, "asleft identify") as desk:
        lit = run(work(desk))
    on, off = lit.shown
    if as_json:
        say_json(
            "identify",
            station=lit.station,
            serial=lit.serial,
            seconds=lit.seconds,
            **{"read-back": {"while-on": on, "afterwards": off}},
        )
        return
    shown = "" if on is not False else ", though the station said that it was off"
    after = (
        "and it is off"
        if off is False
        else "and was told to go out; the station does not tell whether it did"
    )
    say(f"{lit.station}: the lamp was on for {lit.seconds:g} s{shown}, {after}. Serial {safe(lit.serial)}.")


def clear_errors(
    station: StationArgument,
    home: HomeOption,
    by: ByOption,
    reason: Annotated[str, typer.Option("--reason", help="Why, in a few words.")],
    *,
    as_json: JsonOption = False,
) -> None:
    """Clear a station's error count, and read it; not beside a performance."""

    async def work(desk: "OwnerDesk | RemoteDesk") -> "Cleared":
        tell_taken_up(await desk.take_up())
        return await desk.doing.clear_errors(station, by=by, reason=reason)

    with desk_at(home, "asleft clear-errors") as desk:
        cleared = run(work(desk))
    tell_notices(desk.notices)
    if as_json:
        say_json(
            "clear-errors",
            station=cleared.station,
            serial=cleared.serial,
            before=cleared.before,
            after=cleared.after,
        )
        return
    was = "not known" if cleared.before is None else cleared.before
    now = "cannot be read" if cleared.after is None else f"reads {cleared.after}"
    say(
        f"{cleared.station}: the error count was {safe(was)} and {safe(now)} now. Serial {safe(cleared.serial)}."
    )


def factory_state(
    station: StationArgument,
    home: HomeOption,
    serial: Annotated[str, typer.Option("--serial", help="Its serial, read at the unit and typed by hand.")],
    by: ByOption,
    cannot_wait: CannotWaitOption = "",
    *,
    as_json: JsonOption = False,
) -> None:
    """Draw up the order that returns a station to factory state; two people confirm it, and nothing is done yet.

    Once it is carried out an order is drawn up behind it that sets the station up again.
    """

    async def work(desk: "OwnerDesk | RemoteDesk") -> "tuple[DrawnUp, Outlook | None]":
        tell_taken_up(await desk.take_up())
        drawn = await desk.doing.factory_state(station, serial, by=by, cannot_wait=cannot_wait)
        outlook = None if drawn.order is None else await outlook_at(desk, drawn.order.id)
        return drawn, outlook

    with desk_at(home, "asleft factory-state") as desk:
        drawn, outlook = run(work(desk))
    tell_notices(desk.notices)
    tell_drawn([drawn], outlook, home, as_json=as_json)
