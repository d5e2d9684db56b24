"""The records' copy at a remote: pushed without force, so that what was pushed stays there."""

import re
from pathlib import Path
from typing import Final

import git

from asleft.domain.errors import AsleftError
from asleft.domain.names import harmless
from asleft.records.door import SETTINGS, environment, last_line

__all__ = ["REFUSED", "REFUSED_SINCE", "CannotReachRemote", "PushRefused", "push", "remote_head", "shown"]

REFUSED: Final = "records push refused"
"""Under this key the ledger notes why the remote refused the last push; empty where it did not."""
REFUSED_SINCE: Final = "records push refused since"
"""Under this key the ledger notes when the remote refused for the first time since it last took the records."""
_BRANCH: Final = "refs/heads/main"
_SECONDS: Final = 60.0
_REJECTED: Final = re.compile(
    r"(?i)\[(?:remote )?rejected\]|non-fast-forward|fetch first|pre-receive hook declined"
)
# A connection that hangs ends by itself, and nobody is asked anything.
_NEVER_ASK: Final = {
    "GIT_SSH_COMMAND": "ssh -oBatchMode=yes -oConnectTimeout=20 -oServerAliveInterval=15 -oServerAliveCountMax=3",
    "SSH_ASKPASS_REQUIRE": "never",
    "GCM_INTERACTIVE": "never",
}


class CannotReachRemote(AsleftError):
    """The remote of the records could not be asked."""


class PushRefused(AsleftError):
    """The remote has records that these do not go on from, or takes none."""


def push(folder: Path, remote: str) -> None:
    """Push the records to a remote, never with force; it may take a minute, and needs a thread of its own.

    Args:
        folder: The records.
        remote: URL or path of the repository to push to.

    Raises:
        PushRefused: The remote does not take them.
        CannotReachRemote: It could not be reached in time.
    """
    command = [
        "push",
        "--quiet",
        "--porcelain",
        "--no-verify",
        "--end-of-options",
        remote,
        f"{_BRANCH}:{_BRANCH}",
    ]
    status, said, why = _run(folder, command)
    if not status:
        return
    told = f"{said}\n{why}"
    if _REJECTED.search(told):
        line = next((line for line in told.splitlines() if _REJECTED.search(line)), "")
        raise PushRefused(
            f"the remote refused the records: {harmless(' '.join(line.split()))}",
            where=shown(remote),
            todo="find out what stands there and who put it there; nothing is ever pushed with force",
        )
    raise _unreached(why, remote)


def remote_head(folder: Path, remote: str) -> str | None:
    """Give the commit that the remote's branch is at; None where it has none.

    Raises:
        CannotReachRemote: It could not be asked.
    """
    status, said, why = _run(folder, ["ls-remote", "--end-of-options", remote, _BRANCH])
    if status:
        raise _unreached(why, remote)
    return said.split()[0] if said.split() else None


def _run(folder: Path, command: list[str]) -> tuple[int, str, str]:
    place = folder.absolute()
    # For a remote the user's own configuration counts: its credentials and its ssh.
    own = {
        name: value
        for name, value in environment(place, {"core.hooksPath": SETTINGS["core.hooksPath"]}).items()
        if name not in {"GIT_CONFIG_GLOBAL", "GIT_CONFIG_NOSYSTEM", "GIT_OBJECT_DIRECTORY", "SSH_ASKPASS"}
    }
    answer: tuple[int, str, str] = git.Git(str(place)).execute(
        ["git", *command],
        with_extended_output=True,
        with_exceptions=False,
        kill_after_timeout=_SECONDS,
        env={**own, **_NEVER_ASK},
    )
    return answer


def _unreached(why: str, remote: str) -> CannotReachRemote:
    return CannotReachRemote(
        f"the remote of the records could not be reached: {harmless(re.sub(r'://[^/@]*@', '://', last_line(why)))}",
        where=shown(remote),
        todo="check the address, the network and the agent's access; what is recorded is kept here meanwhile",
    )


def shown(remote: str) -> str:
    """Give a remote's address without what signs in there."""
    return re.sub(r"://[^/\s]*@", "://", remote)
