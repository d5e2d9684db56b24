"""What may stand in each kind of file of a baseline repository, and in a profile."""

from typing import Annotated, Any, Literal, TypeVar

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, FiniteFloat
from pydantic_core import PydanticCustomError, ValidationError

from asleft.domain.estate import Right
from asleft.domain.kinds import nearest
from asleft.domain.names import NAME_RULE, harmless, is_name
from asleft.domain.problems import Level, Problem
from asleft.domain.profile import Concern, Keeper, Place
from asleft.source.documents import Document

__all__ = [
    "ActionRow",
    "EstateFile",
    "PeopleFile",
    "ProfileFile",
    "RoleFile",
    "SettingRow",
    "SiteFile",
    "StationFile",
    "validate",
]


def _check_name(text: str) -> str:
    if not is_name(text):
        raise PydanticCustomError("name", f"'{harmless(text)}' is no name: {NAME_RULE}")
    return text


Name = Annotated[str, AfterValidator(_check_name)]
SettingTree = dict[str, Any]
_File = TypeVar("_File", bound=BaseModel)
_LONGEST_LINE = 200
Line = Annotated[str, Field(min_length=1, max_length=_LONGEST_LINE)]


class _Part(BaseModel):
    """Part of a file: unknown keys are refused, keys are written with hyphens."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, alias_generator=lambda field: field.rstrip("_").replace("_", "-")
    )


class ObjectRow(_Part):
    """Where a setting is on the wire: role path and AES70 class, or a manager's class and property."""

    path: str = ""
    class_: str
    property_: str = ""
    part: str = ""
    codes: dict[str, str] = {}


class SettingRow(_Part):
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


class ActionRow(_Part):
    """Something that a station can be told to do."""

    meaning: Line
    asks_serial: bool = False
    object_: ObjectRow


class IdentityRow(_Part):
    """The readings that say who a station is."""

    serial: str
    model: str
    firmware: str


class ProfileFile(_Part):
    """profiles/<profile>.yaml."""

    format: Literal["asleft-profile-1"]
    title: Line
    model: Line
    identity: IdentityRow
    reached_at: str
    settings: dict[str, SettingRow]
    actions: dict[str, ActionRow] = {}


class OrdersRow(_Part):
    """How long a restore order may wait."""

    lapse_minutes: int = Field(default=15, ge=1, le=24 * 60)


class EstateFile(_Part):
    """estate.yaml."""

    format: Literal["asleft-estate-1"]
    name: Line
    profile: Name
    approval: Literal["commit"] = "commit"
    orders: OrdersRow = OrdersRow()
    firmware: dict[Name, tuple[Line, ...]] = {}
    settings: SettingTree = {}


class PersonRow(_Part):
    """One person."""

    name: Line
    rights: tuple[Right, ...]
    sites: tuple[Name, ...] = ()


class PeopleFile(_Part):
    """people.yaml."""

    format: Literal["asleft-people-1"]
    people: dict[Name, PersonRow]


class RoleFile(_Part):
    """roles/<role>.yaml."""

    format: Literal["asleft-role-1"]
    meaning: Line
    settings: SettingTree = {}


class ReachRow(_Part):
    """How the stations of a site are read."""

    by: Literal["ocp1"] = "ocp1"
    port: int = Field(ge=1, le=65535)


class AddressesRow(_Part):
    """The address plan of a site."""

    subnet: str
    stations: str


class SiteFile(_Part):
    """sites/<site>/site.yaml."""

    format: Literal["asleft-site-1"]
    name: Line
    time_zone: str
    addresses: AddressesRow
    reach: ReachRow
    settings: SettingTree = {}


class StationFile(_Part):
    """sites/<site>/stations/<station>.yaml."""

    format: Literal["asleft-station-1"]
    serial: str = Field(default="", max_length=64)
    role: Name | None = None
    profile: Name | None = None
    settings: SettingTree = {}


def validate(model: type[_File], document: Document) -> tuple[_File | None, list[Problem]]:
    """Check a document against what its kind of file may hold, telling everything that is wrong with its line."""
    try:
        return model.model_validate(document.tree), []
    except ValidationError as wrong:
        return None, [_problem(model, document, dict(error)) for error in wrong.errors(include_url=False)]


def _problem(model: type[BaseModel], document: Document, error: dict[str, Any]) -> Problem:
    path = tuple(error["loc"])
    if path and path[-1] == "[key]":
        path = path[:-1]
    key = ".".join(str(step) for step in path)
    rule, what, fix = (
        "file.value",
        f"{key}: {error['msg'][:1].lower()}{error['msg'][1:]}",
        "see the guide for this kind of file",
    )
    match error["type"]:
        case "missing":
            rule, what, fix = "file.missing", f"the key '{key}' is missing", f"write a line '{path[-1]}: …'"
        case "extra_forbidden":
            rule, what = "file.unknown-key", f"'{harmless(key)}' is not a key of this file"
            fix = nearest(str(path[-1]), _keys(model, path[:-1]))
        case "literal_error" | "enum":
            expected = str(error["ctx"]["expected"])
            what, fix = f"{key} is '{harmless(str(error['input']))}'", f"write {expected}"
        case "name":
            rule, fix = "file.name", "choose another name"
        case "string_type" | "dict_type" | "model_type" | "tuple_type":
            what, fix = f"{key} has the wrong shape", error["msg"][:1].lower() + error["msg"][1:]
    return Problem(
        rule=rule, level=Level.ERROR, file=document.path, line=document.line(path), what=what, fix=fix
    )


def _keys(model: type[BaseModel], path: tuple[Any, ...]) -> list[str]:
    """Give the keys that a part of a file may have, to suggest one from."""
    current: Any = model
    for step in path:
        if isinstance(current, type) and issubclass(current, BaseModel):
            named = {field.alias or name: field.annotation for name, field in current.model_fields.items()}
            current = named.get(str(step))
        else:
            arguments = getattr(current, "__args__", ())
            current = arguments[-1] if arguments else None
    if isinstance(current, type) and issubclass(current, BaseModel):
        return [field.alias or name for name, field in current.model_fields.items()]
    return []
