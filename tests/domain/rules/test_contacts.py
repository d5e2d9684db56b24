"""Rules about whom to ask at a site."""

from dataclasses import replace

import pytest

from asleft.domain.problems import Level
from asleft.domain.rules.contacts import check_site
from asleft.domain.site import Contact
from domain.patched import view

DOOR = Contact(name="Stage door", mail="stage.door@hall.example")


def test_a_mail_address_or_none() -> None:
    """Both are fine, and so is a site with nobody to ask."""
    looked_at = view()
    assert list(check_site(looked_at)) == []
    site = replace(looked_at.site, contacts=(DOOR, Contact(name="Yard")))
    assert list(check_site(replace(looked_at, site=site))) == []


@pytest.mark.parametrize(
    "mail",
    [
        "stage door",
        "door@",
        "@hall.example",
        "a@b@hall.example",
        "Door <door@hall.example>",
        "a@hall.example\r\nBcc: b",
    ],
)
def test_what_is_none_is_told_with_its_line(mail: str) -> None:
    """As a warning: no setting waits for it (RFC 5321 section 4.1.2 says what an address is)."""
    looked_at = view()
    site = replace(looked_at.site, contacts=(DOOR, Contact(name="Yard", mail=mail)))
    (problem,) = check_site(replace(looked_at, site=site))
    assert (problem.rule, problem.level) == ("contacts.mail", Level.WARNING)
    assert problem.line == site.origin("contacts", 1, "mail").line
    assert "\n" not in problem.what
