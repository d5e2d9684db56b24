"""What is wrong with an estate, looked at in its repository, without a home."""

from contextlib import closing
from pathlib import Path

from asleft.daemon.checked import Checked
from asleft.daemon.clock import now
from asleft.domain.estate import Estate
from asleft.domain.people import Approval
from asleft.domain.rules.book import check_timely, weigh

__all__ = ["check_estate", "load_estate"]


def check_estate(folder: Path) -> Checked:
    """Check the estate in a repository's folder, at its newest commit."""
    from asleft.source.baseline import GitBaseline  # noqa: PLC0415 git is slow to load
    from asleft.source.checkout import Commits  # noqa: PLC0415 as above
    from asleft.source.profiles import shipped_profiles  # noqa: PLC0415 as above

    commits = Commits.open(folder)
    with closing(GitBaseline(commits, shipped_profiles(), branch=None, follows_remote=False)) as baseline:
        revision = baseline.newest()
        estate, problems = baseline.load(revision.commit)
        found = list(problems)
        if estate is not None:
            found.extend(check_timely(estate, now()))
            if estate.approval is not Approval.COMMIT:
                from asleft.source.trust import approval_problems  # noqa: PLC0415 as above

                found.extend(weigh(approval_problems(commits, revision.commit), estate.weights))
            if estate.orders.signed:
                from asleft.source.signatures import signing_problems  # noqa: PLC0415 as above

                found.extend(weigh(signing_problems(commits, revision.commit, estate), estate.weights))
        return Checked(
            revision=revision,
            estate=estate,
            problems=tuple(sorted(found)),
            uncommitted=tuple(baseline.uncommitted()),
        )


def load_estate(folder: Path) -> Estate:
    """Give the estate in a repository's folder.

    Raises:
        BaselineUnusable: It has errors.
    """
    from asleft.work.approved import BaselineUnusable  # noqa: PLC0415 keeps a check quick

    checked = check_estate(folder)
    if checked.estate is None:
        raise BaselineUnusable(checked.revision.commit, checked.problems)
    return checked.estate
