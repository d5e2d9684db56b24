"""The asleft command: its sub-commands, and what becomes of errors."""

import sys
from collections.abc import Sequence
from importlib import import_module
from typing import Annotated, Final

import typer

from asleft import __version__
from asleft.cli.exits import EPILOG, Exit, exit_for
from asleft.cli.output import complain, finish, note, prepare, safe, say
from asleft.domain.errors import AsleftError

__all__ = ["app", "main", "open_rooms"]

app = typer.Typer(
    name="asleft",
    epilog=EPILOG,
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,  # its help costs 150 ms of loading and looks like every other program
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _say_version(asked: bool) -> None:  # noqa: FBT001 typer gives it by position
    if asked:
        say(f"asleft {__version__}")
        raise typer.Exit


@app.callback()
def _asleft(
    *,
    _version: Annotated[
        bool,
        typer.Option(
            "--version", is_eager=True, callback=_say_version, help="Say which asleft this is, and end."
        ),
    ] = False,
) -> None:
    """Keep stage monitor stations as they were approved: git says as left, the wire says as found, a person decides."""


_ROOMS: Final = {
    "stage": ("demo", "simulate"),
    "starts": ("new", "schema"),
    "homes": ("init", "why"),
    "evidence": ("history", "state", "who", "account"),
    "checks": ("check", "rules"),
    "effect": ("effect",),
    "baseline": ("baseline",),
    "addresses": ("addresses",),
    "signals": ("patch", "streams"),
    "recorder": ("recording",),
    "hearing": ("hearing",),
    "agenda": ("agenda",),
    "trying": ("try-alerts",),
    "rounds": ("round", "drifts", "station"),
    "commission": ("find", "capture"),
    "orders": ("restore", "set-up", "undo", "orders"),
    "confirming": ("confirm", "stop"),
    "settling": ("withdraw", "looked-at"),
    "lending": ("lend", "lent", "give-back"),
    "acts": ("identify", "clear-errors", "factory-state"),
    "proposals": ("adopt", "concede", "exchange", "enrol", "proposals"),
    "people": ("people",),
    "service": ("run",),
    "settings": ("settings",),
    "alarms": ("alarms", "acknowledge", "shelve", "unshelve", "out-of-service", "in-service"),
    "figures": ("figures",),
    "proof": ("prove", "export"),
    "papers": ("handover", "visit", "labels"),
}
"""The modules of commands, in the order of the help, and the commands that each of them adds."""
_opened: set[str] = set()


def open_rooms(asked: Sequence[str]) -> None:
    """Load the module of the command that is asked for, or all of them where it is none: each costs a few milliseconds."""
    command = next((word for word in asked if not word.startswith("-")), "")
    wanted = [room for room, commands in _ROOMS.items() if command in commands] or [*_ROOMS]
    for room in wanted:
        if room not in _opened:
            _opened.add(room)
            import_module(f"asleft.cli.{room}").add_to(app)


_INTERRUPTED = "asleft: interrupted; what was begun is finished, put back, or settled at the next start"


def main() -> None:
    """Run the command line; whatever happens is told in a sentence and an exit code, never as a traceback."""
    prepare()
    open_rooms(sys.argv[1:])
    try:
        try:
            app()
        finally:
            finish()
    except AsleftError as error:
        complain(error)
        sys.exit(exit_for(error))
    except BaseExceptionGroup as group:
        told = [error for error in _leaves(group) if isinstance(error, AsleftError)]
        if not told:
            _bug(group)
        complain(told[0])
        sys.exit(exit_for(told[0]))
    except KeyboardInterrupt:
        note(_INTERRUPTED)
        sys.exit(Exit.INTERRUPTED)
    except SystemExit as end:
        # typer turns an interrupt into this code and says nothing.
        if end.code == Exit.INTERRUPTED:
            note(_INTERRUPTED)
        raise
    except Exception as error:  # noqa: BLE001 the last place where a bug can be told in a sentence
        _bug(error)


def _leaves(group: BaseExceptionGroup[BaseException]) -> list[BaseException]:
    found: list[BaseException] = []
    for error in group.exceptions:
        found.extend(_leaves(error) if isinstance(error, BaseExceptionGroup) else [error])
    return found


def _bug(error: BaseException) -> None:
    trace = error.__traceback__
    while trace is not None and trace.tb_next is not None:
        trace = trace.tb_next
    place = f"{trace.tb_frame.f_code.co_filename}:{trace.tb_lineno}" if trace else "an unknown place"
    note(
        f"asleft: unexpected failure, a bug of asleft: {type(error).__name__}: {safe(error)}",
        f"        at {place}; please report it",
    )
    sys.exit(Exit.BUG)


if __name__ == "__main__":
    main()
