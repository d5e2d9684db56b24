"""What of the words about the baseline may be told to a person: of commits, of those who approve, of what is objected to."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Final

from asleft.domain.estate import Estate
from asleft.domain.evidence.seeing import Scope
from asleft.domain.people import Person, Right
from asleft.ports.baseline import Approver, Objection, Revision
from asleft.web.past import Past, Saying
from asleft.web.withheld import Withheld
from asleft.work.approved import Stand

__all__ = ["EVERYTHING", "Told", "told_of"]

_MOST: Final = 200
"""Of so many objections it is looked up what their commits say."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Told:
    """What may be told.

    Args:
        withheld: Knows the names that may not be told.
        everywhere: Whether everything may.
        sayings: What commits say, as far as it may be told; needed where not everything may.
    """

    withheld: Withheld
    everywhere: bool = True
    sayings: Mapping[str, Saying] = field(default_factory=dict)

    def revision(self, revision: Revision) -> Revision:
        """Give a revision; author and subject are empty where they may not be told."""
        if self.everywhere:
            return revision
        said = self.sayings.get(revision.commit, Saying())
        author = revision.author if said.seen and not self.withheld.holds(revision.author) else ""
        return replace(revision, author=author, subject=said.subject)

    def approvers(self, stand: Stand) -> tuple[str, ...]:
        """Name those who may approve."""
        return tuple(name for name in stand.approvers if not self.withheld.holds(name))

    def approver(self, by: Approver | None) -> Approver | None:
        """Give who approved; None where that is nobody who may be named."""
        return None if by is None or self.withheld.holds(by.name) else by

    def may_see(self, objection: Objection) -> bool:
        """Tell whether an objection may be told; what it says may name files and people."""
        return self.everywhere or not any(
            map(self.withheld.holds, (objection.what, objection.fix, objection.tag))
        )


EVERYTHING: Final = Told(withheld=Withheld.nothing())
"""For somebody who may look everywhere."""


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
    return Told(
        withheld=Withheld(estate, lambda site: person.may(Right.LOOK, site), everywhere=False),
        everywhere=False,
        sayings=await past.sayings(commits, Scope(person.sites)),
    )
