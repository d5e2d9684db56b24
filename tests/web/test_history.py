"""History: what a search finds and whom it tells, pages that stay, the commit behind a row, and the table."""

import csv
import io
import re
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from asleft.domain.tables import csv_cell
from asleft.ports.records import Entry
from asleft.web.pages.exporting import HEADINGS, csv_of
from asleft.web.pages.searching import Kind, Wish, kind_of, people_of, search, see_as
from estates import HALL
from stage import DRUMS, SOME_DAY
from web.page import Elements, Page, a_page

WREN_SAYS = "Wren Halloway (wren-halloway)"


def an_entry(
    number: int,
    subject: str = "something",
    trailers: Sequence[tuple[str, str]] = (),
    *,
    body: str = "",
    files: Sequence[str] = (),
    at: datetime = SOME_DAY,
) -> Entry:
    """Give an entry of the records."""
    return Entry(
        commit=f"{number:040x}",
        at=at,
        subject=subject,
        body=body,
        trailers=tuple(trailers),
        files=tuple(files),
    )


def at(station: str, *settings: str) -> list[tuple[str, str]]:
    """Give the trailers of something at a station."""
    return [
        ("Site", station.partition("/")[0]),
        ("Station", station),
        *(("Setting", one) for one in settings),
    ]


ALL = see_as(lambda _: True, everywhere=True)
HALL_ONLY = see_as(lambda site: site == HALL, everywhere=False)


@pytest.mark.parametrize(
    "trailers, subject, kind",
    [
        (at(DRUMS, "headphones.gain"), "moved", Kind.FOUND),
        ([*at(DRUMS), ("Order", "4f2a"), ("Confirmed-By", WREN_SAYS)], "restored", Kind.ORDER),
        ([*at(DRUMS), ("By", WREN_SAYS)], "acknowledged", Kind.ALARM),
        ([*at(DRUMS), ("Action", "locate"), ("By", WREN_SAYS)], "lamp on", Kind.ACT),
        ([*at(DRUMS), ("Proposal", "asleft/adopt-1"), ("By", WREN_SAYS)], "proposed", Kind.PROPOSAL),
        ([*at(DRUMS), ("By", "pell-osgood")], f"{DRUMS}: refused to acknowledge", Kind.REFUSED),
        ([], "The records begin", Kind.OTHER),
    ],
)
def test_an_entry_has_a_kind(trailers: list[tuple[str, str]], subject: str, kind: Kind) -> None:
    """By its trailers an entry is one of a few kinds."""
    assert kind_of(an_entry(1, subject, trailers)) is kind


@pytest.mark.parametrize(
    "wish, fits",
    [
        (Wish(), True),
        (Wish(site=HALL), True),
        (Wish(site="quillfen"), False),
        (Wish(station="drums"), True),
        (Wish(station=DRUMS), True),
        (Wish(station="rums"), False),
        (Wish(station="brackle-chapel/drums"), False),
        (Wish(setting="headphones.gain"), True),
        (Wish(setting="headphones"), True),
        (Wish(setting="head"), False),
        (Wish(person="halloway"), True),
        (Wish(person="WREN"), True),
        (Wish(person="idris"), False),
        (Wish(kind=Kind.ORDER), True),
        (Wish(kind=Kind.FOUND), False),
        (Wish(first=SOME_DAY), True),
        (Wish(last=SOME_DAY), False),
        (Wish(first=SOME_DAY + timedelta(seconds=1)), False),
    ],
)
def test_a_search_asks_field_by_field(wish: Wish, fits: bool) -> None:  # noqa: FBT001 a table's column
    """Whole names of sites and stations count, groups of settings, and parts of people's names."""
    trailers = [*at(DRUMS, "headphones.gain"), ("Order", "4f2a"), ("Confirmed-By", WREN_SAYS)]
    assert wish.fits(an_entry(1, "restored", trailers)) is fits


def test_who_drew_an_order_up_is_named_in_the_subject() -> None:
    """The trailers of an order that nobody confirmed yet name nobody; the subject does."""
    assert people_of(an_entry(1, f"{DRUMS}: drawn up by {WREN_SAYS}", [("Order", "4f2a")])) == (WREN_SAYS,)


def test_a_search_reads_no_more_than_it_needs() -> None:
    """Of endless records a full page takes its rows and the one at which the next page begins, and nothing else."""
    taken: list[int] = []

    def endless() -> Iterator[Entry]:
        number = 0
        while True:
            number += 1
            taken.append(number)
            yield an_entry(number, trailers=at(DRUMS))

    found = search(endless(), Wish(), ALL, most=50, reach=1000)
    assert (len(found.entries), found.older, found.reached) == (50, f"{51:040x}", None)
    assert len(taken) == 51


def test_a_search_that_finds_little_stops_and_says_where() -> None:
    """A search looks at so many commits, and then gives the one from which it goes on."""
    entries = [an_entry(number, at=SOME_DAY - timedelta(hours=number)) for number in range(100)]
    found = search(entries, Wish(station="drums"), ALL, most=50, reach=20)
    assert (found.entries, found.older) == ((), f"{20:040x}")
    assert found.reached == SOME_DAY - timedelta(hours=20)


def test_a_search_from_a_day_on_ends_there() -> None:
    """What is older than the first day by more than any clock was put back is not read."""
    old = [an_entry(number, at=SOME_DAY - timedelta(days=number)) for number in range(10)]
    going = iter(old)
    found = search(going, Wish(first=SOME_DAY - timedelta(days=1)), ALL, most=50, reach=1000)
    assert [entry.commit for entry in found.entries] == [old[0].commit, old[1].commit]
    assert len(list(going)) == 10 - 5


def test_entries_of_other_sites_are_not_shown() -> None:
    """Who may look at one site sees its entries, and of those with several sites only what is about that one."""
    both = an_entry(
        3,
        "round at brackle-chapel, quillfen-hall: 2 moved",
        [*at("brackle-chapel/organ", "panel.menus"), *at(DRUMS, "headphones.gain"), ("Reason", "the organ")],
        body=f"brackle-chapel/organ: panel.menus locked → open\n{DRUMS}: headphones.gain 0 dB → 12 dB",
        files=["as-found/brackle-chapel/organ.yaml", f"as-found/{DRUMS}.yaml"],
    )
    own = an_entry(2, "hall", at(DRUMS))
    entries = [both, own, an_entry(1, "chapel", at("brackle-chapel/organ")), an_entry(0, "estate")]
    seen = search(entries, Wish(), HALL_ONLY, most=50, reach=100).entries
    assert [entry.commit for entry in seen] == [both.commit, own.commit]
    assert seen[1] is own
    part = seen[0]
    assert "brackle" not in repr(part)
    assert "organ" not in repr(part)
    assert part.body == f"{DRUMS}: headphones.gain 0 dB → 12 dB"
    assert part.files == (f"as-found/{DRUMS}.yaml",)


def test_a_search_cannot_probe_what_may_not_be_seen() -> None:
    """A setting that moved at a hidden site alone does not make an entry a hit."""
    both = an_entry(3, "round", [*at("brackle-chapel/organ", "panel.menus"), *at(DRUMS)])
    assert not search([both], Wish(setting="panel.menus"), HALL_ONLY, most=50, reach=100).entries
    assert search([both], Wish(setting="panel.menus"), ALL, most=50, reach=100).entries


@pytest.mark.parametrize("begin", ["=", "+", "-", "@", "\t", "\r"])
def test_a_cell_is_no_formula(begin: str) -> None:
    """A cell that a spreadsheet would take for a formula begins with an apostrophe (OWASP, "CSV Injection")."""
    assert csv_cell(f"{begin}1+1").startswith("'")
    assert csv_cell(f"a{begin}1").startswith("a")


def test_the_table_is_rfc_4180() -> None:
    """Lines end with CRLF, quotes are doubled, and a reader by the standard gives every cell back (RFC 4180 §2)."""
    hostile = 'he said "x", and\x1b[31m left'
    entry = an_entry(
        1, "=cmd|' /C calc'!A0", [*at(DRUMS), ("Reason", hostile), ("By", "@wren")], body="one\ntwo"
    )
    text = "".join(csv_of([entry], Wish(), ALL, most=10, reach=10))
    assert text.endswith("\r\n")
    headings, row = csv.reader(io.StringIO(text, newline=""), strict=True)
    assert tuple(headings) == HEADINGS
    told = dict(zip(headings, row, strict=True))
    assert told["subject"] == "'=cmd|' /C calc'!A0"
    assert told["people"] == "'@wren"
    assert told["reasons"] == 'he said "x", and\\x1b[31m left'
    assert told["text"] == "one\ntwo"
    assert told["time (UTC)"] == "2026-06-10T12:00:00Z"


@pytest.mark.parametrize("most, reach, rows", [(10, 1000, 10), (1000, 10, 10)])
def test_a_table_that_is_cut_says_so(most: int, reach: int, rows: int) -> None:
    """Where there may be more, the last row says so, and up to which day to ask again."""
    entries = [an_entry(number, trailers=at(DRUMS)) for number in range(500)]
    text = "".join(csv_of(entries, Wish(), ALL, most=most, reach=reach))
    listed = list(csv.reader(io.StringIO(text, newline="")))
    assert len(listed) == 1 + rows + 1
    assert listed[-1][3].startswith("CUT HERE")
    assert "2026-06-10" in listed[-1][3]


@pytest.mark.parametrize("count", [0, 1, 200, 400])
def test_a_whole_table_says_nothing_of_a_cut(count: int) -> None:
    """Also where the records end just where a chunk, or all that is looked at, ends."""
    entries = [an_entry(number, trailers=at(DRUMS)) for number in range(count)]
    text = "".join(csv_of(entries, Wish(), ALL, most=400, reach=400))
    assert "CUT" not in text
    assert len(list(csv.reader(io.StringIO(text, newline="")))) == 1 + count


def write(page: Page, subject: str, trailers: Sequence[tuple[str, str]] = (), body: str = "") -> str:
    """Record a message at a station, and give its commit."""
    commit = page.desk._records.commit(
        {}, subject=subject, trailers=[*at(DRUMS), *trailers], when=page.clock(), allow_empty=True, body=body
    )
    assert commit is not None
    return commit


async def test_rows_lead_to_their_commits(tmp_path: Path) -> None:
    """What a round found is listed; its row leads to subject, trailers and the difference it made."""
    with a_page(tmp_path) as page:
        await page.desk.round()
        page.bench.meddle(DRUMS, "panel.menus", "open")
        await page.desk.round()
        commit = page.desk._records.head()
        async with page.signed_in() as client:
            listed = Elements((await client.get("/history")).text)
            assert f"/history/{commit}" in [one.get("href") for one in listed.of("a")]
            answer = await client.get(f"/history/{commit}")
    assert answer.status_code == 200
    text = Elements(answer.text).text
    assert "panel.menus: locked" in text
    assert "panel.menus: open" in text
    assert "Setting panel.menus" in text
    assert commit in text


async def test_pages_stay_where_they_are(tmp_path: Path) -> None:
    """The next page begins at a commit, so that what is recorded meanwhile moves no row of it; each row comes once."""
    with a_page(tmp_path) as page:
        for number in range(60):
            write(page, f"note {number}")
        async with page.signed_in() as client:
            first = await client.get("/history?kind=found")
            older = next(one["href"] for one in Elements(first.text).of("a") if one.get("rel") == "next")
            before = await client.get(older or "")
            write(page, "note 60")
            after = await client.get(older or "")
    assert re.findall(r"/history/[0-9a-f]{40}", before.text) == re.findall(
        r"/history/[0-9a-f]{40}", after.text
    )
    told = re.findall(r"note (\d+)<", first.text + before.text)
    assert told == [str(number) for number in reversed(range(60))]


async def test_hostile_text_stays_text(tmp_path: Path) -> None:
    """What stands in the records is shown as text, whatever it is."""
    with a_page(tmp_path) as page:
        bad = "<script>alert(1)</script>\u202e"
        commit = write(
            page, f"{DRUMS}: {bad}", [("Reason", f'"><img src=x>{bad}'), ("By", bad)], body=f"{bad}\n</pre>"
        )
        async with page.signed_in() as client:
            for path in ("/history", f"/history/{commit}", "/history?person=%22%3E%3Cscript%3E"):
                answer = await client.get(path)
                assert answer.status_code == 200
                made = Elements(answer.text)
                assert not made.of("img")
                assert all((one.get("src") or "").startswith("/static/") for one in made.of("script"))
                assert "\u202e" not in answer.text


async def test_what_cannot_be_used_is_told_at_its_field(tmp_path: Path) -> None:
    """Wrong fields say what would be right, keep what was typed, and nothing is searched."""
    query = {
        "site": "../etc",
        "station": "Dr ums",
        "setting": "a b",
        "kind": "nonsense",
        "from": "2026-06-11",
        "to": "2026-06-10",
    }
    with a_page(tmp_path) as page:
        async with page.signed_in() as client:
            answer = await client.get("/history", params=query)
            table = await client.get("/history.csv", params=query)
            day = await client.get("/history", params={"from": "yesterday"})
            far = await client.get("/history", params={"to": "9999-12-31"})
    assert (answer.status_code, table.status_code, day.status_code, far.status_code) == (422,) * 4
    made = Elements(answer.text)
    ids = {one.get("id") for _, one in made.all}
    assert {f"{name}-wrong" for name in ("site", "station", "setting", "kind", "to")} <= ids
    for one in (*made.of("input"), *made.of("select")):
        if one.get("aria-invalid"):
            assert set((one.get("aria-describedby") or "").split()) <= ids
    assert "Dr ums" in [one.get("value") for one in made.of("input")]
    assert "write a day" in day.text


async def test_days_go_by_the_clock_of_the_site(tmp_path: Path) -> None:
    """The last day is searched, too; it ends at midnight in Berlin, at 22:00 UTC in June."""
    with a_page(tmp_path) as page:
        page.clock.now = datetime(2026, 6, 9, 21, 59, tzinfo=UTC)
        write(page, "the ninth")
        page.clock.now = datetime(2026, 6, 9, 22, 1, tzinfo=UTC)
        write(page, "the tenth")
        page.clock.now = SOME_DAY
        async with page.signed_in() as client:
            ninth = (await client.get("/history?from=2026-06-09&to=2026-06-09")).text
            tenth = (await client.get("/history?from=2026-06-10&to=2026-06-10")).text
    assert ("the ninth" in ninth, "the tenth" in ninth) == (True, False)
    assert ("the ninth" in tenth, "the tenth" in tenth) == (False, True)


@pytest.mark.parametrize("commit", ["0" * 40, "head", "main", "-x", "abc", "A" * 40, "f" * 41])
async def test_what_is_no_commit_is_not_there(tmp_path: Path, commit: str) -> None:
    """Neither names nor options nor unknown ids reach git as anything but an id."""
    with a_page(tmp_path) as page:
        async with page.signed_in() as client:
            assert (await client.get(f"/history/{commit}")).status_code == 404
            assert (await client.get("/history", params={"at": commit})).status_code == 404


async def test_the_table_comes_as_a_file(tmp_path: Path) -> None:
    """The table is a download of its own kind with what the search finds."""
    with a_page(tmp_path) as page:
        write(page, "=1+1 at the desk")
        write(page, "another", [("By", WREN_SAYS)])
        async with page.signed_in() as client:
            answer = await client.get("/history.csv?kind=found")
    assert answer.headers["content-type"] == "text/csv; charset=utf-8; header=present"
    assert answer.headers["content-disposition"].startswith('attachment; filename="asleft-history-20260610T')
    rows = list(csv.reader(io.StringIO(answer.text, newline="")))
    assert [row[3] for row in rows[1:]] == ["'=1+1 at the desk"]


async def test_history_is_for_people_who_may_look(tmp_path: Path) -> None:
    """Nobody who is not signed in sees the records; who has one site sees neither rows nor commits of another."""
    with a_page(tmp_path) as page:
        commit = write(page, "at the hall")
        async with page.client() as client:
            for path in ("/history", "/history.csv", f"/history/{commit}"):
                assert (await client.get(path)).status_code == 303
        page.bench.approve(
            "people.yaml",
            "name: Pell Osgood, rights: [look]",
            "name: Pell Osgood, rights: [acknowledge]",
        )
        await page.desk.round()
        async with page.signed_in("pell-osgood") as client:
            for path in ("/history", "/history.csv", f"/history/{commit}"):
                assert (await client.get(path)).status_code == 403


async def test_a_large_difference_is_cut_and_says_so(tmp_path: Path) -> None:
    """Of what a commit changed only so much is read and shown; the page says that there is more."""
    with a_page(tmp_path) as page:
        commit = page.desk._records.commit(
            {f"as-found/{DRUMS}.yaml": b"a line of text\n" * 20_000},
            subject="much",
            trailers=at(DRUMS),
            when=page.clock(),
        )
        async with page.signed_in() as client:
            answer = await client.get(f"/history/{commit}")
    assert "There is more than is shown here." in answer.text
    assert len(answer.content) < 200_000
