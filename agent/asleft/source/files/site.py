"""What may stand in a site.yaml and in a station's file."""

from typing import Literal

from pydantic import Field

from asleft.source.files.parts import Line, Name, Part, SettingTree

__all__ = ["AddressesRow", "ReachRow", "SiteFile", "StationFile"]


class ReachRow(Part):
    """How the stations of a site are read."""

    by: Literal["ocp1"] = "ocp1"
    port: int = Field(ge=1, le=65535)


class AddressesRow(Part):
    """The address plan of a site."""

    subnet: str
    stations: str


class SiteFile(Part):
    """sites/<site>/site.yaml."""

    format: Literal["asleft-site-1"]
    name: Line
    time_zone: str
    addresses: AddressesRow
    reach: ReachRow
    settings: SettingTree = {}


class StationFile(Part):
    """sites/<site>/stations/<station>.yaml."""

    format: Literal["asleft-station-1"]
    serial: str = Field(default="", max_length=64)
    role: Name | None = None
    profile: Name | None = None
    settings: SettingTree = {}
