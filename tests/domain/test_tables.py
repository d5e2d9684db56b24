"""Comma-separated values, read back by Python's csv module, which reads RFC 4180."""

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asleft.domain.names import harmless
from asleft.domain.tables import csv_cell, csv_rows, stamp
from domain.made import NOON

CELL = st.text(alphabet=st.sampled_from('a,"\n\r\t=+-@;é\x1b '), max_size=12)


@given(st.lists(st.lists(CELL, min_size=2, max_size=2), min_size=1, max_size=5))
def test_rows_are_read_back(rows: list[list[str]]) -> None:
    """Commas, quotes and line breaks within cells and all; every line ends with CRLF."""
    text = csv_rows(rows)
    assert text.endswith("\r\n")
    assert list(csv.reader(io.StringIO(text, newline=""))) == [[csv_cell(one) for one in row] for row in rows]


@pytest.mark.parametrize("begins", ["=", "+", "-", "@", "\t", "\r"])
def test_no_cell_is_a_formula(begins: str) -> None:
    """Characters by which a spreadsheet takes a cell for one: OWASP, "CSV Injection"."""
    assert csv_cell(f"{begins}1+1").startswith("'")
    assert csv_cell(f"a{begins}") == harmless(f"a{begins}")


def test_the_document_of_the_rfc() -> None:
    """RFC 4180 section 2, rules 6 and 7: a field with a line break, one with a comma, one with quotes."""
    assert csv_rows([("aaa", "b\nbb", "c,c"), ("zzz", 'b"bb', "")]) == (
        'aaa,"b\nbb","c,c"\r\nzzz,"b""bb",\r\n'
    )


def test_times_are_in_utc() -> None:
    """ISO 8601, and nothing where there is no time."""
    assert (stamp(NOON), stamp(None)) == ("2026-03-01T12:00:00Z", "")
