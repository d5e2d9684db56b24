"""The OpenAPI document of what programs can ask, made of the table and its models (OpenAPI Specification 3.1.1).

`python -m asleft.web.api.document shared/openapi.json` renews the file.
"""

import json
import sys
from functools import cache
from pathlib import Path
from typing import Any, Final

from pydantic import BaseModel
from pydantic.json_schema import GenerateJsonSchema, models_json_schema

from asleft.domain.people import Right
from asleft.web.api.operations import Operation
from asleft.web.api.problems import KINDS, PROBLEM_JSON
from asleft.web.api.shapes import Problem
from asleft.web.api.table import OPERATIONS

__all__ = ["PARTS", "document", "document_text"]

_NAME: Final = "^[a-z](-?[a-z0-9]){0,39}$"
PARTS: Final = {
    "site": (_NAME, 40, "Name of a site."),
    "station": (_NAME, 40, "Name of a station of that site."),
    "setting": (
        "^[a-z0-9]+([.-][a-z0-9]+)*$",
        100,
        "Dotted name of a setting; for alarms also a kind of drift.",
    ),
    "commit": ("^[0-9a-f]{40}$", 40, "Id of a commit of the baseline, all of it."),
    "order": ("^(g[0-9a-f]{9}|[0-9a-f]{10})$", 10, "Id of an order, or of a group."),
}
"""What may stand in an address in braces: pattern, longest, and what it is."""
_ALWAYS: Final = (401, 403, 409, 421, 422, 429, 431, 500, 503)
_OPEN: Final = (421, 422, 431, 500, 503)
_ABOUT: Final = (
    "What the page of asleft gives, as JSON, for programs. A token acts as the person it was made for, with no more"
    " rights than it has. A field or a name that is not declared is refused. Every list is bounded: `limit`, and `next`"
    " as `cursor` of the following request. Times are RFC 3339, in UTC unless they say otherwise.\n\n"
    "Hearing is at stake where a level goes up: read `hazards` and `caution`, and have somebody see to them, before a"
    " program confirms anything. Local rules and the people who are responsible on site come first."
)


class _Plain(GenerateJsonSchema):
    """Leaves out titles of fields, which only repeat their names."""

    def field_title_should_be_set(self, schema: object) -> bool:
        """Give no field a title."""
        del schema
        return False


@cache
def _made() -> str:
    named: list[tuple[type[BaseModel], str]] = [(Problem, "serialization")]
    for one in OPERATIONS:
        named += [(one.answer, "serialization"), (one.query, "validation")]
        named += [(one.request, "validation")] if one.request else []
    refs, schema = models_json_schema(
        list(dict.fromkeys(named)),  # type: ignore[arg-type]  # the two modes are literals
        ref_template="#/components/schemas/{model}",
        schema_generator=_Plain,
    )
    parts: dict[str, Any] = schema["$defs"]
    queries = {one.query: refs[one.query, "validation"]["$ref"].rpartition("/")[2] for one in OPERATIONS}
    paths: dict[str, dict[str, Any]] = {}
    for one in OPERATIONS:
        asked = parts[queries[one.query]]
        paths.setdefault(one.path, {})[one.method.lower()] = _operation(one, refs, asked)
    for name in queries.values():
        parts.pop(name, None)
    made = {
        "openapi": "3.1.1",
        "info": {"title": "asleft", "version": "1", "description": _ABOUT},
        "servers": [{"url": "/"}],
        "paths": paths,
        "components": {
            "schemas": dict(sorted(parts.items())),
            "responses": {
                str(status): _problem(status, refs)
                for status in sorted({kind.status for kind in KINDS.values()})
            },
            "securitySchemes": {
                "token": {
                    "type": "http",
                    "scheme": "bearer",
                    "description": "A token of `asleft people token make`, by RFC 6750. No cookie is ever taken.",
                }
            },
        },
    }
    return json.dumps(made, indent=2, ensure_ascii=True) + "\n"


def document() -> dict[str, Any]:
    """Give the document."""
    made: dict[str, Any] = json.loads(_made())
    return made


def document_text() -> str:
    """Give the document as it stands in shared/openapi.json."""
    return _made()


def _operation(one: Operation, refs: Any, asked: dict[str, Any]) -> dict[str, Any]:
    rights = " or ".join(f"`{right}`" for right in one.rights)
    look = "" if Right.LOOK in one.rights else ", and `look`"
    told: dict[str, Any] = {
        "operationId": one.name,
        "summary": one.says,
        "description": f"Needs the right {rights} there{look}." if one.rights else "Needs no token.",
        "security": [{"token": []}] if one.rights else [],
        "parameters": [*_in_path(one.path), *_in_query(asked)],
    }
    if one.request:
        told["requestBody"] = {
            "required": True,
            "content": {"application/json": {"schema": refs[one.request, "validation"]}},
        }
    good = {
        str(status): {
            "description": "Done, or found." if status == 200 else "It goes on; look again later.",  # noqa: PLR2004 as above
            "content": {"application/json": {"schema": refs[one.answer, "serialization"]}},
        }
        for status in one.statuses
    }
    bad = {
        str(status): {"$ref": f"#/components/responses/{status}"}
        for status in sorted({*(_ALWAYS if one.rights else _OPEN), *one.problems})
    }
    return {**told, "responses": {**good, **bad}}


def _problem(status: int, refs: Any) -> dict[str, Any]:
    titles = [f"{kind.title} (`{kind.name}`)." for kind in KINDS.values() if kind.status == status]
    told: dict[str, Any] = {
        "description": " ".join(titles),
        "content": {PROBLEM_JSON: {"schema": refs[Problem, "serialization"]}},
    }
    if status in {429, 503}:
        told["headers"] = {"Retry-After": {"description": "Seconds.", "schema": {"type": "integer"}}}
    return told


def _in_path(path: str) -> list[dict[str, Any]]:
    names = [part[1:-1] for part in path.split("/") if part.startswith("{")]
    return [
        {
            "name": name,
            "in": "path",
            "required": True,
            "description": PARTS[name][2],
            "schema": {"type": "string", "pattern": PARTS[name][0], "maxLength": PARTS[name][1]},
        }
        for name in names
    ]


def _in_query(asked: dict[str, Any]) -> list[dict[str, Any]]:
    told: list[dict[str, Any]] = []
    for name, schema in asked.get("properties", {}).items():
        given = {key: value for key, value in schema.items() if key not in {"title", "description"}}
        if "anyOf" in given:  # what may be left out is no null in an address
            (only,) = [one for one in given.pop("anyOf") if one.get("type") != "null"]
            given.pop("default", None)
            given |= only
        told.append(
            {
                "name": name,
                "in": "query",
                "required": name in asked.get("required", []),
                "description": schema.get("description", f"Only this {name}."),
                "schema": given,
            }
        )
    return told


if __name__ == "__main__":
    Path(sys.argv[1]).write_text(document_text(), encoding="ascii")
