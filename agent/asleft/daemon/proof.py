"""What a proof of a home is made from: its records, its baseline, its kept heads, and the agent's public keys."""

import subprocess
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from asleft.daemon.assembly import baseline_of
from asleft.daemon.home import Home
from asleft.daemon.settings.settings import Settings, read_settings
from asleft.domain.errors import AsleftError
from asleft.work.proof.proving import Given

__all__ = ["SIGNERS", "given_for", "signers_of"]

SIGNERS = "records-signers"
"""File of a home with the public keys that its agent ever signed with, as an allowed-signers file; it need not be there."""
_PUBLIC = ("ssh-", "ecdsa-", "sk-")
_SECONDS = 10.0


@contextmanager
def given_for(folder: Path, *, signers: Path | None = None) -> Iterator[Given]:
    """Give what a proof of a home is made from; another process may own it meanwhile.

    Args:
        folder: The home.
        signers: An allowed-signers file with the agent's keys; the home's own knowledge of them where None.

    Raises:
        AsleftError: The home cannot be used.
    """
    from asleft.ledger.store import SqliteLedger  # noqa: PLC0415 as in the assembly
    from asleft.records.proof import GitProof  # noqa: PLC0415 as in the assembly
    from asleft.records.remote import REFUSED, remote_head  # noqa: PLC0415 as in the assembly
    from asleft.records.repository import Records  # noqa: PLC0415 as in the assembly
    from asleft.source.checkout import Commits  # noqa: PLC0415 as in the assembly
    from asleft.source.proof import GitBaselineProof  # noqa: PLC0415 as in the assembly

    home = Home(folder)
    settings = read_settings(home.settings)
    keys = signers_of(home, settings, signers)
    with ExitStack() as stack:
        Records.open(home.records)  # says in its own words where there are none
        records = stack.enter_context(GitProof(home.records, signers=keys))
        baseline = baseline_of(home, settings)
        stack.callback(baseline.close)
        commits = Commits.open(home.baseline)
        commits.prefix = settings.folder
        stack.callback(commits.close)
        ledger = SqliteLedger(home.ledger, look_only=True)
        stack.callback(ledger.close)
        # Those that are there now; what is recorded from here on is newer than the head that is asked for later.
        heads, refused = ledger.heads(), ledger.note(REFUSED) or ""
        remote = settings.records_remote
        yield Given(
            records=records,
            baseline=GitBaselineProof(commits, baseline, branch=settings.branch),
            heads=heads,
            signs=keys is not None,
            remote=(lambda: remote_head(home.records, remote)) if remote else None,
            refused=refused if remote else "",
        )


def signers_of(home: Home, settings: Settings, given: Path | None = None) -> bytes | None:
    """Give the agent's public keys as an allowed-signers file; None where it has none.

    Raises:
        AsleftError: A file with keys cannot be read.
    """
    place = given or home.folder / SIGNERS
    if given is not None or place.exists():
        try:
            return place.read_bytes()
        except OSError as wrong:
            raise AsleftError(
                f"the keys cannot be read: {wrong.strerror}", where=str(place), todo="name another file"
            ) from wrong
    if settings.signing_key is None:
        return None
    return f'agent namespaces="git" {_public(settings.signing_key)}\n'.encode()


def _public(key: Path) -> str:
    """Give the public key that goes with the agent's: beside it, itself, or as ssh-keygen says."""
    for file in (key.with_name(f"{key.name}.pub"), key):
        try:
            line = file.read_text("utf-8", "replace").strip()
        except OSError:
            continue
        if line.startswith(_PUBLIC) and "\n" not in line:
            return " ".join(line.split()[:2])
    try:
        done = subprocess.run(  # no shell; the path is an argument of its own
            ["ssh-keygen", "-y", "-P", "", "-f", str(key)],
            capture_output=True,
            text=True,
            timeout=_SECONDS,
            check=True,
        )
    except (OSError, subprocess.SubprocessError) as wrong:
        raise AsleftError(
            "the public key of the agent cannot be read",
            where=str(key),
            todo="put it beside the key as a file .pub, or give --signers",
        ) from wrong
    return " ".join(done.stdout.split()[:2])
