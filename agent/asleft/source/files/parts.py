"""What all kinds of files of a baseline repository share, and how a document is checked against one."""

from typing import Annotated, Any, TypeVar

from pydantic import AfterValidator, BaseModel, ConfigDict, Field
from pydantic_core import PydanticCustomError, ValidationError

from asleft.domain.kinds import nearest
from asleft.domain.names import NAME_RULE, harmless, is_name
from asleft.domain.problems import Level, Problem
from asleft.source.documents import Document

__all__ = ["Line", "Name", "Part", "SettingTree", "validate"]


def _check_name(text: str) -> str:
    if not is_name(text):
        raise PydanticCustomError("name", f"'{harmless(text)}' is no name: {NAME_RULE}")
    return text


Name = Annotated[str, AfterValidator(_check_name)]
SettingTree = dict[str, Any]
_File = TypeVar("_File", bound=BaseModel)
_LONGEST_LINE = 200
Line = Annotated[str, Field(min_length=1, max_length=_LONGEST_LINE)]


class Part(BaseModel):
    """Part of a file: unknown keys are refused, keys are written with hyphens."""

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        defer_build=True,
        alias_generator=lambda field: field.rstrip("_").replace("_", "-"),
    )


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
