"""What of the words about the baseline may be told to a person: of commits, proposals and problems, of those who approve."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Final

from asleft.domain.estate import Estate
from asleft.domain.evidence.seeing import Scope
from asleft.domain.people import Person
from asleft.domain.withheld import Sees, Withheld, may_see_file
from asleft.ports.baseline import Approver, Objection, OpenProposal, Revision
from asleft.web.past import Past, Saying
from asleft.work.approved import Stand

__all__ = [
    "EVERYTHING",
    "Told",
    "may_see_proposal",
    "told_of",
]

_MOST: Final = 200
"""Of so many objections it is looked up what their commits say."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Told:
    """What may be told.

    Args:
        withheld: Knows the names that may not be told, and whether everything may.
        sayings: What commits say, as far as it may be told; needed where not everything may.
    """

    withheld: Withheld
    sayings: Mapping[str, Saying] = field(default_factory=dict)

    def revision(self, revision: Revision) -> Revision:
        """Give a revision; author, by the rule of `Withheld.writer`, and subject are empty where they may not be told."""
        if self.withheld.everywhere:
            return revision
        said = self.sayings.get(revision.commit, Saying())
        author = self.withheld.writer(revision.author, seen=said.seen)
        return replace(revision, author=author, subject=said.subject)

    def leads(self, revision: Revision) -> bool:
        """Tell whether the page of a commit may be looked at."""
        return self.withheld.everywhere or self.sayings.get(revision.commit, Saying()).seen

    def approvers(self, stand: Stand) -> tuple[str, ...]:
        """Name those who may approve."""
        return self.withheld.names(stand.approvers)

    def approver(self, by: Approver | None) -> Approver | None:
        """Give who approved; None where that is nobody who may be named."""
        return None if by is None or self.withheld.holds(by.name) else by

    def may_see(self, objection: Objection) -> bool:
        """Tell whether an objection may be told; what it says may name files and people."""
        return not any(map(self.withheld.holds, (objection.what, objection.fix, objection.tag)))


EVERYTHING: Final = Told(withheld=Withheld.nothing())
"""For somebody who may look everywhere."""


def may_see_proposal(one: OpenProposal, sees: Sees, *, everywhere: bool) -> bool:
    """Tell whether somebody may look at all that a proposal changes."""
    return everywhere or (bool(one.files) and all(may_see_file(file, sees) for file in one.files))


async def told_of(past: Past, stand: Stand, estate: Estate, person: Person) -> Told:
    """Find out what may be told of how the baseline stands.

    Args:
        past: Knows what commits are about.
        stand: How it stands.
        estate: In force.
        person: Who asks; who may look nowhere is told nothing of any site.
    """
    if not person.sites:
        return EVERYTHING
    commits = [stand.in_force.commit, stand.newest.commit]
    commits += [one.revision.commit for one in stand.objections[:_MOST]]
    scope = Scope.of(estate, person)
    return Told(withheld=scope.withheld, sayings=await past.sayings(commits, scope))
