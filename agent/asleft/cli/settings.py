"""The command that tells the agent's own settings: settings."""

import os

import typer

from asleft.cli.exits import Exit
from asleft.cli.options import HomeOption, JsonOption
from asleft.cli.output import note, paint, safe, say, say_json, table

__all__ = ["add_to"]


def add_to(app: typer.Typer) -> None:
    """Add the command of this module."""
    app.command(short_help="What the agent is set to, and where each setting comes from.")(settings)


def settings(home: HomeOption, *, as_json: JsonOption = False) -> None:
    """Say every setting of a home, where it comes from, and whether a reload takes it; secrets are never shown."""
    from asleft.daemon.settings.listing import list_settings  # noqa: PLC0415 as above
    from asleft.daemon.settings.settings import BadSettings  # noqa: PLC0415 keeps --help quick

    try:
        listed = list_settings(home, environment=os.environ)
    except BadSettings as wrong:
        for problem in wrong.problems:
            place = problem.where if problem.line else problem.file
            note(f"asleft: {safe(place)}: {safe(problem.what)}", f"        {safe(problem.fix)}")
        raise typer.Exit(Exit.INVALID) from wrong
    if as_json:
        say_json(
            "settings",
            settings=[
                {
                    "key": one.key,
                    "value": one.value,
                    "origin": one.origin,
                    "reload": one.reload,
                    "meaning": one.meaning,
                }
                for one in listed.settings
            ],
            credentials=[{"name": name, "file": str(file)} for name, file in listed.credentials.items()],
        )
        return
    say(
        *table(
            [
                (one.key, one.value, one.origin, "" if one.reload else "at the next start")
                for one in listed.settings
            ]
        )
    )
    for name, file in listed.credentials.items():
        say(f"{paint('credential', 'dim')} {name}  {safe(file)}")
