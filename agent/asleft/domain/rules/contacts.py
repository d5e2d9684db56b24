"""Rules about whom to ask at a site."""

from collections.abc import Iterator

from asleft.domain.mail import is_mail_address
from asleft.domain.names import harmless
from asleft.domain.problems import Level, Problem
from asleft.domain.rules.rule import Rule, SiteView

__all__ = ["RULES", "check_site"]

MAIL = Rule(
    id="contacts.mail",
    level=Level.WARNING,
    sentence="the mail address of a contact is one mail address",
)
RULES: tuple[Rule, ...] = (MAIL,)


def check_site(view: SiteView) -> Iterator[Problem]:
    """Tell contacts that nobody can write to."""
    for at, contact in enumerate(view.site.contacts):
        if contact.mail and not is_mail_address(contact.mail):
            yield MAIL.at(
                view.site.origin("contacts", at, "mail"),
                f"'{harmless(contact.mail, longest=80)}' is no mail address",
                "write one plain address, as stage.door@hall.example",
            )
