"""A command on a terminal of its own: what it shows there, and the keys that a person presses."""

import os
import pty
import re
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final, Self

__all__ = ["LIMIT", "Terminal", "on_a_terminal"]

LIMIT: Final = 60.0
"""Seconds after which something that should have happened counts as never happening."""
_MOVES: Final = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")
"""Control sequences (ECMA-48 section 5.4)."""
_CTRL_C: Final = b"\x03"
_TAKE: Final = (
    "import fcntl, os, sys, termios; fcntl.ioctl(0, termios.TIOCSCTTY, 0);"
    " os.execv(sys.executable, [sys.executable, '-m', 'asleft', *sys.argv[1:]])"
)
"""Makes the terminal the one whose Ctrl-C reaches the command (tty_ioctl(4)), then becomes the command."""


class Terminal:
    """A pseudo-terminal (pty(7)) with a command on it.

    Args:
        words: What stands after `asleft`.
    """

    def __init__(self, *words: str) -> None:
        self._master, slave = pty.openpty()
        self._shown = b""
        self._told = threading.Condition()
        self._over = False
        self.process = subprocess.Popen(
            [sys.executable, "-c", _TAKE, *words],
            env={**os.environ, "TERM": "xterm", "COLUMNS": "200"},
            stdin=slave,
            stdout=slave,
            stderr=slave,
            start_new_session=True,
        )
        os.close(slave)
        self._reader = threading.Thread(target=self._read)
        self._reader.start()

    def _read(self) -> None:
        while True:
            try:
                data = os.read(self._master, 65536)
            except OSError:  # EIO: nobody has the other end any more
                data = b""
            with self._told:
                self._shown += data
                self._over = not data
                self._told.notify_all()
            if not data:
                return

    @property
    def shown(self) -> str:
        """All that it has shown so far, without colours and moves; what was drawn anew again and again stands once."""
        with self._told:
            text = self._shown.decode("utf-8", "replace")
        lines = _MOVES.sub("", text).replace("\r", "\n").split("\n")
        return "\n".join(line for line, before in zip(lines, ["", *lines], strict=False) if line != before)

    def shows(self, text: str) -> Self:
        """Wait until it has shown a text."""
        with self._told:
            self._told.wait_for(lambda: text.encode() in self._shown or self._over, LIMIT)
        assert text in self.shown, self.shown
        return self

    def press_ctrl_c(self) -> None:
        """Press it."""
        os.write(self._master, _CTRL_C)

    def ends(self) -> int:
        """Wait until the command ends, and give its exit code."""
        code = self.process.wait(LIMIT)
        self._reader.join(LIMIT)
        return code

    def close(self) -> None:
        """End the command where it still runs."""
        if self.process.poll() is None:
            self.process.kill()
        self.ends()
        os.close(self._master)


@contextmanager
def on_a_terminal(*words: object) -> Iterator[Terminal]:
    """Run a command on a terminal meanwhile."""
    terminal = Terminal(*map(str, words))
    try:
        yield terminal
    finally:
        terminal.close()
