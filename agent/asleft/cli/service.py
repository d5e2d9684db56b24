"""The command that the service manager starts: run."""

import os
import signal
from pathlib import Path
from typing import Annotated

import typer

from asleft.cli.options import HomeOption
from asleft.cli.output import finish, note

__all__ = ["add_to"]


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command("run", short_help="The agent at work, until it is told to end; what systemd starts.")(
        run_agent
    )


def run_agent(
    home: HomeOption,
    ready_file: Annotated[
        Path | None, typer.Option("--ready-file", help="Written when the agent is ready.")
    ] = None,
) -> None:
    """Run the agent: rounds, fetches, alarms, alerts. SIGTERM or Ctrl-C ends it, SIGHUP has the settings read again."""
    import asyncio  # noqa: PLC0415 keeps --help quick

    from asleft.daemon.agent.loops import loop_in  # noqa: PLC0415 keeps --help quick
    from asleft.daemon.agent.serving import serve  # noqa: PLC0415 keeps --help quick

    # A reload that is asked for before the agent listens for it must not end it; the settings are read anyway.
    signal.signal(signal.SIGHUP, signal.SIG_IGN)
    environment = dict(os.environ)
    for name in ("NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID"):
        os.environ.pop(
            name, None
        )  # git and ssh are not to speak for the agent (sd_notify(3), unset_environment)
    runner = asyncio.Runner(loop_factory=loop_in(home.resolve()))
    left: list[str] = []
    try:
        left = runner.run(
            serve(home.resolve(), environment=environment, ready=lambda: _say_ready(ready_file))
        )
    finally:
        if not left:
            runner.close()
    if left:
        # What does not end is left to the next start, which settles it: the ledger says what was meant.
        note("asleft: ended without waiting for what would not end")
        finish()
        os._exit(0)


def _say_ready(file: Path | None) -> None:
    if file is not None:
        part = file.with_name(f".{file.name}.part")
        part.write_text(f"{os.getpid()}\n", "utf-8")
        part.rename(file)
