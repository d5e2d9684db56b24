"""What a reader of the time line should know: names that nothing ever had, and revisions that are not on the branch."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from asleft.domain.estate import Estate
from asleft.domain.evidence.asked import Asked
from asleft.domain.evidence.seeing import Scope
from asleft.domain.kinds import nearest
from asleft.domain.names import harmless
from asleft.work.evidence.bounds import Bounds
from asleft.work.evidence.grounds import Read
from asleft.work.evidence.leafing import Timeline

__all__ = ["noted"]


def noted(found: Timeline, read: Read, asked: Asked, *, scope: Scope, bounds: Bounds) -> Timeline:
    """Give what a question gave with the sentences that its reader should know.

    Args:
        found: What it gave.
        read: Both repositories.
        asked: What was asked.
        scope: Of which sites may be told; nothing else is named.
        bounds: How much may be read.
    """
    notes = [*_astray(read, asked)]
    # Names are looked up only where nothing was found, and all of it was searched.
    few = bounds.revisions is None or len(read.forces) <= bounds.revisions
    if not found.pieces and found.older is None and few:
        notes += _unheard(read, asked, scope)
    return replace(found, notes=tuple(notes))


def _astray(read: Read, asked: Asked) -> Iterator[str]:
    for commit in dict.fromkeys(
        one.commit
        for one in read.forces
        if (asked.until is None or one.since < asked.until)
        and (asked.since is None or one.until is None or one.until >= asked.since)
    ):
        if commit not in read.known:
            yield (
                f"revision {commit[:10]} was in force and is not on the branch of the baseline that is followed: what it "
                "brought is not among what is told here"
            )


def _unheard(read: Read, asked: Asked, scope: Scope) -> Iterator[str]:
    if not any((asked.site, asked.role, asked.setting, asked.occasion, asked.person)):
        return  # nothing is named, so no estate is read for it
    estates = [estate for force in read.forces if (estate := read.estate(force.commit)) is not None]
    seen = [one for piece in (*read.records, *read.baseline) if (one := scope.see(piece)) is not None]
    left = [
        as_left
        for estate in estates
        for station, as_left in estate.stations.items()
        if scope.holds(station.site)
    ]
    settings = {name for as_left in left for name in as_left.values}
    settings |= {name for piece in seen for name in piece.settings}
    if asked.site:
        sites = {*filter(scope.holds, _sites(estates)), *(site for piece in seen for site in piece.sites)}
        if asked.site not in sites:
            yield _no(f"there was never a site '{harmless(asked.site)}'", asked.site, sites)
    roles = {as_left.role for as_left in left if as_left.role}
    if asked.role and asked.role not in roles:
        yield _no(f"no station ever had the role '{harmless(asked.role)}'", asked.role, roles)
    if asked.setting and not any(f"{name}.".startswith(f"{asked.setting}.") for name in settings):
        yield _no(f"there was never a setting or group '{harmless(asked.setting)}'", asked.setting, settings)
    occasions = {occasion.name for estate in estates for occasion in estate.occasions}
    if asked.occasion and asked.occasion not in occasions:
        yield _no(f"there was never an occasion '{harmless(asked.occasion)}'", asked.occasion, occasions)
    people = {harmless(name) for piece in seen for name in piece.people}
    if asked.person and not any(asked.person.lower() in name.lower() for name in people):
        words = {word for name in people for word in name.split(" (")[0].split(" <")[0].split()}
        yield _no(f"nobody named '{harmless(asked.person)}' ever took part", asked.person, words | people)


def _sites(estates: Sequence[Estate]) -> set[str]:
    return {site for estate in estates for site in estate.sites}


def _no(what: str, text: str, known: Iterable[str]) -> str:
    words = sorted(known)
    return f"{what}; {nearest(text, words)}" if words else what
