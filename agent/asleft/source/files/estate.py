"""What may stand in estate.yaml, people.yaml, concessions.yaml, and in a role or an occasion."""

from typing import Literal

from pydantic import Field

from asleft.domain.people import Right
from asleft.source.files.parts import Line, Name, Part, SettingTree

__all__ = ["EstateFile", "OrdersRow", "PeopleFile", "PersonRow", "RoleFile"]


class OrdersRow(Part):
    """How long a restore order may wait."""

    lapse_minutes: int = Field(default=15, ge=1, le=24 * 60)


class EstateFile(Part):
    """estate.yaml."""

    format: Literal["asleft-estate-1"]
    name: Line
    profile: Name
    approval: Literal["commit"] = "commit"
    orders: OrdersRow = OrdersRow()
    firmware: dict[Name, tuple[Line, ...]] = {}
    settings: SettingTree = {}


class PersonRow(Part):
    """One person."""

    name: Line
    rights: tuple[Right, ...]
    sites: tuple[Name, ...] = ()


class PeopleFile(Part):
    """people.yaml."""

    format: Literal["asleft-people-1"]
    people: dict[Name, PersonRow]


class RoleFile(Part):
    """roles/<role>.yaml."""

    format: Literal["asleft-role-1"]
    meaning: Line
    settings: SettingTree = {}
