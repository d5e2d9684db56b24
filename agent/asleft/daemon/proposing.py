"""The proposals of a home: branches of the baseline that it has cloned, by the agent whose settings it has."""

import threading
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from asleft.daemon.assembly import baseline_of
from asleft.daemon.home import Home
from asleft.daemon.settings.settings import Settings
from asleft.domain.estate import Estate, Person
from asleft.domain.profile import Profile
from asleft.ports.proposals import Edit, Proposal

if TYPE_CHECKING:
    from asleft.source.proposals import GitProposals

__all__ = ["LateProposals", "proposals_of"]


class LateProposals:
    """Proposals that are got ready when the first is asked for: few commands propose, and none shall wait for it.

    Args:
        make: Gets them ready.
    """

    def __init__(self, make: "Callable[[], GitProposals]") -> None:
        self._make = make
        self._made: GitProposals | None = None
        self._turn = threading.Lock()

    def propose(
        self,
        edits: Sequence[Edit],
        *,
        base: str,
        name: str,
        by: Person,
        subject: str,
        body: str = "",
        trailers: Sequence[tuple[str, str]] = (),
        when: datetime,
    ) -> Proposal:
        """Make a branch with one commit on top of a revision."""
        return self._ready().propose(
            edits, base=base, name=name, by=by, subject=subject, body=body, trailers=trailers, when=when
        )

    def trial(self, edits: Sequence[Edit], *, base: str) -> Estate:
        """Give the estate as it would be."""
        return self._ready().trial(edits, base=base)

    def profiles(self, base: str) -> Mapping[str, Profile]:
        """Give the models that are known at a revision."""
        return self._ready().profiles(base)

    def close(self) -> None:
        """End what was got ready."""
        if self._made is not None:
            self._made.close()

    def _ready(self) -> "GitProposals":
        with self._turn:
            if self._made is None:
                self._made = self._make()
            return self._made


def proposals_of(home: Home, settings: Settings) -> LateProposals:
    """Give what makes proposals for a home; it reads the clone by itself, so that it may be used in another thread.

    Args:
        home: The home, whose baseline is cloned. It has to be owned.
        settings: Its settings: folder, remote, the agent's name and key.
    """
    return LateProposals(lambda: _proposals(home, settings))


def _proposals(home: Home, settings: Settings) -> "GitProposals":
    from asleft.source.profiles import shipped_profiles  # noqa: PLC0415 only who proposes needs it
    from asleft.source.proposal_commits import Author, ProposalCommits  # noqa: PLC0415 as above
    from asleft.source.proposals import GitProposals  # noqa: PLC0415 as above

    place = Path(settings.baseline)
    commits = ProposalCommits(
        home.baseline,
        agent=Author(name=settings.agent_name, email=settings.agent_email),
        signing_key=settings.signing_key,
        remote=str(place.resolve()) if place.is_dir() else settings.baseline,
    )
    return GitProposals(commits, baseline_of(home, settings), shipped_profiles(), prefix=settings.folder)
