"""The address plan of a site.yaml: a plan comes of it even where parts of it are bad, and each bad part is told."""

from typing import Any

import pytest

from asleft.domain.addressing import ANYWHERE
from asleft.domain.problems import Problem
from asleft.domain.site import AddressPlan
from asleft.source.documents import Document, read_document
from asleft.source.files.addresses import AddressesRow, read_addresses
from asleft.source.files.parts import Part, validate

FULL = """\
addresses:
  subnet: 127.20.1.0/24
  gateway: 127.20.1.1
  stations: 127.20.1.10-127.20.1.60
  reserved:
    mixers and stage boxes: 127.20.1.2-127.20.1.9
  router: house
  live: no
"""


class Whole(Part):
    """A file that holds an address plan and nothing else."""

    addresses: AddressesRow


def document(text: str) -> Document:
    found, problems = read_document("sites/quay/site.yaml", text.encode())
    assert found is not None
    assert problems == []
    return found


def read(text: str) -> tuple[AddressPlan, list[Problem]]:
    page = document(text)
    whole, problems = validate(Whole, page)
    assert whole is not None, problems
    return read_addresses(whole.addresses, page)


def test_a_whole_plan() -> None:
    """Every part of a plan is read, text that it is."""
    plan, problems = read(FULL)
    assert problems == []
    assert [str(part) for part in (plan.subnet, plan.gateway, plan.stations, plan.router, plan.live)] == [
        "127.20.1.0/24",
        "127.20.1.1",
        "127.20.1.10-127.20.1.60",
        "house",
        "False",
    ]
    assert {name: str(span) for name, span in plan.reserved.items()} == {
        "mixers and stage boxes": "127.20.1.2-127.20.1.9"
    }


def test_the_least_that_a_plan_says() -> None:
    """Subnet and station range are enough; a site that does not say so is live."""
    plan, problems = read("addresses: {subnet: 10.1.0.0/24, stations: 10.1.0.5-10.1.0.9}\n")
    assert (problems, plan.gateway, dict(plan.reserved), plan.router, plan.live) == ([], None, {}, "", True)


@pytest.mark.parametrize(
    "old,new,line,what,left",
    [
        ("127.20.1.0/24", "127.20.1.5/24", 2, "is an address inside a subnet", {"subnet": None}),
        ("gateway: 127.20.1.1", "gateway: 127.20.01.1", 3, "leading zero", {"gateway": None}),
        ("127.20.1.10-", "127.20.1.90-", 4, "runs backwards", {"stations": ANYWHERE}),
        ("127.20.1.2-127.20.1.9", "127.20.1.2", 6, "is not a range", {"reserved": {}}),
    ],
)
def test_a_bad_part_is_left_out(old: str, new: str, line: int, what: str, left: dict[str, Any]) -> None:
    """What cannot be read is told with its line, and the rest of the plan stands."""
    assert old in FULL
    plan, problems = read(FULL.replace(old, new))
    (problem,) = problems
    assert (problem.rule, problem.where) == ("site.addresses", f"sites/quay/site.yaml:{line}")
    assert what in problem.what
    assert problem.fix
    whole, _ = read(FULL)
    for part in ("subnet", "gateway", "stations", "reserved", "router", "live"):
        assert getattr(plan, part) == left.get(part, getattr(whole, part))


def test_every_bad_part_is_told_at_once() -> None:
    """A plan in which nothing is right still gives a plan."""
    bad = FULL.replace("127.20", "127.999")
    plan, problems = read(bad)
    assert sorted(problem.line for problem in problems) == [2, 3, 4, 6]
    assert (plan.subnet, plan.gateway, plan.stations, dict(plan.reserved)) == (None, None, ANYWHERE, {})


@pytest.mark.parametrize(
    "old,new", [("live: no", "live: perhaps"), ("router: house", 'router: ""'), ("gateway:", "gate-way:")]
)
def test_values_that_no_plan_has(old: str, new: str) -> None:
    """A switch that is neither yes nor no, a router without a name and a key that is none are refused."""
    whole, problems = validate(Whole, document(FULL.replace(old, new)))
    assert whole is None
    assert len(problems) == 1
