"""The demo: the whole job on the example estate, with real sockets and real git; told, or to be followed on the page."""

import shutil
import signal
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from asleft.cli.orders import tell_end, tell_order
from asleft.cli.output import note, paint, say
from asleft.cli.rounds import tell_round
from asleft.cli.running import run
from asleft.cli.stage import write_ready_file
from asleft.daemon.assembly import make_home, now, open_desk, own_desk
from asleft.daemon.review import load_estate
from asleft.domain.errors import AsleftError
from asleft.domain.estate import Estate
from asleft.domain.names import plural
from asleft.simulator.fleet import Fleet, FleetThread, can_use_loopback_range
from asleft.source.example import plant_example

__all__ = ["run_demo"]

RESTORED = "quillfen-hall/drums"
CONFIRMER, SECOND = "wren-halloway", "idris-quill"
RISE = "quillfen-hall/bass"
"""To bring its limiter back makes it louder, which takes two people."""
_MEDDLING = (
    (RESTORED, "panel.menus", "open", "someone opens the menus of the drummer's station"),
    (RESTORED, "headphones.gain", "+12 dB", "and raises its headphone gain range"),
    (
        "quillfen-hall/keys-left",
        "network.address",
        "127.20.1.45/24",
        "the keyboard station gets another address",
    ),
    (RISE, "headphones.limiter-level", "-20 dB", "the bass player's limiter is turned down"),
    ("tarnwick-yard/lead-voice", "outputs.line", "local input", "a line pair is repatched"),
)
_EXCHANGED = ("brackle-chapel/cantor", "QS41-9001", "a unit is exchanged for a spare in factory state")
_SWITCHED_OFF = ("tarnwick-yard/trumpet", "and one station is switched off")


def run_demo(home: Path | None, *, once: bool) -> None:
    """Tell the story and end; or have an agent serve the page, and lead through it until Ctrl-C.

    Args:
        home: Folder of the home; a temporary one, removed at the end, where none is named.
        once: End when the story is told.
    """
    if not once:
        _lead(home)
        return
    signal.signal(signal.SIGTERM, _ended)
    with _folder(home) as folder, _stations(folder, {}) as (fleet, estate):
        _first_round(folder, estate)
        _meddle(fleet)
        _restore(folder)
        _records(folder)


def _lead(home: Path | None) -> None:
    from asleft.cli.touring import an_agent, ends_at_a_signal, page_settings, tour  # noqa: PLC0415 not for --once

    ends_at_a_signal()
    settings = page_settings()
    try:
        with (
            _folder(home) as folder,
            _stations(folder, settings) as (fleet, estate),
            an_agent(folder),
        ):
            tour(
                folder,
                settings["pages_url"],
                estate,
                meddle=lambda: _meddle(fleet),
                people=(CONFIRMER, SECOND),
                suggested=(RESTORED, RISE),
            )
    except KeyboardInterrupt:
        say("", "The agent has ended, and the stations are switched off.")


def _ended(*_: object) -> None:
    """Take the end of the process as Ctrl-C, so that the stations are switched off and the folder is removed."""
    raise KeyboardInterrupt


@contextmanager
def _folder(home: Path | None) -> Iterator[Path]:
    if home is not None:
        yield home
        return
    folder = Path(tempfile.mkdtemp(prefix="asleft-demo-"))
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@contextmanager
def _stations(folder: Path, settings: Mapping[str, str]) -> Iterator[tuple[FleetThread, Estate]]:
    """Make the home and have its stations listen: at addresses of their own where the system has them."""
    own_addresses = can_use_loopback_range()
    repository, ready_file = folder / "estate", folder / "stations.json"
    given = {
        "baseline": str(repository.resolve()),
        "stand_ins": None if own_addresses else str(ready_file.resolve()),
        **settings,
    }
    make_home(folder, given, prepare=lambda _: plant_example(repository, port=None, when=now()))
    estate = load_estate(repository).at(now())
    if not own_addresses:
        note(
            "asleft: this system does not answer on all of 127/8: stations stand on 127.0.0.1 and cannot move"
        )
    fleet = FleetThread(Fleet.from_estate(estate, ports_only=not own_addresses))
    try:
        running = fleet.__enter__()
    except AsleftError as problem:
        raise AsleftError(
            problem.what, where=problem.where, todo="end the other demo, or whatever listens there"
        ) from problem
    try:
        write_ready_file(ready_file, fleet.fleet, estate)
        yield running, estate
    finally:
        fleet.__exit__(None, None, None)


def _chapter(title: str) -> None:
    say("", paint(title, "strong"))


def _first_round(folder: Path, estate: Estate) -> None:
    _chapter("1. The baseline says as left, the stations say as found")
    say(
        f"{estate.name}: {len(estate.stations)} stations at {len(estate.sites)} sites, simulated, speaking AES70 (OCP.1)."
    )
    with own_desk(folder, "asleft demo") as desk:
        tell_round(run(desk.round()))


def _meddle(fleet: FleetThread) -> None:
    _chapter("2. What happens on site")
    for name, setting, value, words in _MEDDLING:
        if setting == "network.address" and not can_use_loopback_range():
            continue
        fleet.call(fleet.fleet.station(name).meddle, setting, value)
        say(f"  {name}: {words}")
    name, serial, words = _EXCHANGED
    fleet.call(lambda: fleet.fleet.exchange(name, serial=serial))
    say(f"  {name}: {words}")
    name, words = _SWITCHED_OFF
    fleet.call(fleet.fleet.station(name).switch_off)
    say(f"  {name}: {words}")


def _restore(folder: Path) -> None:
    with own_desk(folder, "asleft demo") as desk:
        _chapter("3. The next round tells it in plain words")
        tell_round(run(desk.round()))
        _chapter("4. A restore order is drawn up, and a named person confirms it")
        (drawn,) = run(desk.restore([RESTORED]))
        if drawn.order is None:
            raise AsleftError(f"no order was drawn up for {RESTORED}: {drawn.why_not}")
        tell_order(drawn.order, folder)
        order = drawn.order.order
        accepted = [hazard.id for hazard in order.hazards]
        say(f"{CONFIRMER} ticks {plural(len(accepted), 'hazard')} and confirms:")
        tell_end(run(desk.confirm(order.id, by=CONFIRMER, reason="put back before doors", accepted=accepted)))


def _records(folder: Path) -> None:
    _chapter("5. What an auditor reads")
    with open_desk(folder) as desk:
        for entry in reversed(desk.history(RESTORED)):
            say(f"  {entry.commit[:10]}  {entry.subject}")
            said = dict(entry.trailers)
            if "Confirmed-By" in said:
                say(f"              confirmed by {said['Confirmed-By']}: {said['Reason']}")
