"""What may stand in a site.yaml and in a station's file."""

from typing import Literal

from pydantic import Field

from asleft.source.files.addresses import AddressesRow
from asleft.source.files.contacts import MOST, ContactRow
from asleft.source.files.hearing import HearingRow
from asleft.source.files.parts import Line, Name, Part, SettingTree
from asleft.source.files.reach import ReachRow
from asleft.source.files.signals import PatchRow, RecordingRow, StreamsRow

__all__ = ["SiteFile", "StationFile"]


class SiteFile(Part):
    """sites/<site>/site.yaml."""

    format: Literal["asleft-site-1"]
    name: Line
    time_zone: str
    addresses: AddressesRow
    reach: ReachRow
    patch: PatchRow | None = None
    streams: StreamsRow | None = None
    recording: RecordingRow | None = None
    hearing: HearingRow | None = None
    contacts: tuple[ContactRow, ...] = Field(default=(), max_length=MOST)
    settings: SettingTree = {}


class StationFile(Part):
    """sites/<site>/stations/<station>.yaml."""

    format: Literal["asleft-station-1"]
    serial: str = Field(default="", max_length=64)
    role: Name | None = None
    profile: Name | None = None
    hearing: HearingRow | None = None
    settings: SettingTree = {}
