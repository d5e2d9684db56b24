"""Commands about a home and its baseline: init, why."""

from pathlib import Path
from typing import Annotated

import typer

from asleft.cli.checks import tell_problems
from asleft.cli.options import HomeOption, JsonOption
from asleft.cli.output import paint, safe, say, say_json, table
from asleft.cli.rounds import tell_notices

__all__ = ["add_to"]


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command(short_help="Make a home: clone the baseline, begin the records.")(init)
    app.command(short_help="Say where an approved value comes from.")(why)


def init(
    home: HomeOption,
    baseline: Annotated[str, typer.Option(help="URL or path of the baseline repository.")],
    branch: Annotated[
        str | None, typer.Option(help="Branch to follow; the repository's own choice otherwise.")
    ] = None,
    folder: Annotated[str, typer.Option(help="Folder inside the repository that holds estate.yaml.")] = "",
    signing_key: Annotated[
        Path | None, typer.Option(help="SSH key with which the agent signs its records.")
    ] = None,
) -> None:
    """Make a home: clone the baseline, begin the records, check what is in force."""
    from asleft.daemon.assembly import make_home  # noqa: PLC0415 keeps --help quick

    checked = make_home(
        home,
        {
            "baseline": str(Path(baseline).resolve()) if Path(baseline).is_dir() else baseline,
            "branch": branch,
            "folder": folder or None,
            "signing_key": str(signing_key.resolve()) if signing_key else None,
        },
    )
    tell_problems(checked.problems)
    tell_notices(checked.notices)
    stations = len(checked.estate.stations) if checked.estate else 0
    say(
        f"A home at {home}: {stations} stations of {safe(checked.estate.name if checked.estate else '')}, baseline {checked.revision.commit[:10]}."
    )
    say(f"Next: asleft round --home {home}")


def why(
    station: Annotated[str, typer.Argument(help="Station, as site/station.")],
    setting: Annotated[str, typer.Argument(help="Setting, as headphones.gain.")],
    home: HomeOption,
    *,
    as_json: JsonOption = False,
) -> None:
    """Say which layers named a setting, who last touched each line, and which one won."""
    from asleft.daemon.assembly import open_desk  # noqa: PLC0415 keeps --help quick

    with open_desk(home) as desk:
        view = desk.why(station, setting)
    if as_json:
        say_json(
            "why",
            station=view.station,
            setting=view.setting,
            meaning=view.meaning,
            allowed=view.allowed,
            value=view.value,
            layers=[
                {
                    "layer": named.origin.layer,
                    "text": named.text,
                    "file": named.origin.file,
                    "line": named.origin.line,
                    "commit": named.touch.commit,
                    "author": named.touch.author,
                    "at": named.touch.at,
                    "subject": named.touch.subject,
                    "won": named.won,
                }
                for named in view.names
            ],
        )
        return
    say(
        f"{view.station}: {view.meaning} ({view.setting}) is approved as {paint(safe(view.value or 'nothing'), 'strong')}"
    )
    if not view.names:
        say("No layer names it; asleft leaves it alone.", f"Allowed: {safe(view.allowed)}")
        return
    rows = [
        (
            "won" if named.won else "",
            named.origin.layer,
            "null" if named.text is None else named.text,
            str(named.origin),
            f"{named.touch.commit[:10]} {named.touch.author}, {named.touch.at:%Y-%m-%d}: {named.touch.subject}",
        )
        for named in view.names
    ]
    say(*table([("", "layer", "says", "where", "commit"), *rows], indent="  "))
