"""The command that tries the alerts: try-alerts."""

from typing import Annotated

import typer

from asleft.cli.exits import Exit
from asleft.cli.options import HomeOption, JsonOption
from asleft.cli.output import safe, say, say_json, table
from asleft.cli.running import run

__all__ = ["add_to"]


def add_to(app: typer.Typer) -> None:
    """Add the command of this module."""
    app.command("try-alerts", short_help="Send a trial alert, and say whether it got through.")(try_alerts)


def try_alerts(
    home: HomeOption,
    by: Annotated[str, typer.Option("--by", help="Who asks for it: a key in people.yaml.")],
    to: Annotated[
        str,
        typer.Option(
            "--to",
            metavar="RECEIVER",
            help="A person's key, a channel, or 'person by channel'; all if left out.",
        ),
    ] = "",
    *,
    as_json: JsonOption = False,
) -> None:
    """Send a trial alert to everybody who may be told of something, by the way that an alarm goes.

    It says that nothing is wrong. 'Delivered' means that the channel took it; whether somebody saw it, they must say.
    """
    from asleft.daemon.local.alert_calls import try_at  # noqa: PLC0415 keeps --help quick
    from asleft.daemon.local.client import listens, socket_of  # noqa: PLC0415 as above
    from asleft.daemon.local.protocol import NoAnswer  # noqa: PLC0415 as above

    path = socket_of(home)
    if not listens(path):
        raise NoAnswer(
            "no agent runs here, and nobody else sends alerts", where=str(home), todo="start it: asleft run"
        )
    tried = run(try_at(path, by=by, to=to))
    if as_json:
        say_json(
            "try-alerts",
            tried=[
                {
                    "receiver": one.receiver,
                    "delivered": one.delivered,
                    "waits": one.waits,
                    "why": one.why or None,
                }
                for one in tried
            ],
        )
    else:
        say(*table([(safe(one.receiver), _fate(one.delivered, one.waits), safe(one.why)) for one in tried]))
    if not all(one.delivered for one in tried):
        raise typer.Exit(Exit.UNAVAILABLE)


def _fate(delivered: bool, waits: bool) -> str:  # noqa: FBT001 the two make one word
    if delivered:
        return "delivered"
    return "not yet, is tried again" if waits else "given up"
