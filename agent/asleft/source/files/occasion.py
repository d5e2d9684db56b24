"""What may stand in the file of an occasion."""

from typing import Literal

from asleft.domain.profile import Concern
from asleft.source.files.parts import Line, Part, SettingTree

__all__ = ["OccasionFile"]


class OccasionFile(Part):
    """occasions/<occasion>.yaml."""

    format: Literal["asleft-occasion-1"]
    meaning: Line
    performance: bool = False
    suppresses: tuple[Concern, ...] = ()
    settings: SettingTree = {}
