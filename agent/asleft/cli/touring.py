"""The demo on the page: an agent beside the simulated stations, two people's first links, and a tour to follow in a browser."""

import os
import select
import shlex
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Final

from asleft.cli.order_text import tell_end
from asleft.cli.output import finish, paint, safe, say
from asleft.cli.rounds import tell_round
from asleft.cli.running import run
from asleft.cli.through import desk_at
from asleft.daemon.assembly import open_desk
from asleft.daemon.local.client import socket_of
from asleft.daemon.local.people_calls import RemotePeople
from asleft.domain.errors import AsleftError
from asleft.domain.orders import ENDS

if TYPE_CHECKING:
    from asleft.domain.estate import Estate
    from asleft.work.answers import Desk

__all__ = ["an_agent", "ends_at_a_signal", "page_settings", "tour"]

_USUAL_PORT: Final = 9480
_START_SECONDS: Final = 60.0
_END_SECONDS: Final = 4.2
"""Longer than an agent takes to put in order what it was at, and less than five seconds with all that is left to do."""
_LOOK_EVERY: Final = 0.3
_FEW: Final = 20


def page_settings() -> Mapping[str, str]:
    """Give what the settings of the demo's home say of its agent: the page on loopback, at another port where the usual one is taken."""
    port = _free(_USUAL_PORT) or _free(0)
    return {
        "pages_listen": f"127.0.0.1:{port}",
        # By this name browsers let people have passkeys (Secure Contexts §3.1), as they do not at a number.
        "pages_url": f"http://localhost:{port}",
        "metrics_listen": "off",
        "round_interval": "20s",
        "round_jitter": "1s",
        "log_format": "console",
    }


def _free(port: int) -> int:
    """Give a port on which nobody listens; 0 where somebody listens on the one that is wanted."""
    try:
        with socket.create_server(("127.0.0.1", port)) as probe:
            return int(probe.getsockname()[1])
    except OSError:
        return 0


def ends_at_a_signal() -> None:
    """Take Ctrl-C, the end of the process and of the terminal as the end of the demo, once: it then puts all in order."""
    ends = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)

    def ended(*_: object) -> None:
        for number in ends:
            signal.signal(number, signal.SIG_IGN)
        raise KeyboardInterrupt

    for number in ends:
        signal.signal(number, ended)


@contextmanager
def an_agent(folder: Path) -> Iterator[None]:
    """Run the agent of a home in a process of its own, until the end of the demo.

    Raises:
        AsleftError: It does not start.
    """
    log, ready = folder / "agent.log", folder / "agent.ready"
    command = [sys.executable, "-m", "asleft", "run", "--home", str(folder), "--ready-file", str(ready)]
    # What is set for another agent on this computer is not for this one.
    environment = {name: value for name, value in os.environ.items() if not name.startswith("ASLEFT_")}
    with log.open("wb") as said:
        # In a session of its own it hears no Ctrl-C: the demo ends it, before the stations go.
        process = subprocess.Popen(
            command,
            stdin=subprocess.DEVNULL,
            stdout=said,
            stderr=said,
            env=environment,
            start_new_session=True,
        )
        try:
            until = time.monotonic() + _START_SECONDS
            while not ready.exists():
                if process.poll() is not None or time.monotonic() > until:
                    raise AsleftError("the agent did not start", where=str(log), todo=_last_line(log))
                time.sleep(0.05)
            yield
        finally:
            _end(process)


def _last_line(log: Path) -> str:
    lines = log.read_text("utf-8", "replace").splitlines()
    return safe(lines[-1]) if lines else "it said nothing"


def _end(process: "subprocess.Popen[bytes]") -> None:
    process.terminate()
    try:
        process.wait(_END_SECONDS)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def tour(
    folder: Path,
    url: str,
    estate: "Estate",
    *,
    meddle: Callable[[], None],
    people: tuple[str, str],
    suggested: tuple[str, str],
) -> None:
    """Lead through the job on the page, until a signal; what comes of orders there is told here, too.

    Args:
        folder: The home, whose agent runs.
        url: Address of the page.
        estate: Its estate.
        meddle: Has things happen at the stations, and tells what.
        people: Keys of two people who may confirm.
        suggested: The station whose restoring is suggested to one person, and the one that takes both.
    """
    first, second = (estate.people[key].name for key in people)
    enter = _Enter()
    with open_desk(folder) as desk:
        tell_ends = _Ends(desk).tell
        _chapter("1. The baseline says as left, the stations say as found")
        say(
            f"{estate.name}: {len(estate.stations)} stations at {len(estate.sites)} sites, simulated, speaking AES70 (OCP.1)."
        )
        _round(folder)
        _links(folder, url, people, (first, second))
        enter.wait("Press Enter here, and somebody is at the stations.", tell_ends)
        meddle()
        say("The pages of these stations show it at once; what still stands after 5 s is an alarm, on Now.")
        enter.wait("Press Enter here for the next round.", tell_ends)
        _chapter("3. The next round tells it in plain words")
        _round(folder)
        _chapter("4. Restore orders are drawn up, confirmed and followed on the page")
        say(
            f"  {suggested[0]}: open it from Now, choose Restore, tick what can go wrong, say why, confirm.",
            f"  {suggested[1]}: to bring it back makes it louder, so that {second} confirms it after {first}.",
            "What comes of an order is told here, too, and an auditor finds it under History.",
        )
        _commands(folder)
        enter.forever(tell_ends)


def _chapter(title: str) -> None:
    say("", paint(title, "strong"))


def _round(folder: Path) -> None:
    with desk_at(folder, "asleft demo") as desk:
        tell_round(run(desk.round()))


def _links(folder: Path, url: str, people: tuple[str, str], names: tuple[str, str]) -> None:
    """Print the page's address, and a link for each of two people: each on a line of its own, to be copied as it is."""
    asked = RemotePeople(socket_of(folder))
    first, second = (run(asked.make_link(key)).path for key in people)
    _chapter("The page, which the agent serves on this computer only")
    say(
        url,
        f"{names[0]} signs in here. The link works once: choose any password of 12 characters or more.",
        f"{url}{first}",
        f"{names[1]}, for what takes two people, signs in here, in the same browser or another:",
        # Browsers keep cookies by the name of a host: the two do not sign each other out.
        f"{url.replace('localhost', '127.0.0.1')}{second}",
    )


class _Ends:
    """Tells what came of orders since it was last asked.

    Args:
        desk: Knows the orders.
    """

    def __init__(self, desk: "Desk") -> None:
        self._desk = desk
        self._told: set[str] = set()

    def tell(self) -> None:
        """Tell it."""
        for kept in reversed(self._desk.order_page(_FEW, states=ENDS)):
            if kept.id not in self._told:
                self._told.add(kept.id)
                say("")
                tell_end(kept)
                finish()


class _Enter:
    """Waits for the reader, who presses Enter to go on; where nobody can, nothing waits."""

    def __init__(self) -> None:
        self._lines = 0
        self._over = not _can_be_asked()

    def wait(self, words: str, meanwhile: Callable[[], None]) -> None:
        """Say what Enter does, and wait for it."""
        if not self._over:
            say("", paint(words, "strong"))
        finish()
        while not self._lines and not self._over:
            self._take()
            meanwhile()
        self._lines = max(0, self._lines - 1)

    def forever(self, meanwhile: Callable[[], None]) -> None:
        """Wait until a signal ends the demo."""
        finish()
        while True:
            meanwhile()
            time.sleep(_LOOK_EVERY)

    def _take(self) -> None:
        if select.select([sys.stdin], [], [], _LOOK_EVERY)[0]:
            piece = os.read(sys.stdin.fileno(), 4096)
            self._over = not piece
            self._lines += piece.count(b"\n")


def _can_be_asked() -> bool:
    """Tell whether stdin is there; a process in the background that reads from its terminal would be stopped."""
    try:
        return not os.isatty(sys.stdin.fileno()) or os.tcgetpgrp(sys.stdin.fileno()) == os.getpgrp()
    except (OSError, ValueError, AttributeError):
        return False


def _commands(folder: Path) -> None:
    home = shlex.quote(str(folder))
    _chapter("The agent and the stations stay up until Ctrl-C. In another terminal:")
    if shutil.which("asleft") is None:
        # Run from a virtual environment that is not active, as README does it.
        say(f"  export PATH={shlex.quote(str(Path(sys.argv[0]).resolve().parent))}:$PATH")
    say(
        f"  export ASLEFT_HOME={home}",
        "  asleft drifts",
        "  asleft alarms",
        "  asleft station tarnwick-yard/lead-voice",
        "  asleft why quillfen-hall/lead-voice panel.key-dim",
        "  asleft restore tarnwick-yard/lead-voice quillfen-hall/keys-left",
        "  asleft history",
        f"  git -C {home}/records log -p",
    )
