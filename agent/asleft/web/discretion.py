"""What of the words about the baseline may be told to a person: of commits, proposals and problems, of those who approve."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Final

from asleft.domain.effects.beside import About, Note
from asleft.domain.estate import Estate
from asleft.domain.evidence.seeing import Scope
from asleft.domain.layers import Origin
from asleft.domain.people import Person
from asleft.domain.problems import Problem
from asleft.ports.baseline import Approver, Objection, OpenProposal, Revision
from asleft.web.past import Past, Saying
from asleft.web.withheld import Sees, Withheld
from asleft.work.approved import Stand

__all__ = [
    "EVERYTHING",
    "Told",
    "may_see_file",
    "may_see_note",
    "may_see_origin",
    "may_see_problem",
    "may_see_proposal",
    "told_of",
]

_MOST: Final = 200
"""Of so many objections it is looked up what their commits say."""
_OF_ALL_SITES: Final = frozenset({About.ESTATE, About.OCCASIONS})
"""What is changed for all sites alike, and so for everybody to see."""


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
        """Give a revision; author and subject are empty where they may not be told."""
        if self.withheld.everywhere:
            return revision
        said = self.sayings.get(revision.commit, Saying())
        author = revision.author if said.seen and not self.withheld.holds(revision.author) else ""
        return replace(revision, author=author, subject=said.subject)

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


def may_see_file(file: str, sees: Sees) -> bool:
    """Tell whether a file is of a site that may be looked at; what the others say may name any site."""
    folder, _, rest = file.partition("/")
    return folder == "sites" and sees(rest.partition("/")[0])


def may_see_proposal(one: OpenProposal, sees: Sees, *, everywhere: bool) -> bool:
    """Tell whether somebody may look at all that a proposal changes."""
    return everywhere or (bool(one.files) and all(may_see_file(file, sees) for file in one.files))


def may_see_problem(problem: Problem, sees: Sees, withheld: Withheld, *, everywhere: bool) -> bool:
    """Tell whether a problem may be told: its file may be looked at, and it names nothing of another site beside it."""
    texts = (problem.what, problem.fix)
    return everywhere or (may_see_file(problem.file, sees) and not any(map(withheld.holds, texts)))


def may_see_origin(origin: Origin, sees: Sees) -> bool:
    """Tell whether a line that names a value may be told: one of a site by that site, any other by everybody."""
    return not origin.file.startswith("sites/") or may_see_file(origin.file, sees)


def may_see_note(note: Note, sees: Sees) -> bool:
    """Tell whether what changes beside the stations may be told to somebody who does not see all sites."""
    return note.about in _OF_ALL_SITES or (note.about is About.SITES and sees(note.subject))


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
        withheld=Withheld.of(estate, person),
        sayings=await past.sayings(commits, Scope(person.sites)),
    )
