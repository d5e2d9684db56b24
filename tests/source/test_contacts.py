"""Contacts of a site: read as text, bounded, shown harmless, and no station hangs on them."""

import json
from pathlib import Path

import pytest

from asleft.domain.site import Contact
from asleft.source.documents import read_document
from asleft.source.files.contacts import MOST, to_contact
from asleft.source.files.parts import validate
from asleft.source.files.site import SiteFile
from estates import HALL, asleft, commit, plant

SITE = """\
format: asleft-site-1
name: The Quay
time-zone: Europe/Berlin
addresses: {subnet: 192.0.2.0/24, stations: 192.0.2.10-192.0.2.60}
reach: {by: ocp1, port: 7310}
"""


def read(text: str) -> tuple[SiteFile | None, list[str]]:
    """Read a site's file, and say what is wrong with it."""
    document, problems = read_document("sites/quay/site.yaml", (SITE + text).encode())
    assert document is not None, problems
    found, wrong = validate(SiteFile, document)
    return found, [f"{one.line}: {one.rule}: {one.what}" for one in wrong]


def test_all_but_the_name_may_be_left_out() -> None:
    """And a number that begins with a nought or a plus stays what was typed."""
    found, wrong = read(
        "contacts:\n  - {name: Stage door, for: keys, phone: 01632 960123, mail: d@hall.example, hours: 10:00 to 18:00}\n"
        "  - {name: Yard}\n"
    )
    assert wrong == []
    assert found is not None
    assert [*map(to_contact, found.contacts)] == [
        Contact(
            name="Stage door",
            about="keys",
            phone="01632 960123",
            mail="d@hall.example",
            hours="10:00 to 18:00",
        ),
        Contact(name="Yard"),
    ]


@pytest.mark.parametrize(
    "text, said",
    [
        ("contacts:\n  - {phone: 01632 960123}\n", "7: file.missing: the key 'contacts.0.name' is missing"),
        (
            "contacts:\n  - {name: A, fax: 1}\n",
            "7: file.unknown-key: 'contacts.0.fax' is not a key of this file",
        ),
        (f"contacts:\n  - name: {'x' * 201}\n", "7: file.value: contacts.0.name: "),
        ("contacts: Wren\n", "6: file.value: contacts has the wrong shape"),
        ("contacts:\n" + "  - {name: A}\n" * (MOST + 1), "6: file.value: contacts: "),
    ],
)
def test_what_is_none_is_told_with_its_line(text: str, said: str) -> None:
    """Where it stands in the file."""
    _, wrong = read(text)
    assert wrong
    assert wrong[0].startswith(said)


def test_they_change_no_station(tmp_path: Path) -> None:
    """The effect of a new contact is on no station, and the page beside says what changed."""
    estate = tmp_path / "estate"
    plant(estate)
    file = estate / "sites" / HALL / "site.yaml"
    file.write_text(file.read_text("utf-8").replace("Tamsin Orrell", "Nell Quarrie"), "utf-8")
    commit(estate, "Another caretaker")
    told = asleft("effect", "HEAD~1..HEAD", "--estate", estate)
    assert told.code == 0, told.err
    assert "no station changes" in told.out
    assert "what it says about contacts changes" in told.out


def test_a_mail_address_that_is_none_is_a_warning(tmp_path: Path) -> None:
    """The check tells it with file and line, and the estate can still be used."""
    estate = tmp_path / "estate"
    plant(estate)
    file = estate / "sites" / HALL / "site.yaml"
    text = file.read_text("utf-8").replace("tamsin.orrell@quillfen.example", "tamsin at the hall")
    file.write_text(text, "utf-8")
    commit(estate, "No address")
    line = text[: text.index("tamsin at the hall")].count("\n") + 1
    told = asleft("check", estate, "--format", "json")
    assert told.code == 0, told.err
    (problem,) = json.loads(told.out)["problems"]
    assert (problem["rule"], problem["line"]) == ("contacts.mail", line)
