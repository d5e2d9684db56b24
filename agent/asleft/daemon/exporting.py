"""A proof to hand over: bundles, proof, account, keys and how to check them; the same again, byte for byte."""

import hashlib
import json
import os
import shutil
import tempfile
import zipfile
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

from asleft.daemon.evidence import open_evidence
from asleft.daemon.home import Home
from asleft.daemon.proof import given_for, signers_of
from asleft.daemon.settings.settings import read_settings
from asleft.domain.errors import AsleftError
from asleft.domain.evidence.account_check import account_check
from asleft.domain.evidence.account_rows import account_rows
from asleft.domain.evidence.account_text import account_lines
from asleft.domain.proof.links import Proof
from asleft.domain.proof.papers import SUMS, TABLE, handed_over, words_table
from asleft.domain.proof.telling import proof_text, proof_values
from asleft.domain.tables import csv_rows
from asleft.papers.account.book import book
from asleft.papers.choices import Form
from asleft.papers.making import account_paper
from asleft.work.proof.proving import Given, prove

__all__ = ["CannotExport", "export"]

_EARLIEST: Final = (1980, 1, 1, 0, 0, 0)
_MODE: Final = 0o100644 << 16
_UNIX: Final = 3


class CannotExport(AsleftError):
    """The export cannot be put where it should go."""


def export(
    folder: Path,
    target: Path,
    *,
    since: str = "",
    until: str = "",
    signers: Path | None = None,
) -> Proof:
    """Write all that proves and accounts for the records of a home into a new folder, or into a zip file where its name ends so.

    Args:
        folder: The home.
        target: Where; nothing may be there.
        since: The commit after which proof and account begin; the bundle always begins with the first of all.
        until: The commit with which all end; the newest where empty.
        signers: An allowed-signers file with the agent's keys; what the home knows of them where None.

    Raises:
        CannotExport: Something is there already, or it cannot be written.
        CannotProve: One of the commits is none of the records.
    """
    if target.exists() or target.is_symlink():
        raise CannotExport("something is there already", where=str(target), todo="name a new folder or file")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=".asleft-export-", dir=target.parent) as scratch:
            whole = Path(scratch) / "export"
            whole.mkdir(mode=0o755)
            made = _fill(folder, whole, since=since, until=until, signers=signers)
            if target.suffix == ".zip":
                _zip(whole, Path(scratch) / "zip", made)
                (Path(scratch) / "zip").rename(target)
            else:
                shutil.move(whole, target)
    except OSError as wrong:
        raise CannotExport(
            f"it cannot be written: {wrong.strerror}",
            where=str(target),
            todo="name another place, or make room",
        ) from wrong
    return made


def _fill(folder: Path, whole: Path, *, since: str, until: str, signers: Path | None) -> Proof:
    from asleft.records.bundling import tips_of, write_bundle  # noqa: PLC0415 as in the assembly

    home = Home(folder)
    settings = read_settings(home.settings)
    with given_for(folder, signers=signers) as given:
        # What the remote says depends on the moment.
        made = prove(
            Given(records=given.records, baseline=given.baseline, heads=given.heads, signs=given.signs),
            since=since,
            until=until,
        )
    write_bundle(home.records, [(made.last, "refs/heads/main")], whole / "records.bundle")
    tips = tips_of(home.baseline, [one for one in made.revisions if len(one) == len(made.last)])
    if tips:
        named = ["refs/heads/main", *(f"refs/heads/beside-{number}" for number in range(1, len(tips)))]
        write_bundle(home.baseline, list(zip(tips, named, strict=True)), whole / "baseline.bundle")
    keys = signers_of(home, settings, signers)
    accounts, checks = _account(folder, made)
    texts = {
        "proof.txt": proof_text(made),
        "proof.json": json.dumps(
            {"schema": "asleft-proof", "version": 1, **proof_values(made)}, indent=2, default=_time
        )
        + "\n",
        "agent-signers": keys.decode("utf-8", "replace") if keys else "",
        TABLE: words_table(made.words),
        **accounts,
    }
    for name, text in texts.items():
        if text:
            (whole / name).write_bytes(text.encode())
    readme = handed_over(
        made,
        baseline=bool(tips),
        keys=bool(keys),
        folder=settings.folder,
        account=checks,
        files=[*sorted(file.name for file in whole.iterdir()), SUMS],
    )
    (whole / "README.md").write_text(readme, "utf-8")
    sums = "".join(f"{_digest(file)}  {file.name}\n" for file in sorted(whole.iterdir()))
    (whole / SUMS).write_text(sums, "utf-8")
    for file in whole.iterdir():
        file.chmod(0o644)
        os.utime(file, (made.until.timestamp(), made.until.timestamp()))
    return made


def _account(folder: Path, made: Proof) -> tuple[dict[str, str], str]:
    """Give the account of what is proved, as files, and how it is checked; nothing where the records are too broken for one."""
    from asleft.records.evidence import GitRecordsEvidence  # noqa: PLC0415 as in the assembly

    after: datetime | None = None
    try:
        if made.since:
            (begin,) = GitRecordsEvidence(Home(folder).records, last=made.since).pieces(limit=1)
            after = begin.at
        with open_evidence(folder, last=made.last) as desk:
            account = desk.account((), after + timedelta.resolution if after else None, None)
        paper = account_paper(book(account), Form.HTML).decode()
    except AsleftError:
        return {}, ""  # the proof says what does not hold
    texts = {
        "account.txt": "\n".join(account_lines(account)) + "\n",
        "account.csv": csv_rows(account_rows(account)),
        "account.html": paper,
    }
    return texts, account_check(account, after)


def _digest(file: Path) -> str:
    with file.open("rb") as read:
        return hashlib.file_digest(read, "sha256").hexdigest()


def _time(value: object) -> str:
    return str(value).replace("+00:00", "Z").replace(" ", "T")


def _zip(whole: Path, target: Path, made: Proof) -> None:
    """Put files into a zip file in the order of their names, each with the time of the last commit."""
    at = max(_EARLIEST, made.until.timetuple()[:6])
    with zipfile.ZipFile(target, "w") as archive:
        for file in sorted(whole.iterdir()):
            entry = zipfile.ZipInfo(file.name, at)
            entry.external_attr, entry.create_system = _MODE, _UNIX
            with file.open("rb") as source, archive.open(entry, "w", force_zip64=True) as part:
                shutil.copyfileobj(source, part)
