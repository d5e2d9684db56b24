"""The one door to git for the baseline: a fixed environment for reading, and one that never asks for fetching."""

import re
from collections.abc import Mapping
from urllib.parse import unquote, urlsplit

from asleft.domain.errors import AsleftError
from asleft.domain.names import harmless
from asleft.source.program import TIMED_OUT, Git, NotARepository

__all__ = [
    "FETCH_SECONDS",
    "LOCAL",
    "BranchMissing",
    "CannotReach",
    "NotARepository",
    "Unborn",
    "Unreadable",
    "full_id",
    "last_line",
    "run_remote",
]

FETCH_SECONDS = 120.0
"""A fetch or clone that takes longer than this is given up."""
# Configuration that stands above every file, so that neither a user nor the repository's own config can turn a reading.
_SETTINGS = {
    "core.quotePath": "false",
    "core.fsmonitor": "false",
    "core.hooksPath": "/dev/null",
    "blame.ignoreRevsFile": "",
    "log.showSignature": "false",
}
LOCAL = {
    "LC_ALL": "C",
    "GIT_CONFIG_GLOBAL": "/dev/null",
    "GIT_CONFIG_NOSYSTEM": "1",
    "GIT_CONFIG_PARAMETERS": "",
    "GIT_CONFIG_COUNT": str(len(_SETTINGS)),
    **{f"GIT_CONFIG_KEY_{place}": key for place, key in enumerate(_SETTINGS)},
    **{f"GIT_CONFIG_VALUE_{place}": value for place, value in enumerate(_SETTINGS.values())},
    "GIT_GRAFT_FILE": "/dev/null",
    "GIT_NAMESPACE": "",
    "GIT_NO_REPLACE_OBJECTS": "1",
    "GIT_LITERAL_PATHSPECS": "1",
    "GIT_OPTIONAL_LOCKS": "0",
    "GIT_PAGER": "cat",
    "GIT_TERMINAL_PROMPT": "0",
}
# A connection that hangs ends by itself, even where the time limit could only reach git and not its helpers.
_SSH = "-oBatchMode=yes -oConnectTimeout=20 -oServerAliveInterval=15 -oServerAliveCountMax=3"
_REMOTE = ("-c", "core.hooksPath=/dev/null", "-c", "http.lowSpeedLimit=1", "-c", "http.lowSpeedTime=30")
_NEVER_ASK = {
    "LC_ALL": "C",
    "GIT_TERMINAL_PROMPT": "0",
    "SSH_ASKPASS_REQUIRE": "never",
    "GCM_INTERACTIVE": "never",
}
_COMMIT_ID = re.compile(r"[0-9a-f]{40}(?:[0-9a-f]{24})?")


class Unborn(AsleftError):
    """The branch has no commit yet."""


class BranchMissing(AsleftError):
    """The repository has commits, but no such branch."""


class CannotReach(AsleftError):
    """The remote repository could not be fetched or cloned; what was fetched before still stands."""


class Unreadable(AsleftError):
    """The repository does not hold what was asked of it, or is damaged."""


def run_remote(
    git: Git,
    command: list[str],
    *,
    url: str,
    branch: str | None,
    seconds: float,
    place: Mapping[str, str] | None = None,
) -> None:
    """Run a command that speaks with a remote; it never asks a person anything, and ends in time."""
    env = {**_NEVER_ASK, **(place or {})}
    # A user's own ssh command (its key, its jump host) stays; it only may not ask.
    _, said, _ = git.run(["config", "--get", "core.sshCommand"], env)
    env["GIT_SSH_COMMAND"] = f"{said.decode().strip() or 'ssh'} {_SSH}"
    status, _, why = git.run([*_REMOTE, *command], env, seconds=seconds)
    if not status:
        return
    shown = _without_secrets(url, url)
    if branch is not None and re.search(r"(?i)couldn't find remote ref|remote branch .* not found", why):
        raise BranchMissing(
            f"the remote has no branch {harmless(branch)}", where=shown, todo="name a branch that it has"
        )
    if why == TIMED_OUT:
        why = f"it did not answer within {seconds:g} seconds"
    raise CannotReach(
        f"the remote repository could not be reached: {last_line(_without_secrets(why, url))}",
        where=shown,
        todo="check the address, the network and the agent's key; what was fetched before is still used",
    )


def _without_secrets(text: str, url: str) -> str:
    """Take out of a text the user, password and query of a URL, and whatever stands as a user in any other URL."""
    try:
        parts = urlsplit(url)
        named = parts.netloc.rpartition("@")[0]
        secrets = [f"{named}@", named.partition(":")[2], unquote(named.partition(":")[2]), parts.query]
    except ValueError:
        secrets = []
    for secret in secrets:
        if secret.strip("@"):
            text = text.replace(secret, "" if secret.endswith("@") else "…")
    return re.sub(r"://[^/\s'\"]*@", "://", text)


def last_line(said: str) -> str:
    """Give the sentence that git ended with, made harmless."""
    lines = [line for line in said.splitlines() if line.strip()]
    return (
        harmless(lines[-1].removeprefix("fatal: ").removeprefix("error: ")) if lines else "git gave no reason"
    )


def full_id(text: str) -> str:
    """Let nothing but a full object id through to git, where a name or an option could stand."""
    if not _COMMIT_ID.fullmatch(text):
        raise Unreadable(f"{harmless(text)} is not a full commit or blob id", todo="give all of its digits")
    return text
