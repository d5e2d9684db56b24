"""Commands about loans: lend, lent, give-back."""

from collections.abc import Sequence
from datetime import timedelta
from typing import TYPE_CHECKING, Annotated

import typer

from asleft.cli.exits import Exit
from asleft.cli.options import HomeOption, JsonOption
from asleft.cli.order_text import order_json, tell_end, tell_order
from asleft.cli.output import clock_time, note, paint, safe, say, say_json, table
from asleft.cli.rounds import tell_notices, tell_taken_up
from asleft.cli.running import run
from asleft.cli.through import desk_at

if TYPE_CHECKING:
    from asleft.daemon.local.calls import RemoteDesk
    from asleft.domain.loans import Loan
    from asleft.ports.orders import KeptOrder
    from asleft.work.desk import OwnerDesk
    from asleft.work.handing import Handed

__all__ = ["add_to", "loan_json", "tell_lent", "tell_loans"]

_WAITING = "drawn up"
StationArgument = Annotated[str, typer.Argument(metavar="SITE/STATION", help="Station, as site/station.")]
ReasonOption = Annotated[str, typer.Option("--reason", help="Why, in a few words.")]


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command(short_help="Change a setting for a stated time.")(lend)
    app.command(short_help="Say what is lent now, to whom and until when.")(lent)
    app.command("give-back", short_help="Give back what is lent, before its time.")(give_back)


def lend(
    station: StationArgument,
    setting: Annotated[
        str, typer.Argument(metavar="SETTING", help="Dotted name, as service.remote-session.")
    ],
    value: Annotated[str, typer.Argument(metavar="VALUE", help="Its value meanwhile.")],
    home: HomeOption,
    lasting: Annotated[
        str, typer.Option("--for", metavar="TIME", help="For how long: '45 min', '2 h', '3 d'.")
    ],
    by: Annotated[str, typer.Option("--by", help="To whom it is lent: a key in people.yaml.")],
    reason: ReasonOption,
    *,
    as_json: JsonOption = False,
) -> None:
    """Draw up the order that changes a setting for a stated time; who confirms it agrees with its end, too.

    When the time is over the agent sets it back. Meanwhile it is no drift, and every list shows it with its end.
    """
    time = _time(lasting)
    with desk_at(home, "asleft lend") as desk:
        kept = run(_lend(desk, station, setting, value, time, by, reason))
    tell_notices(desk.notices)
    if as_json:
        say_json("order", station=kept.order.station, ends=kept.order.ends, **order_json(kept))
        return
    tell_order(kept, home)
    if kept.order.ends is not None:
        say(f"It goes back by itself at {clock_time(kept.order.ends)}; confirming it agrees with that, too.")


async def _lend(
    desk: "OwnerDesk | RemoteDesk",
    station: str,
    setting: str,
    value: str,
    time: timedelta,
    by: str,
    reason: str,
) -> "KeptOrder":
    tell_taken_up(await desk.take_up())
    return await desk.lending.lend(station, setting, value, lasting=time, by=by, reason=reason)


def _time(text: str) -> timedelta:
    from pydantic_core import PydanticCustomError  # noqa: PLC0415 keeps --help quick

    from asleft.daemon.settings.durations import parse_duration  # noqa: PLC0415 as above

    try:
        if text.strip().replace(".", "", 1).isdecimal():
            raise typer.BadParameter("write the unit, too: '45 min', '2 h' or '3 d'", param_hint="--for")
        return parse_duration(text)
    except PydanticCustomError as wrong:
        raise typer.BadParameter(safe(wrong), param_hint="--for") from wrong


def tell_lent(kept: "KeptOrder", handed: "Handed | None") -> None:
    """Say what follows from an order that has just opened something for a while; nothing where it has not.

    Args:
        kept: The order as it ended.
        handed: What the station handed over. It is shown here and nowhere else.
    """
    order = kept.order
    if order.purpose != "lend" or kept.state != "restored" or order.ends is None:
        return
    say(
        f"Lent until {clock_time(order.ends)}; it goes back by itself then. To end it before:",
        f"    asleft give-back {order.station} {order.writes[0].setting} --by NAME --reason TEXT",
    )
    if handed is None:
        return
    if handed.texts:
        say(
            "",
            paint("Shown this once, and kept nowhere. Hand it only to whom it is lent:", "strong"),
            *table([(what, safe(text)) for what, text in handed.texts.items()], indent="    "),
        )
    if handed.why_not:
        say(f"Read at the station what is missing: {safe(handed.why_not)}.")


def tell_not_shown(kepts: "Sequence[KeptOrder]") -> None:
    """Say where the secrets are that a document of JSON is not given: programs keep what they read."""
    for kept in kepts:
        order = kept.order
        if order.purpose == "lend" and kept.state == "restored" and order.writes[0].concern == "access":
            note(
                "asleft: an id and a password are shown to a person only, and not with --json:"
                " read them at the station"
            )


def lent(
    home: HomeOption,
    site: Annotated[str | None, typer.Argument(metavar="[SITE]", help="Only this site.")] = None,
    *,
    as_json: JsonOption = False,
) -> None:
    """Say what is lent now, to whom, why and until when; what is overdue first."""
    from asleft.daemon.assembly import open_desk  # noqa: PLC0415 keeps --help quick
    from asleft.domain.kinds import nearest  # noqa: PLC0415 as above
    from asleft.work.ordering import NoStation  # noqa: PLC0415 as above

    with open_desk(home) as desk:
        loans = [loan for loan in desk.loans() if site is None or loan.station.site == site]
        sites = desk.in_force().estate.sites
    if site is not None and site not in sites and not loans:
        raise NoStation(
            f"there is no site '{safe(site)}'", where="the baseline", todo=nearest(site, list(sites))
        )
    if as_json:
        say_json("lent", loans=[loan_json(loan) for loan in loans])
    elif not loans:
        say("Nothing is lent.")
    else:
        tell_loans(loans)
    if any(loan.state == "overdue" for loan in loans):
        raise typer.Exit(Exit.DRIFT)


def loan_json(loan: "Loan") -> dict[str, object]:
    """Give a loan as JSON holds it."""
    return {
        "order": loan.id,
        "site": loan.station.site,
        "station": loan.station.name,
        "serial": loan.serial,
        "setting": loan.setting,
        "value": loan.shown,
        "before": loan.before,
        "state": loan.state,
        "to": loan.by,
        "reason": loan.reason,
        "confirmed-by": loan.consent,
        "asked": loan.asked,
        "opened": loan.opened,
        "ends": loan.ends,
        "why-not-closed": loan.why or None,
        "tried-again": loan.again,
    }


def tell_loans(loans: "Sequence[Loan]", *, indent: str = "") -> None:
    """Say what is asked for, lent or overdue, a line each."""
    lines = table(
        [
            (
                str(loan.state),
                str(loan.station),
                f"{loan.setting} {loan.shown}",
                f"to {loan.by} until {clock_time(loan.ends)}",
                "; ".join([loan.reason, *([f"not given back: {loan.why}"] if loan.why else [])]),
            )
            for loan in loans
        ],
        indent=indent,
    )
    for loan, line in zip(loans, lines, strict=True):
        say(paint(line, "high") if loan.state == "overdue" else line)


def give_back(
    station: StationArgument,
    home: HomeOption,
    by: Annotated[str, typer.Option("--by", help="Who gives it back: a key in people.yaml.")],
    reason: ReasonOption,
    setting: Annotated[
        str | None,
        typer.Argument(metavar="[SETTING]", help="Dotted name; may be left out where only one is lent."),
    ] = None,
    accept: Annotated[
        list[str] | None, typer.Option(help="A hazard that is taken on; once for each.")
    ] = None,
    *,
    gone: Annotated[
        bool,
        typer.Option("--gone", help="What it was lent on is no longer there; it was closed where it is."),
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Give back what is lent, before its time or after it, as a named person who may confirm."""
    with desk_at(home, "asleft give-back") as desk:
        kept = run(_give_back(desk, station, setting or "", by, reason, accept or [], gone=gone))
    tell_notices(desk.notices)
    if as_json:
        say_json("order", station=kept.order.station, **order_json(kept))
    else:
        tell_end(kept)
        if kept.state == _WAITING:
            say(f"It waits for a second person: asleft confirm {kept.id} --by NAME --reason TEXT")
    if kept.state not in {"restored", _WAITING}:
        raise typer.Exit(Exit.REFUSED)


async def _give_back(
    desk: "OwnerDesk | RemoteDesk",
    station: str,
    setting: str,
    by: str,
    reason: str,
    accepted: Sequence[str],
    *,
    gone: bool,
) -> "KeptOrder":
    tell_taken_up(await desk.take_up())
    return await desk.lending.give_back(station, setting, by=by, reason=reason, accepted=accepted, gone=gone)
