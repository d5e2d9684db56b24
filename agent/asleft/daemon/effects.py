"""What a change of a baseline does, between two revisions of its repository."""

from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from asleft.daemon.assembly import open_desk
from asleft.daemon.home import Home
from asleft.daemon.settings.settings import read_settings
from asleft.domain.effects.effect import Effect, effect_between
from asleft.domain.estate import Estate
from asleft.ports.baseline import Revision
from asleft.work.approved import BaselineUnusable

if TYPE_CHECKING:
    from asleft.domain.snapshot import AsFound
    from asleft.domain.stations import StationId
    from asleft.source.baseline import GitBaseline
    from asleft.source.revisions import Revisions

__all__ = ["EffectOf", "effect_of"]


@dataclass(frozen=True, kw_only=True, slots=True)
class EffectOf:
    """What the way from one revision to another does.

    Args:
        before: The revision before; None for nothing at all.
        after: The revision after.
        effect: What it does.
        files: Files whose content differs.
        uncommitted: Files that differ from the newest commit and were not read, where that is the revision after.
    """

    before: Revision | None
    after: Revision
    effect: Effect
    files: tuple[str, ...]
    uncommitted: tuple[str, ...]


def effect_of(revisions: str | None, *, folder: Path | None, home: Path | None) -> EffectOf:
    """Say what a change of a baseline does.

    Args:
        revisions: `A` for what one commit does, `A..B`, `A...B` for what B does since it parted from A; None for the newest.
        folder: Folder of the estate's repository; None for the one that the home has cloned.
        home: A home: `A` then stands for the way from its revision in force to A, and what was found there is told.

    Raises:
        AsleftError: A name is no revision, or the estate at one of them has errors.
    """
    from asleft.source.baseline import GitBaseline  # noqa: PLC0415 as above
    from asleft.source.profiles import shipped_profiles  # noqa: PLC0415 as above
    from asleft.source.revisions import Revisions  # noqa: PLC0415 as above

    in_force: str | None = None
    found: dict[StationId, AsFound] | None = None
    branch: str | None = None
    if home is not None:
        with open_desk(home) as desk:
            in_force = desk.in_force().estate.commit
            found = {station: look.found for station, look in desk.looks().items() if look.found}
    with ExitStack() as stack:
        if home is not None and folder is None:
            settings = read_settings(Home(home).settings)
            commits = Revisions.open(Home(home).baseline)
            commits.prefix, branch = settings.folder, settings.branch
        else:
            commits = Revisions.open(folder or Path())
        stack.callback(commits.close)
        newest = commits.head(branch)
        before, after = _ends(commits, revisions, newest, in_force)
        baseline = GitBaseline(commits, shipped_profiles(), branch=branch, follows_remote=False)
        old_files = commits.files(before.commit) if before else {}
        new_files = commits.files(after.commit)
        files = {path for path, _ in old_files.items() ^ new_files.items()}
        # An estate that begins later than its repository begins from nothing.
        old = _sound(baseline, before.commit) if before and "estate.yaml" in old_files else None
        return EffectOf(
            before=before,
            after=after,
            effect=effect_between(old, _sound(baseline, after.commit), found=found, touched=files),
            files=tuple(sorted(files)),
            uncommitted=tuple(baseline.uncommitted()) if after.commit == newest.commit else (),
        )


def _sound(baseline: "GitBaseline", commit: str) -> Estate:
    estate, problems = baseline.load(commit)
    if estate is None:
        raise BaselineUnusable(commit, problems)
    return estate


def _ends(
    commits: "Revisions", asked: str | None, newest: Revision, in_force: str | None
) -> tuple[Revision | None, Revision]:
    """Give the two revisions that a person means."""
    one, dots, other = (asked or "").partition("...")
    if dots:
        first, last = (commits.find(name) if name else newest for name in (one, other))
        return commits.merge_base(first.commit, last.commit), last
    one, dots, other = (asked or "").partition("..")
    if dots:
        first, last = (commits.find(name) if name else newest for name in (one, other))
        return first, last
    last = commits.find(asked) if asked is not None else newest
    return (commits.about(in_force) if in_force else commits.first_parent(last.commit)), last
