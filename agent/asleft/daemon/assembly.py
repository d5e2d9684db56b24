"""The one place that knows every edge: puts a desk together for a home, and takes it apart again."""

import gc
import json
import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from asleft.daemon.checked import Checked
from asleft.daemon.clock import now
from asleft.daemon.home import Home
from asleft.daemon.settings.settings import Settings, read_settings, write_settings
from asleft.domain.errors import AsleftError
from asleft.domain.people import Person
from asleft.ports.signatures import Signatures, Signed
from asleft.work.answers import Desk
from asleft.work.approved import begin
from asleft.work.desk import OwnerDesk

if TYPE_CHECKING:
    from asleft.ledger.store import SqliteLedger
    from asleft.records.repository import Records
    from asleft.source.baseline import GitBaseline

__all__ = ["Opened", "make_home", "now", "open_desk", "opened", "own_desk", "signatures_of"]


def make_home(
    folder: Path, settings: Mapping[str, str | None], *, prepare: Callable[[Path], None] | None = None
) -> Checked:
    """Make a home: clone the baseline, begin the records, and check what is in force; all of it or nothing.

    Args:
        folder: Where; it must not exist, or be empty.
        settings: What goes into the settings file; `baseline` at least.
        prepare: Called with the new folder before the baseline is cloned.

    Raises:
        AsleftError: The folder is taken, or the baseline cannot be cloned or used.
    """
    try:
        if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
            raise AsleftError(
                "the folder is not empty", where=str(folder), todo="name a new folder with --home"
            )
        made = not folder.exists()
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as wrong:
        raise AsleftError(
            f"the folder cannot be made: {wrong.strerror}",
            where=str(folder),
            todo="name a new folder with --home",
        ) from wrong
    try:
        if prepare:
            prepare(folder)
        return _fill(Home(folder.resolve()), settings)
    except BaseException:
        for part in folder.iterdir():
            shutil.rmtree(part) if part.is_dir() else part.unlink()
        if made:
            folder.rmdir()
        raise


def _fill(home: Home, given: Mapping[str, str | None]) -> Checked:
    from asleft.ledger.store import SqliteLedger  # noqa: PLC0415 as above
    from asleft.records.repository import Records  # noqa: PLC0415 as above
    from asleft.source.checkout import Commits  # noqa: PLC0415 as above

    write_settings(home.settings, **given)
    settings = read_settings(home.settings)
    with home.owned("asleft init"):
        Commits.clone_bare(settings.baseline, home.baseline, branch=settings.branch)
        Records.create(
            home.records, agent_name=settings.agent_name, agent_email=settings.agent_email, when=now()
        )
        with closing(SqliteLedger(home.ledger)) as ledger, closing(baseline_of(home, settings)) as baseline:
            # Noted from the very first moment: nothing that is pushed later can be the first that is taken on trust.
            current = begin(baseline, ledger, now=now())
            commit = current.estate.commit
            _, problems = baseline.load(commit)
            return Checked(
                revision=baseline.revision(commit),
                estate=current.estate,
                problems=tuple(problems),
                uncommitted=(),
                notices=current.notices,
            )


def baseline_of(home: Home, settings: Settings) -> "GitBaseline":
    """Give the baseline that a home has cloned, as its settings want it read."""
    from asleft.source.baseline import GitBaseline  # noqa: PLC0415 as above
    from asleft.source.checkout import Commits  # noqa: PLC0415 as above
    from asleft.source.profiles import shipped_profiles  # noqa: PLC0415 as above

    commits = Commits.open(home.baseline)
    commits.prefix = settings.folder
    place = Path(settings.baseline)
    commits.remote = str(place.resolve()) if place.is_dir() else settings.baseline
    return GitBaseline(commits, shipped_profiles(), branch=settings.branch, follows_remote=True)


class _Signatures:
    """Checks signatures by what a home has cloned of the baseline; each time with a git of its own, for it is done in threads.

    Args:
        home: The home.
        settings: Its settings.
    """

    def __init__(self, home: Home, settings: Settings) -> None:
        self._home = home
        self._settings = settings

    def check(self, document: bytes, signature: str, *, person: Person, estate_commit: str) -> Signed:
        """Give who signed with which key; it returns only where the signature holds now."""
        from asleft.source.checkout import Commits  # noqa: PLC0415 as above
        from asleft.source.signatures import GitSignatures  # noqa: PLC0415 as above

        commits = Commits.open(self._home.baseline)
        commits.prefix = self._settings.folder
        with closing(commits):
            return GitSignatures(commits).check(
                document, signature, person=person, estate_commit=estate_commit
            )


def signatures_of(home: Home, settings: Settings) -> Signatures:
    """Give what checks signatures under orders by the allowed signers of a home's baseline."""
    return _Signatures(home, settings)


@dataclass(frozen=True, kw_only=True, slots=True)
class Opened:
    """What a home has, open for who only looks."""

    settings: Settings
    baseline: "GitBaseline"
    records: "Records"
    ledger: "SqliteLedger"


@contextmanager
def opened(folder: Path) -> Iterator[Opened]:
    """Open a home for looking, while another process may own it."""
    from asleft.ledger.store import SqliteLedger  # noqa: PLC0415 as above
    from asleft.records.repository import Records  # noqa: PLC0415 as above

    home = Home(folder)
    settings = read_settings(home.settings)
    with ExitStack() as stack:
        ledger = SqliteLedger(home.ledger, look_only=True)
        stack.callback(ledger.close)
        baseline = baseline_of(home, settings)
        stack.callback(baseline.close)
        yield Opened(
            settings=settings,
            baseline=baseline,
            records=stack.enter_context(closing(Records.open(home.records))),
            ledger=ledger,
        )


@contextmanager
def open_desk(folder: Path) -> Iterator[Desk]:
    """Give a desk that answers questions about a home while another process may own it."""
    from asleft.ledger.alarms import SqliteAlarms  # noqa: PLC0415 as above

    with opened(folder) as home:
        yield Desk(
            baseline=home.baseline,
            records=home.records,
            ledger=home.ledger,
            alarms=SqliteAlarms(home.ledger),
            clock=now,
        )


@contextmanager
def own_desk(folder: Path, what: str) -> Iterator[OwnerDesk]:
    """Own a home and give the desk that does its work.

    Args:
        folder: The home.
        what: What is done, for another process that is turned away.
    """
    from asleft.daemon.proposing import proposals_of  # noqa: PLC0415 as above
    from asleft.daemon.ways import Ways  # noqa: PLC0415 as above
    from asleft.devices.drop.stations import DropStations  # noqa: PLC0415 as above
    from asleft.devices.ocp1.gateway import Ocp1Stations  # noqa: PLC0415 as above
    from asleft.devices.ocp1.session import Timings  # noqa: PLC0415 as above
    from asleft.ledger.alarms import SqliteAlarms  # noqa: PLC0415 as above
    from asleft.ledger.store import SqliteLedger  # noqa: PLC0415 as above
    from asleft.records.locks import remove_left_locks  # noqa: PLC0415 as above
    from asleft.records.repository import Records  # noqa: PLC0415 as above

    home = Home(folder)
    settings = read_settings(home.settings)
    # A full collection over thousands of answers costs a third of the reading (measured on bare reads: 0.33 to 0.50
    # of an echo's rate without this, 0.52 to 0.56 with it).
    gc.freeze()
    gc.set_threshold(10_000, 20, 50)
    with ExitStack() as stack:
        stack.enter_context(home.owned(what))
        for repository in (home.records, home.baseline):
            remove_left_locks(repository)
        ledger = SqliteLedger(home.ledger)
        stack.callback(ledger.close)
        if settings.records_remote:
            from asleft.daemon.pushing import push_now  # noqa: PLC0415 as above

            stack.callback(push_now, home.records, settings.records_remote, ledger)
        timings = Timings(connect_limit=settings.connect_seconds, command_limit=settings.answer_seconds)
        baseline = baseline_of(home, settings)
        stack.callback(baseline.close)
        trials = proposals_of(home, settings)
        stack.callback(trials.close)
        yield OwnerDesk(
            trials=trials,
            baseline=baseline,
            records=stack.enter_context(
                closing(Records.open(home.records, signing_key=settings.signing_key))
            ),
            ledger=ledger,
            alarms=SqliteAlarms(ledger),
            stations=Ways(
                Ocp1Stations(ledger, timings=timings, stand_ins=stand_ins_of(settings.stand_ins)),
                DropStations(settings.drop_folder or home.folder / "drop", clock=now, told=_no_word),
            ),
            clock=now,
            signatures=signatures_of(home, settings),
        )


def _no_word(_: str) -> None:
    """Say nothing: what became of a file in a drop folder is told by the look at its station."""


def stand_ins_of(file: Path | None) -> dict[str, tuple[str, int]]:
    """Read where simulated stations listen that have no addresses of their own."""
    if file is None:
        return {}
    try:
        rows: Sequence[Mapping[str, str | int]] = json.loads(file.read_text("utf-8"))
        return {str(row["approved-address"]): (str(row["address"]), int(row["port"])) for row in rows}
    except (OSError, ValueError, KeyError, TypeError) as wrong:
        raise AsleftError(
            f"the ready file cannot be read: {wrong}", where=str(file), todo="start the simulation first"
        ) from wrong
