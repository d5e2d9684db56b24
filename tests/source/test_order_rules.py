"""What estate.yaml may say about orders, and people.yaml about whom their concerns let confirm what."""

from datetime import timedelta

import pytest

from asleft.domain.order_rules import ALWAYS_TWO, OrderRules, SecondFactor, Two
from asleft.domain.problems import Problem
from asleft.domain.profile import Concern
from asleft.source.documents import read_document
from asleft.source.files.estate import EstateFile, PeopleFile
from asleft.source.files.orders import OrdersRow, to_order_rules
from asleft.source.files.parts import validate

HEAD = "format: asleft-estate-1\nname: Quay\nprofile: stage-station\norders:\n"


def rules(*lines: str) -> OrderRules:
    """Give the rules that rows of estate.yaml make."""
    document, problems = read_document(
        "estate.yaml", (HEAD + "".join(f"  {one}\n" for one in lines)).encode()
    )
    assert document is not None
    file, wrong = validate(EstateFile, document)
    assert [*problems, *wrong] == []
    assert file is not None
    return to_order_rules(file.orders)


def wrong(line: str) -> Problem:
    """Give the one problem of a row, which stands in line 5."""
    document, _ = read_document("estate.yaml", f"{HEAD}  {line}\n".encode())
    assert document is not None
    file, problems = validate(EstateFile, document)
    assert file is None
    (problem,) = problems
    assert problem.where == "estate.yaml:5"
    return problem


def test_an_estate_that_says_nothing_has_the_usual_figures() -> None:
    """The file's defaults and those of the work are the same."""
    assert to_order_rules(OrdersRow()) == OrderRules()


def test_all_of_it() -> None:
    """Every row reaches the rule that it is about."""
    assert rules(
        "lapse-minutes: 20",
        "two-people: [hearing rise]",
        "many: 4",
        "margin-minutes: 45",
        "lights-during-performance: yes",
        "signed-confirmations: on",
        "second-factor: rises and addresses",
        "rise-step: 1.5 dB",
        "rise-pause-seconds: 5",
        "reach-seconds: 120",
        "wave: 8",
    ) == OrderRules(
        lapse=timedelta(minutes=20),
        two=frozenset({Two.HEARING}) | ALWAYS_TWO,
        many=4,
        margin=timedelta(minutes=45),
        lights=True,
        signed=True,
        second_factor=SecondFactor.RISES,
        rise=1.5,
        rest=timedelta(seconds=5),
        reach=timedelta(seconds=120),
        wave=8,
    )


@pytest.mark.parametrize(
    "said, asked",
    [
        ("[]", set()),
        ("[cannot wait, factory state]", set()),
        ("[address, many]", {Two.ADDRESS, Two.MANY}),
        ("[hearing rise, hearing rise]", {Two.HEARING}),
    ],
)
def test_what_asks_for_two_people(said: str, asked: set[Two]) -> None:
    """An estate may ask for two people for less, but never for one where two always are asked for."""
    made = rules(f"two-people: {said}")
    assert {two for two in Two if made.asks_two(two)} == asked | ALWAYS_TWO


@pytest.mark.parametrize(
    "line, what",
    [
        ("lapse-minutes: 0", "orders.lapse-minutes: 0 is too few; write 1 to 1440 minutes"),
        ("lapse-minutes: 1441", "orders.lapse-minutes: 1441 is too many; write 1 to 1440 minutes"),
        ("lapse-minutes: 010", "orders.lapse-minutes: '010' is no whole number; write 1 to 1440 minutes"),
        ("many: 0", "orders.many: 0 is too few; write 1 to 10000 stations"),
        ("many: 2.5", "orders.many: '2.5' is no whole number; write 1 to 10000 stations"),
        ("margin-minutes: -1", "orders.margin-minutes: -1 is too few; write 0 to 720 minutes"),
        ("margin-minutes: 721", "orders.margin-minutes: 721 is too many; write 0 to 720 minutes"),
        ("margin-minutes: 30 min", "orders.margin-minutes: '30 min' is no whole number; write 0 to 720 minutes"),
        ("rise-pause-seconds: 61", "orders.rise-pause-seconds: 61 is too many; write 0 to 60 seconds"),
        ("reach-seconds: 9", "orders.reach-seconds: 9 is too few; write 10 to 3600 seconds"),
        ("wave: [1]", "orders.wave: '['1']' is no whole number; write 1 to 1000 stations"),
        ("rise-step: 3", "orders.rise-step: '3' is no level with its unit; write it as 3 dB"),
        ("rise-step: 0 dB", "orders.rise-step: 0 dB is no step of 0.5 dB to 6 dB"),
        ("rise-step: 12 dB", "orders.rise-step: 12 dB is no step of 0.5 dB to 6 dB"),
        ("signed-confirmations: maybe", "orders.signed-confirmations: 'maybe' is neither yes nor no"),
        ("lights-during-performance: [yes]", "orders.lights-during-performance: '['yes']' is neither yes nor no"),
        ("second-factor: yes", "orders.second-factor is 'yes'"),
        ("second-factor: [always]", "orders.second-factor is '['always']'"),
        ("two-people: many", "orders.two-people has the wrong shape"),
        ("two-people: [hearing]", "orders.two-people.0 is 'hearing'"),
        ("margin: 30", "'orders.margin' is not a key of this file"),
    ],
)  # fmt: skip
def test_what_is_out_of_bounds(line: str, what: str) -> None:
    """What cannot stand there is told in words, with file and line."""
    assert wrong(line).what == what


def test_the_words_of_two_people_are_told() -> None:
    """Whoever mistypes one is given all of them."""
    assert all(str(two) in wrong("two-people: [hearing]").fix for two in Two)


@pytest.mark.parametrize(
    "said, asks",
    [
        ("never", set()),
        ("rises and addresses", {Two.HEARING, Two.ADDRESS, Two.FACTORY}),
        ("always", set(Two)),
    ],
)
def test_what_asks_for_a_second_factor(said: str, asks: set[Two]) -> None:
    """A factory state can bring a rise and another address; whether two people are asked for is another question."""
    factor = rules(f"second-factor: {said}", "two-people: []").second_factor
    assert {two for two in Two if factor.asks([two])} == asks
    assert factor.asks([]) is (said == "always")
    assert said in wrong("second-factor: sometimes").fix


def people(concerns: str) -> tuple[PeopleFile | None, list[Problem]]:
    """Read people.yaml with one person."""
    text = (
        f"format: asleft-people-1\npeople:\n  maud:\n    name: Maud\n    rights: [confirm]\n    {concerns}\n"
    )
    document, problems = read_document("people.yaml", text.encode())
    assert document is not None
    assert problems == []
    return validate(PeopleFile, document)


def test_concerns_of_a_person() -> None:
    """Words of the concerns; where the line is left out, nothing narrows what the person may confirm."""
    file, _ = people("concerns: [hearing, access]")
    assert file is not None
    assert file.people["maud"].concerns == (Concern.HEARING, Concern.ACCESS)
    file, _ = people("sites: []")
    assert file is not None
    assert file.people["maud"].concerns == ()


@pytest.mark.parametrize(
    "text, what",
    [
        ("concerns: []", "no concern is named; leave the line out for all of them"),
        ("concerns: [loudness]", "people.maud.concerns.0 is 'loudness'"),
    ],
)
def test_concerns_that_are_none(text: str, what: str) -> None:
    """An empty list would read as none and mean all: it is refused."""
    file, (problem,) = people(text)
    assert file is None
    assert (problem.where, what in problem.what) == ("people.yaml:6", True)
