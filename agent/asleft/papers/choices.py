"""What a person chooses of a paper: what it is written as, and what it is printed on. It loads nothing, for --help names both."""

from enum import StrEnum

__all__ = ["Form", "Sheet"]


class Form(StrEnum):
    """What a paper is written as."""

    PDF = "pdf"
    HTML = "html"
    XLSX = "xlsx"


class Sheet(StrEnum):
    """The paper it is printed on, as CSS Paged Media Level 3 section 5.1 names page sizes."""

    A4 = "a4"
    LETTER = "letter"
