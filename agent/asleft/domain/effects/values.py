"""What a change of the baseline does, as values: groups of stations that change alike, and what changes with them."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final, Self

from asleft.domain.effects.beside import Note
from asleft.domain.hazards import Hazard, HazardKind
from asleft.domain.layers import Origin
from asleft.domain.stations import StationId

__all__ = ["WORST_FIRST", "Change", "During", "Effect", "Fact", "FoundAs", "Group", "Planned"]

WORST_FIRST: Final = tuple(HazardKind)
_ANOTHER: Final = "another site's station"


@dataclass(frozen=True, kw_only=True, slots=True)
class Fact:
    """Something about the unit itself that changes: its name, serial, model, role, approved firmware.

    Args:
        what: Which of them.
        before: What it was, as text.
        after: What it is to be, as text.
        other: Another station that is named in one of the two: whose unit it was, or how it was called until now.
    """

    what: str
    before: str
    after: str
    other: StationId | None = None

    def told(self, sees: Callable[[str], bool]) -> Self:
        """Give it as it may be told to somebody who may look at some sites alone."""
        if self.other is None or sees(self.other.site):
            return self
        before, after = (text.replace(str(self.other), _ANOTHER) for text in (self.before, self.after))
        return replace(self, before=before, after=after, other=None)


@dataclass(frozen=True, kw_only=True, slots=True)
class FoundAs:
    """How a setting was last found at some stations.

    Args:
        text: The found value as text; None where it is not known.
        so: Whether that is what the change asks for already.
        stations: Where.
    """

    text: str | None
    so: bool
    stations: tuple[StationId, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Change:
    """One approved setting that changes.

    Args:
        setting: Dotted name.
        meaning: What it is, in plain words.
        before: Approved until now, as text; None where no layer named it.
        after: Approved from now on, as text; None where no layer names it any more, so that it is left alone.
        was: The lines that named it until now; more than one where the stations of a group had it from several.
        by: The line that names it now, or takes it away; None where it was named and that line is just gone.
        hazards: What writing it can do.
        found: How it was last found; empty where nobody asked.
    """

    setting: str
    meaning: str
    before: str | None
    after: str | None
    was: tuple[Origin, ...]
    by: Origin | None
    hazards: tuple[Hazard, ...]
    found: tuple[FoundAs, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Group:
    """Stations of one model that change alike.

    Args:
        model: Name of their profile.
        stations: Which, as they are named after the change.
        facts: What changes about the units.
        changes: What changes in their settings, in the profile's order.
    """

    model: str
    stations: tuple[StationId, ...]
    facts: tuple[Fact, ...]
    changes: tuple[Change, ...]

    @property
    def worst(self) -> HazardKind | None:
        """The worst kind of hazard among its changes."""
        kinds = {hazard.kind for change in self.changes for hazard in change.hazards}
        return min(kinds, key=WORST_FIRST.index, default=None)

    @property
    def rank(self) -> int:
        """Where it stands among groups: hearing first, then addresses, then other hazards."""
        ranks = {HazardKind.HEARING: 0, HazardKind.ADDRESS: 1, None: 3}
        return ranks.get(self.worst, 2)


@dataclass(frozen=True, kw_only=True, slots=True)
class Planned:
    """A station that comes or goes.

    Args:
        station: Which.
        model: Name of its profile.
        role: Its role; empty where it has none.
        serial: Approved serial; empty where there is none yet.
        address: Approved address.
        hearing: What is approved for the ear: meaning and value.
    """

    station: StationId
    model: str
    role: str
    serial: str
    address: str
    hearing: tuple[tuple[str, str], ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class During:
    """What changes only while an occasion is on."""

    occasion: str
    groups: tuple[Group, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Effect:
    """What one change of the baseline does.

    Args:
        groups: Stations that change, those with hazards first.
        added: Stations that were not there before.
        removed: Stations that are no longer there.
        during: What changes only while an occasion is on.
        notes: What changes beside the stations.
        total: How many stations there are after it.
        against_found: Whether it was held against what was found.
    """

    groups: tuple[Group, ...]
    added: tuple[Planned, ...]
    removed: tuple[Planned, ...]
    during: tuple[During, ...]
    notes: tuple[Note, ...]
    total: int
    against_found: bool

    @property
    def changed(self) -> int:
        """How many stations change, those that come or go not counted."""
        return sum(len(group.stations) for group in self.groups)

    @property
    def nothing(self) -> bool:
        """Whether it does nothing at all."""
        return not (self.groups or self.added or self.removed or self.during or self.notes)
