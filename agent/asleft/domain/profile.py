"""A profile: the table of settings that one station model has. It is data, never code."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntEnum, StrEnum

from asleft.domain.kinds import Foreign, Found, Kind, Level, Reading, Value, Whole, nearest

__all__ = [
    "Action",
    "Concern",
    "Ear",
    "Identity",
    "Keeper",
    "Pair",
    "Patching",
    "Place",
    "Point",
    "Priority",
    "Profile",
    "Setting",
    "Stage",
    "priority_of",
]


class Keeper(StrEnum):
    """Who a setting belongs to."""

    ESTATE = "estate"
    """Approved in the baseline, compared, restored."""
    PLAYER = "player"
    """The musician's own: never compared, never written, not even read."""
    DEVICE = "device"
    """Told by the station itself: readings."""


class Concern(StrEnum):
    """Why a setting matters."""

    HEARING = "hearing"
    ACCESS = "access"
    NETWORK = "network"
    PROGRAMME = "programme"
    COMFORT = "comfort"
    SERVICE = "service"


class Priority(StrEnum):
    """How soon a person should act (IEC 62682 speaks of priority; three of them)."""

    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"


_PRIORITIES = {
    Concern.HEARING: Priority.HIGH,
    Concern.ACCESS: Priority.MEDIUM,
    Concern.NETWORK: Priority.MEDIUM,
    Concern.PROGRAMME: Priority.MEDIUM,
    Concern.SERVICE: Priority.LOW,
    Concern.COMFORT: Priority.LOW,
}


def priority_of(concern: Concern) -> Priority:
    """Give the priority that a concern has unless the estate says otherwise."""
    return _PRIORITIES[concern]


class Place(StrEnum):
    """What a write of a setting is, for the safe order of writes."""

    LEVEL = "level"
    PATCH = "patch"
    ACCESS = "access"
    LIGHT = "light"
    """Seen, and nothing else: dimming of displays and keys, the lamp by which a station is found."""
    ADDRESS = "address"


class Stage(IntEnum):
    """The safe order of writes: whatever makes it quieter first, the address last (common practice, no source)."""

    REDUCE = 1
    PATCH = 2
    RAISE = 3
    ACCESS = 4
    ADDRESS = 5


@dataclass(frozen=True, kw_only=True, slots=True)
class Point:
    """Where a setting is on the wire, in AES70 terms.

    Args:
        path: Role path below the root block; empty for a manager, which has a fixed object number.
        class_name: AES70 class, as `OcaSwitch`; methods follow from it.
        property_name: Property of the class; empty for the one that the class is about.
        part: Field of a property that holds several settings in one; else empty.
        codes: Word on the wire to word in the profile, where they differ.
    """

    path: tuple[str, ...]
    class_name: str
    property_name: str = ""
    part: str = ""
    codes: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, slots=True)
class Setting:
    """One row of a profile.

    Args:
        name: Dotted name, as `headphones.gain`.
        meaning: What it is, as a noun in plain words.
        kind: How its values are read and shown.
        keeper: Who it belongs to.
        concern: Why it matters.
        matters: What it does to people when it is not as left, one plain sentence.
        place: What a write of it is; None where nobody writes it.
        louder: Which way is louder at the ear: `higher`, `lower`, or the value that is; empty where none is.
        heard: Whether a write is heard by player or audience.
        opens: The value that lets people or programs in; empty where none does.
        concede: The value that needs a concession where it is the normal state; empty where none does.
        factory: Value in factory state; None where the station makes it up itself.
        point: Where it is on the wire.
        hands: Where the station tells what a person needs to come in while it is opened, by what that is, as `id` and
            `password`. It is no setting: it is shown to a person once, and never compared, recorded or kept.
    """

    name: str
    meaning: str
    kind: Kind
    keeper: Keeper
    concern: Concern
    matters: str
    place: Place | None
    louder: str = ""
    heard: bool = False
    opens: str = ""
    concede: str = ""
    factory: Value | None = None
    point: Point
    hands: Mapping[str, Point] = field(default_factory=dict)

    @property
    def managed(self) -> bool:
        """Whether the baseline may name it."""
        return self.keeper is Keeper.ESTATE

    def show(self, value: Found | None) -> str:
        """Give the text of a value, or of there being none."""
        return "not set" if value is None else self.kind.show(value)

    def is_louder(self, before: Found, after: Value) -> bool:
        """Tell whether a change can make it louder at the ear; from a foreign value it always can."""
        if not self.louder or before == after:
            return False
        if isinstance(before, Foreign):
            return True
        if self.louder in {"higher", "lower"}:
            return (float(after) > float(before)) == (self.louder == "higher")
        return self.kind.show(after) == self.louder

    def rise_in_db(self, before: Found, after: Value) -> float | None:
        """Give by how many decibels a level rises (negative: falls), None where that is not known."""
        if not isinstance(self.kind, Level) or self.kind.unit != "dB" or isinstance(before, Foreign):
            return None
        rise = float(after) - float(before)
        return -rise if self.louder == "lower" else rise

    def stage(self, before: Found, after: Value) -> Stage:
        """Give the place of a write in the safe order."""
        match self.place:
            case Place.ADDRESS:
                return Stage.ADDRESS
            case Place.PATCH:
                return Stage.PATCH
            case Place.LEVEL:
                return Stage.RAISE if self.is_louder(before, after) else Stage.REDUCE
            case _:
                return Stage.ACCESS

    def tolerance(self) -> float:
        """Give how far a found number may be from the approved one, in the setting's unit."""
        return self.kind.tolerance if isinstance(self.kind, Level) else 0.0

    def is_number(self) -> bool:
        """Whether its values have an order in which one can be said to be raised or lowered."""
        return isinstance(self.kind, Level | Whole | Reading)


@dataclass(frozen=True, kw_only=True, slots=True)
class Action:
    """Something a station can be told to do, which leaves no setting behind."""

    name: str
    meaning: str
    asks_serial: bool
    point: Point


@dataclass(frozen=True, kw_only=True, slots=True)
class Identity:
    """Which readings say who a station is."""

    serial: str
    model: str
    firmware: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Pair:
    """An output pair of a station, and what it sends.

    Args:
        name: As the patch names it: `network`, `line`.
        setting: The setting that chooses what it sends.
        carries: Value of that setting to what is sent: `input`, `room` or `mix`. A value not listed sends nothing.
    """

    name: str
    setting: str
    carries: Mapping[str, str]


@dataclass(frozen=True, kw_only=True, slots=True)
class Patching:
    """How signals go through a station: which settings say so.

    Args:
        heard: The setting that chooses the monitor mix that is heard.
        joins: The switch that brings the local input into that mix; empty where there is none.
        pairs: The output pairs, by name.
    """

    heard: str
    joins: str
    pairs: Mapping[str, Pair]


@dataclass(frozen=True, kw_only=True, slots=True)
class Ear:
    """One headphone output: which settings decide how loud it can get.

    Args:
        name: As people name it; empty where the station has only one.
        gain: The setting with its gain range, in dB.
        limiter: The switch of its limiter; empty where there is none.
        limiter_level: The setting with its limiter's level, in dB below the amplifier's highest; empty where there is none.
    """

    name: str
    gain: str
    limiter: str
    limiter_level: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Profile:
    """All that is known of one station model.

    Args:
        name: Name of the profile; the file's name.
        title: What the model is, in plain words.
        model: What such a station says its model is.
        identity: The readings that say who a station is.
        reached_at: The setting that says at which address a station is reached.
        settings: Rows by dotted name, in the order of the file.
        actions: What such a station can be told to do.
        patching: How signals go through it; None where the profile does not say.
        ears: Its headphone outputs, as far as the profile says.
    """

    name: str
    title: str
    model: str
    identity: Identity
    reached_at: str
    settings: Mapping[str, Setting]
    actions: Mapping[str, Action]
    patching: Patching | None = None
    ears: tuple[Ear, ...] = ()

    def managed(self) -> tuple[Setting, ...]:
        """Give the settings that the baseline may name, in the order of the profile."""
        return tuple(setting for setting in self.settings.values() if setting.managed)

    def readings(self) -> tuple[Setting, ...]:
        """Give what the station tells about itself."""
        return tuple(setting for setting in self.settings.values() if setting.keeper is Keeper.DEVICE)

    def suggest(self, name: str) -> str:
        """Say which managed setting a mistyped name is closest to."""
        return nearest(name, [setting.name for setting in self.managed()])
