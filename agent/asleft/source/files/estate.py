"""What may stand in estate.yaml, people.yaml, concessions.yaml, and in a role."""

from datetime import date
from typing import Annotated, Literal

from pydantic import AfterValidator
from pydantic_core import PydanticCustomError

from asleft.domain.people import Approval, Right
from asleft.domain.profile import Concern
from asleft.source.files.alarms import AlarmsRow
from asleft.source.files.hearing import LimitsRow
from asleft.source.files.orders import OrdersRow
from asleft.source.files.parts import Line, Name, Part, SettingTree
from asleft.source.files.routes import QuietRow, Reach, RouteRow

__all__ = [
    "CheckRow",
    "ConcessionRow",
    "ConcessionsFile",
    "EstateFile",
    "PeopleFile",
    "PersonRow",
    "RoleFile",
]


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


def _some(concerns: tuple[Concern, ...]) -> tuple[Concern, ...]:
    if not concerns:
        raise PydanticCustomError(
            "empty",
            "no concern is named; leave the line out for all of them, or take confirm out of the rights",
        )
    return concerns


class PersonRow(Part):
    """One person."""

    name: Line
    rights: tuple[Right, ...]
    sites: tuple[Name, ...] = ()
    signs_as: tuple[Line, ...] = ()
    concerns: Annotated[tuple[Concern, ...], AfterValidator(_some)] = ()
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
