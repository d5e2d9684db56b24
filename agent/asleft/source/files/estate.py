"""What may stand in estate.yaml, people.yaml, concessions.yaml, and in a role."""

from datetime import date
from typing import Literal

from pydantic import Field

from asleft.domain.people import Approval, Right
from asleft.source.files.alarms import AlarmsRow
from asleft.source.files.hearing import LimitsRow
from asleft.source.files.parts import Line, Name, Part, SettingTree
from asleft.source.files.routes import QuietRow, Reach, RouteRow

__all__ = [
    "CheckRow",
    "ConcessionRow",
    "ConcessionsFile",
    "EstateFile",
    "OrdersRow",
    "PeopleFile",
    "PersonRow",
    "RoleFile",
]


class OrdersRow(Part):
    """How long a restore order may wait."""

    lapse_minutes: int = Field(default=15, ge=1, le=24 * 60)


class CheckRow(Part):
    """What a rule of the check weighs in this estate, and why."""

    level: Literal["error", "warn", "hint", "off"]
    reason: Line


class EstateFile(Part):
    """estate.yaml."""

    format: Literal["asleft-estate-1"]
    name: Line
    profile: Name
    approval: Approval = Approval.COMMIT
    orders: OrdersRow = OrdersRow()
    occasions: tuple[Name, ...] = ()
    limits: LimitsRow | None = None
    alarms: AlarmsRow = AlarmsRow()
    checks: dict[str, CheckRow] = {}
    routes: tuple[RouteRow, ...] = ()
    quiet: QuietRow | None = None
    firmware: dict[Name, tuple[Line, ...]] = {}
    settings: SettingTree = {}


class PersonRow(Part):
    """One person."""

    name: Line
    rights: tuple[Right, ...]
    sites: tuple[Name, ...] = ()
    signs_as: tuple[Line, ...] = ()
    reach: Reach = {}


class PeopleFile(Part):
    """people.yaml."""

    format: Literal["asleft-people-1"]
    people: dict[Name, PersonRow]


class ConcessionRow(Part):
    """One approved exception, until the end of a day."""

    setting: Line
    value: Line
    where: tuple[Line, ...] = ()
    holder: Line
    reason: Line
    until: date


class ConcessionsFile(Part):
    """concessions.yaml."""

    format: Literal["asleft-concessions-1"]
    concessions: dict[Name, ConcessionRow]


class RoleFile(Part):
    """roles/<role>.yaml."""

    format: Literal["asleft-role-1"]
    meaning: Line
    settings: SettingTree = {}
