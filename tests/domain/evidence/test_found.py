"""Pages read quickly, against the reader that the agent itself uses; as left beside as found, against its comparison."""

from hypothesis import given
from hypothesis import strategies as st

from asleft.domain.comparison import compare
from asleft.domain.drift import DriftKind
from asleft.domain.estate import StationId
from asleft.domain.evidence.found import NEVER, Pages, Sight, beside
from asleft.domain.journal import Page, as_found_page, parse_page
from asleft.domain.kinds import Foreign, Found
from asleft.domain.snapshot import AsFound, Unread, UnreadWhy
from domain.evidencing import sight
from domain.made import as_found, as_left

TEXT = st.text(max_size=12)
SECTION = st.dictionaries(st.from_regex(r"[a-z][a-z. -]{0,8}[a-z]", fullmatch=True), TEXT, max_size=5)


@given(st.lists(st.builds(Page, unit=SECTION, settings=SECTION, unread=SECTION), min_size=1, max_size=4))
def test_pages_are_read_as_the_agent_reads_them(pages: list[Page]) -> None:
    """One after the other by one reader, which keeps what it saw."""
    reader = Pages()
    for page in pages:
        data = page.text(StationId("quay", "drums"))
        theirs = parse_page(data)
        found = reader.read(data)
        assert (found.unit, found.settings, found.unread) == (theirs.unit, theirs.settings, theirs.unread)


def test_what_is_no_page_is_read_as_nothing() -> None:
    """Whatever stands there: nothing is raised."""
    assert Pages().read(b'\xff\xfe\nsettings:\n  "x: 1\n  y\nodd:\n  a: b\n') == Sight()


gains = st.sampled_from([-12.0, -11.96, -11.95, -11.0, 0.0, 12.0])
CHANGES: st.SearchStrategy[dict[str, Found]] = st.fixed_dictionaries(
    {},
    optional={
        "headphones.gain": gains | st.just(Foreign("x")),
        "panel.menus": st.sampled_from(["locked", "open", "weird"]),
        "label": st.sampled_from(["Drums", "Drums ", "on"]),
        "panel.display-dim": st.integers(38, 42),
    },
)


@given(
    CHANGES,
    st.frozensets(st.sampled_from(["headphones.limiter", "mix.heard"])),
    st.sampled_from(["QS41-2107", "QS41-9"]),
    st.sampled_from(["2.4.1", "2.5.0"]),
)
def test_drift_by_the_page_is_drift_by_the_wire(
    changed: dict[str, Found], unread: frozenset[str], serial: str, firmware: str
) -> None:
    """A page holds texts only; what it shows as drift is what the comparison of values calls so, tolerance and all."""
    left = as_left()
    found: AsFound = as_found(
        changed,
        unread={name: Unread(UnreadWhy.LOCKED) for name in unread},
        serial=serial,
        firmware=firmware,
    )
    page = as_found_page(left, found, found)
    seen = Pages().read(page.text(left.station))
    theirs = {
        {DriftKind.EXCHANGED: "serial", DriftKind.FIRMWARE: "firmware"}.get(one.key.kind, one.key.setting)
        for one in compare(left, found)
    }
    names = ["serial", "firmware", *left.values]
    assert {name for name in names if beside(left, name, seen)[2] is False} == theirs
    assert {name for name in names if beside(left, name, seen)[2] is None} == unread


def test_of_a_station_that_is_not_read_nothing_is_known() -> None:
    """What stands there was read last."""
    seen = sight({"headphones.gain": "0 dB"}, read="silent")
    assert beside(as_left(), "headphones.gain", seen) == ("-12 dB", "0 dB", None)
    assert beside(as_left(), "read", seen)[2] is None
    assert beside(as_left(), "read", sight(read="unreachable")) == ("answers", "unreachable", False)
    assert (Sight().read, Sight().known) == (NEVER, False)
