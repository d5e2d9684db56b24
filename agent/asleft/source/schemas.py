"""JSON Schemas of the files of a baseline, for editors: they follow the models that the reader itself checks with.

An editor types YAML's scalars by its own rules, asleft takes them all as text; so wherever text may stand, a schema
lets a number or a switch stand, too. An editor's word is a first look, the check has the last one.

`python -m asleft.source.schemas FOLDER` writes all of them.
"""

import json
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any, cast, get_args

from pydantic import AfterValidator, BaseModel
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema

from asleft.domain.kinds import Choice, Switch
from asleft.domain.profile import Setting
from asleft.source.files.estate import ConcessionsFile, EstateFile, PeopleFile, RoleFile
from asleft.source.files.occasion import OccasionFile
from asleft.source.files.parts import Name
from asleft.source.files.profile import ProfileFile
from asleft.source.files.site import SiteFile, StationFile
from asleft.source.profiles import shipped_profiles

__all__ = ["KINDS", "schema_of", "schema_text", "write_schemas"]

KINDS: Mapping[str, type[BaseModel]] = {
    "estate": EstateFile,
    "people": PeopleFile,
    "concessions": ConcessionsFile,
    "role": RoleFile,
    "occasion": OccasionFile,
    "site": SiteFile,
    "station": StationFile,
    "profile": ProfileFile,
}
"""Every kind of file, and the model that says what may stand in it."""

_DIALECT = "https://json-schema.org/draft/2020-12/schema"
_SCALAR = ["string", "number", "boolean"]
# What is_name asks, as ECMA 262 writes it.
_NAME = {"type": "string", "pattern": "^[a-z](?:-?[a-z0-9])*$", "maxLength": 40}
_NAME_CHECK = next(part.func for part in get_args(Name) if isinstance(part, AfterValidator))
# What YAML 1.1 takes as a switch and YAML 1.2 as text, or the other way round.
_SWITCHES = ("yes", "no", "on", "off", "true", "false")
_NOTHING: tuple[Any, ...] = (None, "", [], {})


def schema_of(kind: str) -> dict[str, Any]:
    """Give the JSON Schema (draft 2020-12) of a kind of file.

    Raises:
        KeyError: There is no such kind; `KINDS` has them all.
    """
    model = KINDS[kind]
    made = model.model_json_schema(by_alias=True, schema_generator=_Lenient, ref_template="#/$defs/{model}")
    made.pop("description", None)
    written = model.model_fields["format"].annotation
    version = str(written.__args__[0]).removeprefix("asleft-") if written else kind
    head = {
        "$schema": _DIALECT,
        "$id": f"asleft:schema/{version}",
        "title": (model.__doc__ or kind).strip().partition("\n")[0].rstrip("."),
    }
    parts = made.pop("$defs", {})
    if _point_out(made) + sum(_point_out(part) for part in parts.values()):
        parts |= _settings_parts()
    return head | made | ({"$defs": dict(sorted(parts.items()))} if parts else {})


def schema_text(kind: str) -> str:
    """Give the JSON Schema of a kind of file as text."""
    return json.dumps(schema_of(kind), indent=2, ensure_ascii=False) + "\n"


def write_schemas(folder: Path) -> None:
    """Write the schema of every kind of file into a folder, which is made where it is missing."""
    folder.mkdir(parents=True, exist_ok=True)
    for kind in KINDS:
        (folder / f"{kind}.json").write_text(schema_text(kind), "utf-8")


# Stands where a tree of settings may stand until all is made, since pydantic knows no references but its own.
_TREE = "tree of settings"


class _Lenient(GenerateJsonSchema):
    """Makes schemas that take what an editor makes of text that asleft would take."""

    def field_title_should_be_set(self, schema: Any) -> bool:  # noqa: ARG002 it is asked about every field
        return False

    def model_schema(self, schema: core_schema.ModelSchema) -> JsonSchemaValue:
        made = super().model_schema(schema)
        made.pop("title", None)
        for branch in made.get("anyOf", ()):
            # Where a function of ours reads first, the keys stand in a branch: it is that one which is closed.
            if "properties" in branch and "additionalProperties" in made:
                branch["additionalProperties"] = made["additionalProperties"]
        if "anyOf" in made:
            made.pop("additionalProperties", None)
        return made

    def str_schema(self, schema: core_schema.StringSchema) -> JsonSchemaValue:
        return super().str_schema(schema) | {"type": _SCALAR}

    def int_schema(self, schema: core_schema.IntSchema) -> JsonSchemaValue:
        return super().int_schema(schema) | {"type": ["integer", "string"]}

    def float_schema(self, schema: core_schema.FloatSchema) -> JsonSchemaValue:
        return super().float_schema(schema) | {"type": ["number", "string"]}

    def bool_schema(self, schema: core_schema.BoolSchema) -> JsonSchemaValue:  # noqa: ARG002 a switch is a switch
        return {"enum": [*_SWITCHES, True, False]}

    def literal_schema(self, schema: core_schema.LiteralSchema) -> JsonSchemaValue:
        return _as_typed(super().literal_schema(schema))

    def enum_schema(self, schema: core_schema.EnumSchema) -> JsonSchemaValue:
        made = _as_typed(super().enum_schema(schema))
        made.pop("title", None)
        return made

    def default_schema(self, schema: core_schema.WithDefaultSchema) -> JsonSchemaValue:
        made = super().default_schema(schema)
        if "default" in made and made["default"] in _NOTHING:
            del made["default"]
        return made

    def dict_schema(self, schema: core_schema.DictSchema) -> JsonSchemaValue:
        values = schema.get("values_schema")
        if values is None or values["type"] == "any":
            return {_TREE: True}
        made: JsonSchemaValue = {"type": "object", "additionalProperties": self.generate_inner(values)}
        keys = self.generate_inner(schema["keys_schema"]) if "keys_schema" in schema else {}
        bounds = {name: keys[name] for name in ("pattern", "minLength", "maxLength") if name in keys}
        return made | ({"propertyNames": bounds} if bounds else {})

    def function_after_schema(self, schema: core_schema.AfterValidatorFunctionSchema) -> JsonSchemaValue:
        if schema["function"]["function"] is _NAME_CHECK:
            return dict(_NAME)
        return super().function_after_schema(schema)

    def function_before_schema(self, schema: core_schema.BeforeValidatorFunctionSchema) -> JsonSchemaValue:
        return _or_text(super().function_before_schema(schema))

    def function_wrap_schema(self, schema: core_schema.WrapValidatorFunctionSchema) -> JsonSchemaValue:
        return _or_text(super().function_wrap_schema(schema))

    def function_plain_schema(self, schema: core_schema.PlainValidatorFunctionSchema) -> JsonSchemaValue:  # noqa: ARG002 what it takes shows nowhere
        return {"type": _SCALAR}

    def handle_invalid_for_json_schema(self, schema: Any, error_info: str) -> JsonSchemaValue:  # noqa: ARG002 as above
        return {"type": _SCALAR}


def _or_text(made: JsonSchemaValue) -> JsonSchemaValue:
    """Let text stand where a function of ours reads it before the type is asked."""
    return made if "string" in made.get("type", ()) else {"anyOf": [made, {"type": _SCALAR}]}


def _as_typed(made: JsonSchemaValue) -> JsonSchemaValue:
    """Let words that an editor takes as a switch or a number stand for themselves."""
    words: list[Any] = [made["const"]] if "const" in made else list(made.get("enum", ()))
    extra: list[Any] = [int(word) for word in words if isinstance(word, str) and word.isdecimal()]
    if any(word in _SWITCHES for word in words):
        extra += [True, False]
    if not extra:
        return made
    return {key: value for key, value in made.items() if key not in {"const", "type"}} | {
        "enum": [*words, *extra]
    }


def _point_out(tree: Any) -> int:
    """Put a reference wherever a tree of settings may stand, and give how many there are."""
    if isinstance(tree, list):
        return sum(map(_point_out, tree))
    if not isinstance(tree, dict):
        return 0
    here = tree.pop(_TREE, False)
    if here:
        tree["$ref"] = "#/$defs/settings"
    return int(here) + sum(map(_point_out, tree.values()))


def _settings_parts() -> dict[str, Any]:
    """Give the parts for `settings:`: the names of the shipped profiles are offered, any other may stand, too."""
    known: dict[str, Any] = {}
    for profile in shipped_profiles().values():
        for setting in profile.settings.values():
            if setting.managed:
                _offer(known, setting)
    inner = {"$ref": "#/$defs/setting"}
    return {
        "setting": {
            "description": "A value, a group of settings, or null, which takes the setting away.",
            "type": [*_SCALAR, "null", "object"],
            "additionalProperties": inner,
        },
        "settings": {"type": "object", "properties": known, "additionalProperties": inner},
    }


def _offer(known: dict[str, Any], setting: Setting) -> None:
    *groups, last = setting.name.split(".")
    for group in groups:
        branch = known.setdefault(
            group,
            {
                "type": ["object", "null"],
                "properties": {},
                "additionalProperties": {"$ref": "#/$defs/setting"},
            },
        )
        known = cast("dict[str, Any]", branch.get("properties", {}))
    words = setting.kind.values if isinstance(setting.kind, Choice) else ()
    if isinstance(setting.kind, Switch):
        words = ("on", "off")
    leaf: dict[str, Any] = {
        "description": f"{setting.meaning}: {setting.kind.allowed()}",
        "type": [*_SCALAR, "null"],
    }
    known.setdefault(last, leaf | ({"examples": list(words)} if words else {}))


if __name__ == "__main__":
    write_schemas(Path(sys.argv[1]))
