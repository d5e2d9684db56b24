"""The OpenAPI document: valid by the specification, fresh, complete, and true of the program that runs.

Sources: OpenAPI Specification 3.1.1 (spec.openapis.org/oas/v3.1.1), as the PyPI library openapi-spec-validator checks it; the
library schemathesis makes requests up from the document, good and bad ones, and checks the answers against it.
"""

import asyncio
import json
from http import HTTPStatus
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl, urlsplit

import pytest
import requests
import schemathesis
from hypothesis import HealthCheck, given, settings
from openapi_spec_validator import OpenAPIV31SpecValidator
from schemathesis import GenerationMode
from schemathesis.checks import CHECKS, load_all_checks
from schemathesis.core.result import Ok
from starlette.applications import Starlette

from asleft.web.api.document import document, document_text
from asleft.web.api.operations import Operation
from asleft.web.api.problems import KINDS
from asleft.web.api.serving import make_api
from asleft.web.api.shapes import Request
from asleft.web.api.table import DOCUMENT_PATH, OPERATIONS
from asleft.web.web import Web
from estates import HALL, WREN
from stage import DRUMS, drawn
from web.api.program import a_program, a_server, a_token
from web.page import a_page
from web.side_stage import alarmed, proposing

SHARED = Path(__file__).resolve().parents[3] / "shared" / "openapi.json"


def test_it_is_valid() -> None:
    """By the meta-schema of OAS 3.1 and the rules beside it: references, parameters of paths, ids that are there once."""
    assert list(OpenAPIV31SpecValidator(document()).iter_errors()) == []


def test_what_would_not_be_valid_is_found() -> None:
    """The check is one: a parameter that no path has, and an id twice, are errors by the specification."""
    broken = document()
    broken["paths"]["/api/sites/{site}"]["get"]["parameters"] = []
    assert list(OpenAPIV31SpecValidator(broken).iter_errors())
    broken = document()
    broken["paths"]["/api/now"]["get"]["operationId"] = "me"
    assert list(OpenAPIV31SpecValidator(broken).iter_errors())


def test_the_shared_document_is_fresh() -> None:
    """`python -m asleft.web.api.document shared/openapi.json` renews it."""
    assert SHARED.read_text("ascii") == document_text()


def test_routes_and_document_are_of_one_table(tmp_path: Path) -> None:
    """Every operation is served and told once, each at an address of its own."""
    told = {(path, method) for path, some in document()["paths"].items() for method in some}
    assert told == {(one.path, one.method.lower()) for one in OPERATIONS}
    assert len({one.path for one in OPERATIONS}) == len(OPERATIONS)
    with a_page(tmp_path) as page:
        app = make_api(Web(page.parts))
        assert isinstance(app, Starlette)
        served = {
            (route.path, method.lower())  # type: ignore[attr-defined]
            for route in app.routes
            for method in route.methods - {"HEAD"}  # type: ignore[attr-defined]
        }
    assert served == told


def test_every_operation_says_what_it_needs_and_how_it_fails() -> None:
    """A token for all but the document; every kind of problem is told somewhere; what is sent is closed."""
    made = document()
    for path, some in made["paths"].items():
        for one in some.values():
            assert (one["security"] == [{"token": []}]) == (path != DOCUMENT_PATH)
            if path != DOCUMENT_PATH:
                assert {"401", "403", "422", "429", "500"} <= set(one["responses"])
    assert {str(kind.status) for kind in KINDS.values()} == set(made["components"]["responses"])
    sent = [one.request for one in OPERATIONS if one.request is not None]
    for kind in sent:
        assert issubclass(kind, Request)
        assert made["components"]["schemas"][kind.__name__]["additionalProperties"] is False


def test_every_list_of_things_is_bounded() -> None:
    """Where an answer has a cursor, its question has a limit of at most 200; what is sent has a longest length."""
    made = document()
    schemas = made["components"]["schemas"]
    for some in made["paths"].values():
        for method, one in some.items():
            if method == "get":
                answer = one["responses"]["200"]["content"]["application/json"]["schema"]["$ref"]
                asked = {found["name"]: found["schema"] for found in one["parameters"]}
                properties = schemas[answer.rpartition("/")[2]].get("properties", {})
                assert ("next" in properties) == ("cursor" in asked)
                assert asked.get("limit", {}).get("maximum", 200) == 200
            else:
                sent = one["requestBody"]["content"]["application/json"]["schema"]["$ref"]
                for name, schema in schemas[sent.rpartition("/")[2]]["properties"].items():
                    assert bounded(schema), name


def bounded(schema: dict[str, Any]) -> bool:
    """Tell whether what a schema lets through has a longest length."""
    if "anyOf" in schema:
        return all(map(bounded, schema["anyOf"]))
    match schema.get("type"):
        case "string":
            return bool({"maxLength", "pattern", "format", "enum"} & set(schema))
        case "array":
            return "maxItems" in schema and bounded(schema["items"])
        case "integer" | "number":
            return "maximum" in schema
        case kind:
            return kind in {"boolean", "null"}


async def test_it_is_served_as_it_stands(tmp_path: Path) -> None:
    """Without a token, as JSON."""
    with a_page(tmp_path) as page:
        async with a_program(page) as program:
            del program.headers["authorization"]
            answer = await program.get(DOCUMENT_PATH)
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "application/json"
    assert json.loads(answer.text) == document()


load_all_checks()
CHECKED: list[Any] = CHECKS.get_by_names(
    [
        "not_a_server_error",
        "status_code_conformance",
        "content_type_conformance",
        "response_headers_conformance",
        "response_schema_conformance",
        "negative_data_rejection",
    ]
)
REJECTED: list[Any] = CHECKS.get_by_names(["negative_data_rejection"])
EXAMPLES = 6
"""Of each kind for each operation: enough to meet every field, and bounded."""


@pytest.mark.parametrize("mode", [GenerationMode.POSITIVE, GenerationMode.NEGATIVE])
async def test_what_is_made_up_from_the_document_is_answered_by_it(
    tmp_path: Path, mode: GenerationMode
) -> None:
    """No failure inside, no status, type or shape that is not declared, and nothing taken that is not allowed."""
    with a_page(tmp_path) as page, proposing(page):
        await alarmed(page, "panel.menus", "open")
        (order,) = await drawn(page.desk)
        made = await page.desk.proposing.exchange(DRUMS, "QS41-9999", by=WREN, reason="it fell")
        there = {
            "site": HALL,
            "station": "drums",
            "setting": "panel.menus",
            "order": order.id,
            "commit": made.commit,
        }
        token = a_token(page)
        async with a_server(page) as url:
            asked = await asyncio.to_thread(made_up, url, token, there, mode)
        assert asked.keys() == {one.name for one in OPERATIONS if fits(one, mode)}
        assert not [line for line in page.log.lines if line[0] == "error"]
        if mode is GenerationMode.POSITIVE:
            looks = {one.name for one in OPERATIONS if one.method == "GET"}
            assert all(200 in asked[name] for name in looks)
        assert page.desk.orders()[0].confirmed == ()


def fits(one: Operation, mode: GenerationMode) -> bool:
    """Tell whether anything can be made up: where nothing is asked for, nothing can be wrong with it."""
    open_ones = one.request is not None or one.query.model_fields or "{" in one.path
    return mode is GenerationMode.POSITIVE or bool(open_ones)


def made_up(url: str, token: str, there: dict[str, str], mode: GenerationMode) -> dict[str, set[int]]:
    """Ask what is made up, and check the answers; gives the statuses by operation."""
    by_path = {(one.path, one.method.lower()): one for one in OPERATIONS}
    statuses: dict[str, set[int]] = {}
    with requests.Session() as session:
        session.headers["Authorization"] = f"Bearer {token}"
        for result in schemathesis.openapi.from_dict(document()).get_all_operations():
            assert isinstance(result, Ok)
            operation = result.ok()
            one = by_path[operation.path, operation.method.lower()]
            if fits(one, mode):
                names = [part[1:-1] for part in one.path.split("/") if part.startswith("{")]
                fixed = {name: there[name] for name in names if mode is GenerationMode.POSITIVE}
                statuses[one.name] = asked_of(operation, session, url, fixed, mode)
    return statuses


def asked_of(
    operation: Any, session: requests.Session, url: str, fixed: dict[str, str], mode: GenerationMode
) -> set[int]:
    """Ask one operation; gives the statuses of its answers."""
    found: set[int] = set()
    more = {"path_parameters": fixed} if fixed else {}

    @settings(max_examples=EXAMPLES, deadline=None, database=None, suppress_health_check=list(HealthCheck))
    @given(case=operation.as_strategy(generation_mode=mode, **more))
    def ask(case: schemathesis.Case[Any]) -> None:
        answer = case.call(base_url=url, session=session)
        found.add(answer.status_code)
        if answer.status_code == HTTPStatus.REQUEST_ENTITY_TOO_LARGE:
            return  # a refusal, too, and one that schemathesis does not count among those of RFC 9110
        checks = [one for one in CHECKED if one not in REJECTED or went_out(case, str(answer.request.url))]
        case.validate_response(answer, checks=checks)

    ask()
    return found


def went_out(case: schemathesis.Case[Any], url: str) -> bool:
    """Tell whether all names of a case's query are in the address that was asked.

    One of which the value is an empty list is left out by what writes the address, and so may be all that was wrong with it.
    """
    return set(case.query or {}) <= {
        name for name, _ in parse_qsl(urlsplit(url).query, keep_blank_values=True)
    }


async def test_what_never_went_out_is_no_fault_of_ours(tmp_path: Path) -> None:
    """A name that is not declared, with an empty list for its value: nothing of it is in the address, which is as it should be."""
    schema = schemathesis.openapi.from_dict(document())
    with a_page(tmp_path) as page:
        token = a_token(page)
        async with a_server(page) as url:
            for value, out, status in (([], False, 200), ("", True, 422), (["", "x"], True, 422)):
                case = schema["/api/sites"]["GET"].Case(query={"limit": 157, "cursor": "gDRS", "more": value})
                answer = await asyncio.to_thread(
                    case.call, base_url=url, headers={"Authorization": f"Bearer {token}"}
                )
                assert (went_out(case, str(answer.request.url)), answer.status_code) == (out, status), value
