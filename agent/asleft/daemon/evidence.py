"""The desk that answers from the two repositories of a home; its ledger is not opened."""

from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from asleft.daemon.clock import now
from asleft.daemon.home import Home
from asleft.daemon.settings.settings import read_settings
from asleft.ports.clock import Clock
from asleft.work.evidence.bounds import Bounds
from asleft.work.evidence.desk import EvidenceDesk

__all__ = ["open_evidence"]


@contextmanager
def open_evidence(
    folder: Path, *, clock: Clock = now, bounds: Bounds | None = None, last: str = ""
) -> Iterator[EvidenceDesk]:
    """Give a desk that answers questions about the past, while another process may own the home.

    Args:
        folder: The home.
        clock: Gives the time.
        bounds: How much one question may read; None where that is not bounded.
        last: The commit with which the records end; the newest where empty.

    Raises:
        AsleftError: There is no home, or one of its repositories cannot be read.
    """
    from asleft.records.evidence import GitRecordsEvidence  # noqa: PLC0415 keeps --help quick
    from asleft.source.baseline import GitBaseline  # noqa: PLC0415 as above
    from asleft.source.checkout import Commits  # noqa: PLC0415 as above
    from asleft.source.evidence import GitBaselineEvidence  # noqa: PLC0415 as above
    from asleft.source.profiles import shipped_profiles  # noqa: PLC0415 as above

    home = Home(folder)
    settings = read_settings(home.settings)
    commits = Commits.open(home.baseline)
    commits.prefix = settings.folder
    baseline = GitBaseline(commits, shipped_profiles(), branch=settings.branch, follows_remote=False)
    with closing(baseline):
        yield EvidenceDesk(
            records=GitRecordsEvidence(home.records, last=last),
            baseline=GitBaselineEvidence(commits, baseline, branch=settings.branch),
            clock=clock,
            bounds=bounds or Bounds(),
        )
