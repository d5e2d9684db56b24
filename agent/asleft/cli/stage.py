"""Commands that bring stations of their own: simulate, demo."""

import json
import signal
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from asleft.cli.output import note, say
from asleft.cli.running import run

if TYPE_CHECKING:
    from asleft.domain.estate import Estate
    from asleft.simulator.fleet import Fleet

__all__ = ["add_to", "write_ready_file"]


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command(short_help="The whole job on the example estate, to be followed on the page.")(demo)
    app.command(short_help="Stations of an estate, simulated until Ctrl-C.")(simulate)


def simulate(
    estate: Annotated[Path, typer.Argument(help="Folder of the estate's git repository.")],
    ready_file: Annotated[Path | None, typer.Option(help="Written when all stations listen.")] = None,
    *,
    ports_only: Annotated[
        bool,
        typer.Option("--ports-only", help="All on 127.0.0.1, each on a port of its own; they cannot move."),
    ] = False,
    announce: Annotated[
        bool, typer.Option("--announce", help="Have them announce themselves (DNS-SD), as real ones do.")
    ] = False,
    interface: Annotated[
        list[str] | None,
        typer.Option(help="Announce on this interface only, by its IPv4 address; may be given again."),
    ] = None,
) -> None:
    """Simulate the stations of an estate, as left, until Ctrl-C."""
    from asleft.daemon.assembly import now  # noqa: PLC0415 keeps --help quick
    from asleft.daemon.review import load_estate  # noqa: PLC0415 keeps --help quick
    from asleft.simulator.fleet import Fleet, can_use_loopback_range  # noqa: PLC0415 as above

    loaded = load_estate(estate).at(now())
    if not ports_only and not can_use_loopback_range():
        note(
            "asleft: this system does not answer on all of 127/8: stations stand on 127.0.0.1 and cannot move"
        )
        ports_only = True
    fleet = Fleet.from_estate(loaded, ports_only=ports_only)
    run(_simulate(fleet, loaded, ready_file, (interface or ()) if announce else None))


async def _simulate(
    fleet: "Fleet", estate: "Estate", ready_file: Path | None, interfaces: Sequence[str] | None
) -> None:
    """Have stations stand until a signal; they announce themselves on interfaces, all where none is named, none at None."""
    import asyncio  # noqa: PLC0415 keeps --help quick
    from contextlib import AsyncExitStack  # noqa: PLC0415 as above

    loop = asyncio.get_running_loop()
    ended = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, ended.set)
    async with AsyncExitStack() as stack:
        await fleet.start()
        stack.push_async_callback(fleet.stop)
        if interfaces is not None:
            from asleft.simulator.announcing import Announcing  # noqa: PLC0415 as above

            await stack.enter_async_context(Announcing(fleet, interfaces))
        if ready_file:
            write_ready_file(ready_file, fleet, estate)
        say(f"{len(fleet.whereabouts())} stations listen; Ctrl-C ends them.")
        await ended.wait()


def write_ready_file(file: Path, fleet: "Fleet", estate: "Estate") -> None:
    """Write where every station listens, whole or not at all."""
    approved = {(station.site, station.name): as_left.address for station, as_left in estate.stations.items()}
    rows = [
        {**row, "approved-address": approved[str(row["site"]), str(row["station"])]}
        for row in fleet.whereabouts()
    ]
    part = file.with_name(f".{file.name}.part")
    part.write_text(json.dumps(rows, indent=2) + "\n", "utf-8")
    part.rename(file)


def demo(
    home: Annotated[
        Path | None, typer.Option("--home", help="Folder for the demo's home; a new temporary one otherwise.")
    ] = None,
    *,
    once: Annotated[bool, typer.Option("--once", help="Tell the story without a page, and end.")] = False,
) -> None:
    """Run the example estate: stations are simulated, meddled with and read, and an agent serves the page; Ctrl-C ends it all."""
    from asleft.cli.demo import run_demo  # noqa: PLC0415 keeps --help quick

    run_demo(home, once=once)
