"""How the work proposes a change of the baseline: on a branch of its own, for people to approve or not."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Protocol

from asleft.domain.estate import Estate, Person
from asleft.domain.problems import Problem
from asleft.domain.profile import Profile

__all__ = ["Edit", "NewConcession", "NewRole", "NewStation", "Proposal", "Proposals", "Put", "Take", "Trials"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Put:
    """A value set in a file: in place where it stands, else added; comments and order of the file stay.

    Args:
        file: Path from the estate's folder.
        path: Keys from the top of the file, as `("settings", "panel", "menus")`.
        value: Text of the value.
    """

    file: str
    path: tuple[str, ...]
    value: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Take:
    """A value taken out of a file, with the groups that are empty without it."""

    file: str
    path: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class NewStation:
    """A station's file, with nothing of its own but the unit. Its settings follow as `Put`.

    Args:
        site: Site.
        name: Name of the station.
        serial: Serial of the unit.
        role: Role; empty for none.
        profile: Profile; empty for the estate's own.
    """

    site: str
    name: str
    serial: str
    role: str = ""
    profile: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class NewRole:
    """A role's file, without settings."""

    name: str
    meaning: str


@dataclass(frozen=True, kw_only=True, slots=True)
class NewConcession:
    """An entry of concessions.yaml, which is made where there is none. Meanings as in `domain.concessions.Concession`."""

    key: str
    setting: str
    value: str
    where: tuple[str, ...]
    holder: str
    reason: str
    until: date


Edit = Put | Take | NewStation | NewRole | NewConcession


@dataclass(frozen=True, kw_only=True, slots=True)
class Proposal:
    """A change that waits for people.

    Args:
        branch: Branch that holds it, as `asleft/adopt-quillfen-hall-drums-1a2b3c4d`.
        commit: Its commit.
        base: The revision that it changes.
        files: Files that it touches, with the lines taken out and put in: (file, diff in unified form).
        estate: The estate as it would be.
        problems: What the check says of it and did not say of the base; none of them is an error.
        pushed: Whether the branch is at the remote, too.
        why_not: Why it is not; empty where it is, or where there is no remote.
    """

    branch: str
    commit: str
    base: str
    files: tuple[tuple[str, str], ...]
    estate: Estate
    problems: tuple[Problem, ...]
    pushed: bool
    why_not: str = ""


class Proposals(Protocol):
    """Proposes changes. Never touches the branch that is followed."""

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
        """Make a branch with one commit on top of a revision.

        Args:
            edits: What changes, in this order.
            base: The revision that it is made on.
            name: What the branch is called after `asleft/`; a number is added where the name is taken.
            by: Author.
            subject: Subject of the commit.
            body: Body of the commit.
            trailers: Trailers of the commit.
            when: Time of the commit.

        Raises:
            AsleftError: An edit cannot be made, or the estate would not pass the check (each problem is told); no branch
                is left behind.
        """


class Trials(Proposals, Protocol):
    """Proposals that can be tried before they are made."""

    def trial(self, edits: Sequence[Edit], *, base: str) -> Estate:
        """Give the estate as it would be, whatever the day; there is no branch for it.

        Raises:
            AsleftError: An edit cannot be made, or the estate would not pass the check.
        """

    def profiles(self, base: str) -> Mapping[str, Profile]:
        """Give the models that are known at a revision, by name: those that come with asleft and the estate's own."""
