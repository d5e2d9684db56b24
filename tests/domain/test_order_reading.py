"""Pages of orders are read back as any YAML reader reads them (YAML 1.2, by PyYAML), and nothing else is taken for one."""

from datetime import UTC, datetime

import yaml
from hypothesis import given
from hypothesis import strategies as st

from asleft.domain.journal import quoted, scalar
from asleft.domain.order_reading import parse_order_page

TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=30)
PAGE = """\
# Order {order}. The digest is the SHA-256 of the text in canonical (RFC 8785).
order: {order}
digest: 00
purpose: restore
state: restored
outcome: {outcome}
site: quillfen-hall
station: drums
ended: "2026-11-25T14:05:00Z"
life:
  - at: "2026-11-25T14:00:00Z"
    event: draw up
  - at: "2026-11-25T14:04:00Z"
    event: confirm
    by: wren-halloway
    name: {name}
    why: {why}
    accepted:
      - hearing-rise
      - {hazard}
writes:
  - setting: panel.menus
    from: {before}
    to: locked
    outcome: written
    read-back: locked
  - setting: panel.pages
    from: all
    to: groups only
    outcome: not begun
    read-back: ""
left-alone:
  {alone}: {why}
canonical: {canonical}
"""


@given(TEXT, TEXT, TEXT, TEXT, TEXT)
def test_a_page_says_what_a_yaml_reader_says(
    outcome: str, name: str, why: str, before: str, hazard: str
) -> None:
    """Whatever stands in a text, it comes back as it was, and never as a key."""
    said = PAGE.format(
        order="0123456789",
        outcome=scalar(outcome),
        name=scalar(name),
        why=scalar(why),
        before=scalar(before),
        hazard=scalar(hazard),
        alone=scalar(hazard),
        canonical=quoted('{"state": "halted", "order": "x"}'),
    )
    page = parse_order_page(said.encode())
    known = yaml.load(said, yaml.BaseLoader)  # noqa: S506 it makes text of everything
    assert page is not None
    assert (page.order, page.purpose, page.state) == ("0123456789", "restore", "restored")
    assert page.outcome == known["outcome"] == outcome
    assert page.ended == datetime(2026, 11, 25, 14, 5, tzinfo=UTC)
    assert [(one.who, one.why, one.event) for one in page.words] == [
        (name or "wren-halloway", why, "confirm")
    ]
    assert [one.before for one in page.writes] == [row["from"] for row in known["writes"]] == [before, "all"]
    assert [one.begun for one in page.writes] == [True, False]
    assert page.wrote


@given(st.binary(max_size=200) | TEXT.map(str.encode))
def test_anything_else_is_none(data: bytes) -> None:
    """Bytes that are no page are no order."""
    assert parse_order_page(data) is None
    assert parse_order_page(b'order: "\n' + data) is None
