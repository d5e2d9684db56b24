"""What is proposed, as values and in words: the plan of a proposal, what was made of it, and its record."""

import hashlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from asleft.domain.effects.effect import Effect
from asleft.domain.errors import AsleftError
from asleft.domain.estate import AsLeft, Estate
from asleft.domain.hazards import HazardKind
from asleft.domain.hearing import CAUTION
from asleft.domain.journal import Message
from asleft.domain.kinds import Foreign, Found, NotAValue, Value
from asleft.domain.names import harmless
from asleft.domain.people import Approval, Person
from asleft.domain.problems import Problem
from asleft.domain.profile import Profile, Setting
from asleft.domain.snapshot import AsFound
from asleft.domain.stations import StationId
from asleft.ports.ledger import Looked
from asleft.ports.proposals import Edit

__all__ = [
    "Asking",
    "CannotPropose",
    "Plan",
    "Proposed",
    "act_message",
    "approve_words",
    "commit_trailers",
    "few",
    "known_setting",
    "refusal_message",
    "text_of",
    "typed",
    "what_was_found",
]

_FEW: Final = 8
_LONGEST_BRANCH: Final = 100


class CannotPropose(AsleftError):
    """Something cannot be proposed; there is no branch and nothing was changed."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Asking:
    """Who asks for a proposal, why, and what it is made on.

    Args:
        estate: In force, in its normal state.
        here: The same with the occasions that are on now.
        now: When, UTC.
        person: Who asks.
        reason: Why.
    """

    estate: Estate
    here: Estate
    now: datetime
    person: Person
    reason: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Plan:
    """What a proposal shall say.

    Args:
        verb: What it is, one word: adopt, concede, exchange, enrol.
        station: The station that it is about.
        edits: What changes in the files.
        what: What is proposed, in words that go on after the station's name.
        lines: More of that, one line each.
        settings: The settings that it is about.
        warnings: What a person should know before it is approved.
        then: What comes after it is approved; empty where nothing does.
    """

    verb: str
    station: StationId
    edits: tuple[Edit, ...]
    what: str
    lines: tuple[str, ...] = ()
    settings: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    then: str = ""

    @property
    def branch(self) -> str:
        """The name of its branch; what is proposed again has the same."""
        digest = hashlib.sha256(repr(self.edits).encode()).hexdigest()[:8]
        return f"{f'{self.verb}-{self.station.site}-{self.station.name}'[:_LONGEST_BRANCH]}-{digest}"


@dataclass(frozen=True, kw_only=True, slots=True)
class Proposed:
    """A proposal as it is told to people.

    Args:
        station: The station that it is about.
        subject: What is proposed, one sentence.
        branch: Branch that holds it.
        commit: Its commit.
        base: The revision that it changes.
        made: When, UTC.
        files: Files that it touches: (file, difference in unified form); that is empty where it may not be told.
        pushed: Whether the branch is at the remote, too.
        why_not: Why it is not; empty where it is, or where there is no remote.
        effect: What it does, station by station.
        problems: What the check says of it and did not say of the base; none of them is an error.
        cautions: What a person should know of the station before it is approved.
        approve: How it is approved.
        then: What comes after that; empty where nothing does.
        elsewhere: What is said of other stations that change; None where the effect, which is then told whole, says it.
        in_part: Whether there are sites of which nothing is told.
    """

    station: StationId
    subject: str
    branch: str
    commit: str
    base: str
    made: datetime
    files: tuple[tuple[str, str], ...]
    pushed: bool
    why_not: str
    effect: Effect
    problems: tuple[Problem, ...]
    cautions: tuple[str, ...]
    approve: str
    then: str
    elsewhere: tuple[str, ...] | None = None
    in_part: bool = False

    @property
    def warnings(self) -> tuple[str, ...]:
        """What a person should know before it is approved."""
        return self.warned(lambda _: True)

    def warned(self, sees: Callable[[str], bool]) -> tuple[str, ...]:
        """Give what somebody should know before it is approved who may look at some sites alone.

        Args:
            sees: Tells whether a site may be looked at; stations of others are counted and not named.
        """
        return (*self.cautions, *self.said_elsewhere(sees))

    def said_elsewhere(self, sees: Callable[[str], bool]) -> tuple[str, ...]:
        """Give what is said of other stations that change; meanings as in `warned`."""
        if self.elsewhere is not None:
            return self.elsewhere
        return tuple(_elsewhere(self.effect, self.station, sees))


def few(names: Iterable[object]) -> str:
    """Name the first few, and count the rest."""
    listed = [str(name) for name in names]
    more = f" and {len(listed) - _FEW} more" if len(listed) > _FEW else ""
    return f"{', '.join(listed[:_FEW])}{more}"


def text_of(setting: Setting, value: Found) -> str:
    """Give the text under which a found value can stand in a file.

    Raises:
        CannotPropose: The profile does not know the value, or it is none that can be approved.
    """
    if isinstance(value, Foreign):
        raise CannotPropose(
            f"{setting.name} is {setting.show(value)}: what the profile does not know cannot be approved",
            todo="set it to a value that the profile has, or add the value to the profile",
        )
    text = value if isinstance(value, str) else setting.kind.show(value)
    try:
        setting.kind.parse(text)
    except NotAValue as wrong:
        raise CannotPropose(
            f"{setting.name} is {setting.show(value)}, which cannot be approved: {wrong.what}", todo=wrong.fix
        ) from wrong
    return text


def typed(setting: Setting, text: str) -> Value:
    """Give the value of a text that a person gave.

    Raises:
        CannotPropose: It is no value of the setting.
    """
    try:
        return setting.kind.parse(text)
    except NotAValue as wrong:
        raise CannotPropose(f"{setting.name}: {wrong.what}", todo=wrong.fix) from wrong


def known_setting(profile: Profile, name: str) -> Setting:
    """Give a setting that the baseline may name.

    Raises:
        CannotPropose: There is none of that name, or it is not the estate's to set.
    """
    setting = profile.settings.get(name)
    if setting is None:
        raise CannotPropose(f"there is no setting '{harmless(name)}'", todo=profile.suggest(name))
    if not setting.managed:
        whose = "the player's own" if setting.keeper == "player" else "told by the station itself"
        raise CannotPropose(
            f"{name} is {whose}: it is never approved", todo="name a setting that the baseline may name"
        )
    return setting


def what_was_found(left: AsLeft, looked: Looked | None) -> AsFound:
    """Give what is known of a station from the last look at it.

    Raises:
        CannotPropose: It was not read at the last look, or another unit than the approved one answered.
    """
    where = str(left.station)
    if looked is None or not isinstance(looked.last, AsFound):
        why = (
            "it was never looked at"
            if looked is None
            else f"it was not read at the last look: {_why(looked)}"
        )
        raise CannotPropose(
            f"how it is now is not known: {why}",
            where=where,
            todo=f"make a round: asleft round --site {left.station.site}",
        )
    found = looked.last
    if left.serial and found.serial != left.serial:
        raise CannotPropose(
            f"another unit answers, serial {harmless(found.serial)}; approved is {left.serial}",
            where=where,
            todo=f"put the approved unit back, or: asleft exchange {where} --serial NEW",
        )
    return found


def _why(looked: Looked) -> str:
    last = looked.last
    return "" if isinstance(last, AsFound) else harmless(last.why)


def act_message(asking: Asking, plan: Plan, proposed: Proposed) -> Message:
    """Say in the records what was proposed."""
    files = "\n".join(path for path, _ in proposed.files)
    return Message(
        subject=proposed.subject,
        body="\n".join((*plan.lines, f"commit {proposed.commit} changes", files)),
        trailers=(
            ("Site", plan.station.site),
            ("Station", str(plan.station)),
            *(("Setting", name) for name in plan.settings),
            ("Proposal", proposed.branch),
            ("By", _who(asking.person)),
            ("Reason", asking.reason),
            ("Baseline", asking.estate.commit),
        ),
    )


def refusal_message(site: str, verb: str, why: str, *, by: str, reason: str, baseline: str) -> Message:
    """Say in the records that somebody was not let propose something at a site.

    Args:
        site: The site.
        verb: What was asked, as `adopt`.
        why: Why not.
        by: The name that was given.
        reason: The reason that was given.
        baseline: The revision in force.
    """
    return Message(
        subject=f"{site}: refused to propose: {verb}",
        body=why,
        trailers=(
            ("Site", site),
            ("By", by),
            *([("Reason", reason)] if reason else []),
            ("Baseline", baseline),
        ),
    )


def commit_trailers(asking: Asking, plan: Plan) -> Sequence[tuple[str, str]]:
    """Give the trailers of the proposal's own commit."""
    return (
        ("Site", plan.station.site),
        ("Station", str(plan.station)),
        *(("Setting", name) for name in plan.settings),
        ("Reason", asking.reason),
    )


def _who(person: Person) -> str:
    return f"{person.name} ({person.key})"


def approve_words(rule: Approval, branch: str, commit: str) -> str:
    """Say how a proposal comes into force under an approval rule."""
    match rule:
        case Approval.COMMIT:
            return f"merge {branch} into the branch that asleft follows"
        case Approval.SIGNED:
            return (
                "take it over with an approver's signature, for every commit has to bear one: "
                f"git cherry-pick --gpg-sign {commit[:12]}, on the branch that asleft follows"
            )
        case Approval.TAG:
            return f"merge {branch} into the branch that asleft follows, and sign a tag of it as an approver"


def _elsewhere(effect: Effect, station: StationId, sees: Callable[[str], bool]) -> Iterator[str]:
    """Say which other stations change, and where that can be louder at the ear."""
    groups = [*effect.groups, *(group for during in effect.during for group in during.groups)]
    others = {one for group in groups for one in group.stations} - {station}
    if others:
        many = len(others) != 1
        yield f"{len(others)} other station{'s' * many} change{'s' * (not many)}, too: {_named(others, sees)}"
    louder = {one for group in groups if group.worst is HazardKind.HEARING for one in group.stations} - {
        station
    }
    if louder:
        yield f"it can get louder at the ear there once it is restored: {_named(louder, sees)}. {CAUTION}"


def _named(stations: Iterable[StationId], sees: Callable[[str], bool]) -> str:
    listed = sorted(stations)
    seen = [one for one in listed if sees(one.site)]
    hidden = len(listed) - len(seen)
    own = [few(seen)] if seen else []
    others = f"{hidden} of {'another site' if hidden == 1 else 'other sites'}"
    return ", and ".join([*own, *([others] if hidden else [])])
