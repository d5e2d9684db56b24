"""History on the page: both repositories searched and told by rights, pages that stay, the commit of a row, and the table."""

import csv
import io
import re
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import pytest

from asleft.domain.tables import csv_cell
from asleft.web.pages.exporting import history_rows
from asleft.work.evidence.bounds import Bounds
from asleft.work.evidence.data import HEADINGS
from asleft.work.evidence.desk import Timeline
from asleft.work.evidence.leafing import Place
from domain.evidencing import record
from estates import git
from stage import DRUMS, SOME_DAY
from web.page import Elements, Page, a_page

WREN_SAYS = "Wren Halloway (wren-halloway)"
ROW = re.compile(r'<a href="/history/([0-9a-f]{40})">')


def at(station: str, *settings: str) -> list[tuple[str, str]]:
    """Give the trailers of something at a station."""
    return [
        ("Site", station.partition("/")[0]),
        ("Station", station),
        *(("Setting", one) for one in settings),
    ]


@pytest.mark.parametrize("begin", ["=", "+", "-", "@", "\t", "\r"])
def test_a_cell_is_no_formula(begin: str) -> None:
    """A cell that a spreadsheet would take for a formula begins with an apostrophe (OWASP, "CSV Injection")."""
    assert csv_cell(f"{begin}1+1").startswith("'")
    assert csv_cell(f"a{begin}1").startswith("a")


def test_a_table_that_is_cut_says_so() -> None:
    """Where there may be more, the last row says so, and up to which day to ask again; a whole table says nothing of it."""
    piece = record(0, "quay/drums: =1+1", *at("quay/drums"), body="\n".join(["a line"] * 1000))
    whole = history_rows(Timeline(pieces=(piece,), zones={}))
    assert (len(whole), "CUT" in str(whole)) == (2, False)
    assert whole[1][-1].endswith("and 500 more lines")
    cut = history_rows(Timeline(pieces=(piece,), zones={}, older=Place("a" * 40, "")))
    told = dict(zip(HEADINGS, cut[-1], strict=True))
    assert told["subject"].startswith("CUT HERE")
    assert f"{piece.when:%Y-%m-%d}" in told["subject"]


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
    """The next page begins at a commit of each repository: what is recorded meanwhile moves no row, and each comes once."""
    with a_page(tmp_path) as page:
        for number in range(60):
            write(page, f"note {number}")
        async with page.signed_in() as client:
            for query in ("kind=found", ""):
                first = await client.get(f"/history?{query}")
                older = next(one["href"] for one in Elements(first.text).of("a") if one.get("rel") == "next")
                before = await client.get(older or "")
                write(page, "a note meanwhile")
                after = await client.get(older or "")
                assert ROW.findall(before.text) == ROW.findall(after.text)
                told = re.findall(r"note (\d+)<", first.text + before.text)
                assert told == [str(number) for number in reversed(range(60))]
    # Of both repositories without a search, newest first: no commit is lost between two pages.
    records = git(page.bench.home / "records", "rev-list", "main").split()
    assert [one for one in ROW.findall(first.text + before.text) if one in records] == records[1:]


async def test_a_search_that_finds_little_stops_and_goes_on(tmp_path: Path) -> None:
    """One request reads so many commits and says how far it came; its links lead to all that is there."""
    with a_page(tmp_path, bounds=Bounds(commits=7, revisions=400)) as page:
        old = write(page, "the needle", [("By", WREN_SAYS)])
        for number in range(30):
            write(page, f"note {number}")
        async with page.signed_in() as client:
            path, found, pages = "/history?person=halloway&kind=other", list[str](), 0
            while path:
                text = (await client.get(path)).text
                found += ROW.findall(text)
                links = [one["href"] or "" for one in Elements(text).of("a") if one.get("rel") == "next"]
                if links:
                    assert "was looked through back to" in text
                path, pages = "".join(links), pages + 1
    assert (found, pages) == ([old], 5)


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
        "role": "a role",
        "concern": "money",
        "occasion": "the gig",
        "from": "2026-06-11",
        "to": "2026-06-10",
    }
    with a_page(tmp_path) as page:
        async with page.signed_in() as client:
            answer = await client.get("/history", params=query)
            table = await client.get("/history.csv", params=query)
            day = await client.get("/history", params={"from": "soon"})
            far = await client.get("/history", params={"to": "9999-12-31"})
    assert (answer.status_code, table.status_code, day.status_code, far.status_code) == (422,) * 4
    made = Elements(answer.text)
    ids = {one.get("id") for _, one in made.all}
    assert {f"{name}-wrong" for name in query if name != "from"} <= ids
    for one in (*made.of("input"), *made.of("select"), *made.of("fieldset")):
        if one.get("aria-invalid"):
            assert set((one.get("aria-describedby") or "").split()) <= ids
    assert "Dr ums" in [one.get("value") for one in made.of("input")]
    assert "write a time as 2026-06-10" in day.text


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
            for place in (commit, f"{commit}.-", f"-.{commit}", f"{commit}.{commit}"):
                assert (await client.get("/history", params={"at": place})).status_code == 404


async def test_the_table_comes_as_a_file(tmp_path: Path) -> None:
    """The table is a download of its own kind with what the search finds."""
    with a_page(tmp_path) as page:
        hostile = 'he said "x", and\x1b[31m left'
        write(page, "=1+1 at the desk", [("Reason", hostile)], body="one\ntwo")
        write(page, "another", [("By", WREN_SAYS)])
        async with page.signed_in() as client:
            answer = await client.get("/history.csv?kind=found")
    assert answer.headers["content-type"] == "text/csv; charset=utf-8; header=present"
    assert answer.headers["content-disposition"].startswith('attachment; filename="asleft-history-20260610T')
    assert answer.text.endswith("\r\n")
    headings, row = csv.reader(io.StringIO(answer.text, newline=""), strict=True)
    assert tuple(headings) == HEADINGS
    told = dict(zip(headings, row, strict=True))
    assert told["subject"] == "'=1+1 at the desk"
    assert told["reasons"] == 'he said "x", and\\x1b[31m left'
    assert told["text"] == "one\ntwo"
    assert told["time (UTC)"] == "2026-06-10T12:00:00Z"


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
