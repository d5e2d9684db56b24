"""What a site's file may say about whom to ask there."""

from pydantic import Field

from asleft.domain.site import Contact
from asleft.source.files.parts import Line, Part

__all__ = ["MOST", "ContactRow", "to_contact"]

MOST = 40
"""So many contacts a site may have: more of them nobody reads."""


class ContactRow(Part):
    """One of `contacts`."""

    name: Line
    for_: Line = Field(default="", examples=["keys and the fuse board"])
    phone: Line = Field(default="", examples=["+44 1632 960123"])
    mail: Line = Field(default="", examples=["stage.door@hall.example"])
    hours: Line = Field(default="", examples=["weekdays 10:00 to 18:00"])


def to_contact(row: ContactRow) -> Contact:
    """Give a contact; whether its mail address is one is for a rule to say."""
    return Contact(name=row.name, about=row.for_, phone=row.phone, mail=row.mail, hours=row.hours)
