"""Secrets that the agent is given: files beside the settings, never the settings themselves."""

import os
import stat
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Final

from asleft.domain.errors import AsleftError
from asleft.domain.names import NAME_RULE, harmless, is_name

__all__ = ["HOOK_SECRET", "BadCredential", "Credentials"]

HOOK_SECRET: Final = "hook-secret"  # noqa: S105 its name, not the secret
"""Name of the credential that signs calls to /hooks/baseline; without it there is no such page."""
_MOST_BYTES: Final = 64 * 1024
_OTHERS: Final = stat.S_IRWXG | stat.S_IRWXO


class BadCredential(AsleftError):
    """A credential is missing or cannot be used."""


class Credentials:
    """Reads secrets by name: from where systemd puts them, else from the folder `credentials` in the home.

    Args:
        home: The home folder.
        environment: Where `CREDENTIALS_DIRECTORY` may stand (systemd.exec(5), LoadCredential=).
        learned: Called with every secret that is read, so that logs can hide it.
    """

    def __init__(
        self, home: Path, *, environment: Mapping[str, str], learned: Callable[[str], None] | None = None
    ) -> None:
        given = environment.get("CREDENTIALS_DIRECTORY")
        self._folders: list[tuple[Path, bool]] = [(Path(given), False)] if given else []
        self._folders.append((home / "credentials", True))
        self._learned = learned

    def find(self, name: str) -> str | None:
        """Give a secret, without the line feed at its end; None where nobody gave one.

        Raises:
            BadCredential: The name is none, or the file is empty, too large, no text, or open to others.
        """
        if not is_name(name):
            raise BadCredential(f"'{harmless(name)}' is no name of a credential", todo=NAME_RULE)
        for folder, ours in self._folders:
            file = folder / name
            try:
                handle = os.open(file, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
            except FileNotFoundError:
                continue
            except OSError as wrong:
                raise BadCredential(
                    f"the credential cannot be read: {wrong.strerror}",
                    where=str(file),
                    todo="make it a plain file of the agent's own account",
                ) from wrong
            try:
                about = os.fstat(handle)
                data = os.read(handle, _MOST_BYTES + 1) if stat.S_ISREG(about.st_mode) else b""
            finally:
                os.close(handle)
            return self._checked(file, about, data, ours=ours)
        return None

    def secret(self, name: str) -> str:
        """Give a secret that has to be there.

        Raises:
            BadCredential: It is not there, or as for `find`.
        """
        found = self.find(name)
        if found is None:
            raise BadCredential(
                f"there is no credential '{name}'",
                where=" or ".join(str(folder / name) for folder, _ in self._folders),
                todo="write it there, readable by the agent's account only (chmod 600), or use LoadCredential= of systemd",
            )
        return found

    def names(self) -> dict[str, Path]:
        """Give the name of every credential that is there, and its file; none is opened."""
        found: dict[str, Path] = {}
        for folder, _ in self._folders:
            if folder.is_dir() and os.access(folder, os.R_OK | os.X_OK):
                for file in sorted(folder.iterdir()):
                    if is_name(file.name):
                        found.setdefault(file.name, file)
        return dict(sorted(found.items()))

    def _checked(self, file: Path, about: os.stat_result, data: bytes, *, ours: bool) -> str:
        wrong = ""
        todo = "write the secret into it, one line of UTF-8 text"
        if not stat.S_ISREG(about.st_mode):
            wrong = "it is no plain file"
        elif ours and about.st_mode & _OTHERS:
            # systemd looks after its own folder, and gives groups what they need there by access lists.
            wrong, todo = f"others may use it (mode {about.st_mode & 0o777:04o})", f"chmod 600 {file}"
        elif len(data) > _MOST_BYTES:
            wrong = f"it is larger than {_MOST_BYTES // 1024} KiB"
        if not wrong:
            try:
                text = data.decode("utf-8").removesuffix("\n").removesuffix("\r")
            except UnicodeDecodeError:
                wrong = "it is no UTF-8 text"
            else:
                if text:
                    if self._learned is not None:
                        self._learned(text)
                    return text
                wrong = "it is empty"
        raise BadCredential(f"the credential cannot be used: {wrong}", where=str(file), todo=todo)
