"""Papers as bytes: a view, its template and its look become HTML, the HTML a PDF; tables become a workbook."""

from asleft.papers.account.book import AccountBook
from asleft.papers.account.book import tables as account_tables
from asleft.papers.choices import Form
from asleft.papers.codes import Code, code_of
from asleft.papers.handover.book import Handover
from asleft.papers.handover.book import tables as handover_tables
from asleft.papers.labels.book import Labels
from asleft.papers.pdf import pdf_of
from asleft.papers.sheets import workbook_of
from asleft.papers.showing import render
from asleft.papers.visit.book import VisitBook, certificates_table

__all__ = ["account_paper", "handover_paper", "labels_paper", "visit_paper"]


def account_paper(made: AccountBook, form: Form) -> bytes:
    """Give the account of a time.

    Raises:
        NotInstalled: What it is made with is not there.
    """
    if form is Form.XLSX:
        return workbook_of(made.frame, account_tables(made))
    return _printed(render("account", made.frame, book=made), form)


def handover_paper(made: Handover, form: Form) -> bytes:
    """Give a handover book.

    Raises:
        NotInstalled: What it is made with is not there.
    """
    if form is Form.XLSX:
        return workbook_of(made.frame, handover_tables(made))
    return _printed(render("handover", made.frame, book=made), form)


def visit_paper(made: VisitBook, form: Form) -> bytes:
    """Give the sheet of a visit.

    Raises:
        NotInstalled: What it is made with is not there.
    """
    if form is Form.XLSX:
        return workbook_of(made.frame, (made.summary, certificates_table(made)))
    return _printed(render("visit", made.frame, book=made), form)


def labels_paper(made: Labels, form: Form) -> bytes:
    """Give sheets of labels, as PDF or HTML.

    Raises:
        NotInstalled: What they are made with is not there.
    """
    codes: dict[str, Code] = {
        label.opens: code_of(label.opens) for page in made.pages for label in page if label.opens
    }
    return _printed(render("labels", made.frame, book=made, codes=codes), form)


def _printed(html: str, form: Form) -> bytes:
    return pdf_of(html) if form is Form.PDF else html.encode()
