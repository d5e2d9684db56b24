"""What may stand in a profile."""

from typing import Literal

from pydantic import Field, FiniteFloat

from asleft.domain.profile import Concern, Keeper, Place
from asleft.source.files.parts import Line, Name, Part

__all__ = [
    "ActionRow",
    "EarRow",
    "IdentityRow",
    "ObjectRow",
    "PairRow",
    "PatchingRow",
    "ProfileFile",
    "SettingRow",
]


class ObjectRow(Part):
    """Where a setting is on the wire: role path and AES70 class, or a manager's class and property."""

    path: str = ""
    class_: str
    property_: str = ""
    part: str = ""
    codes: dict[str, str] = {}


class SettingRow(Part):
    """One setting of a profile; `each` makes one of it for every word listed."""

    meaning: Line
    kind: Literal["choice", "switch", "level", "whole", "text", "address", "reading"]
    kept_by: Keeper = Keeper.ESTATE
    concern: Concern
    matters: str = ""
    place: Place | None = None
    louder: str = ""
    heard: bool = False
    opens: str = ""
    concede: str = ""
    factory: str | None = None
    values: tuple[str, ...] = ()
    unit: str = ""
    lowest: FiniteFloat | None = None
    highest: FiniteFloat | None = None
    step: FiniteFloat = Field(default=1.0, gt=0)
    tolerance: FiniteFloat = Field(default=0.0, ge=0)
    longest: int = Field(default=32, gt=0)
    prefixed: bool = False
    each: tuple[str, ...] = ()
    object_: ObjectRow
    hands: dict[Name, ObjectRow] = {}


class ActionRow(Part):
    """Something that a station can be told to do."""

    meaning: Line
    asks_serial: bool = False
    object_: ObjectRow


class IdentityRow(Part):
    """The readings that say who a station is."""

    serial: str
    model: str
    firmware: str


class PairRow(Part):
    """An output pair: the setting that chooses what it sends, and what its values stand for."""

    setting: str
    carries: dict[str, Literal["input", "room", "mix"]]


class PatchingRow(Part):
    """How signals go through a station."""

    heard: str
    joins: str = ""
    pairs: dict[Name, PairRow] = {}


class EarRow(Part):
    """The settings that decide how loud a headphone output can get; `each` makes one of it for every word listed."""

    name: str = ""
    gain: str
    limiter: str = ""
    limiter_level: str = ""
    each: tuple[str, ...] = ()


class ProfileFile(Part):
    """profiles/<profile>.yaml."""

    format: Literal["asleft-profile-1"]
    title: Line
    model: Line
    identity: IdentityRow
    reached_at: str
    patching: PatchingRow | None = None
    ears: tuple[EarRow, ...] = ()
    settings: dict[str, SettingRow]
    actions: dict[str, ActionRow] = {}
