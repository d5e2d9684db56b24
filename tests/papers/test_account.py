"""The account on paper, read back: its numbers are those of the two repositories, on every page, and twice alike."""

import hashlib
import io
import json
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import openpyxl
import pytest
from PIL import Image
from scipy.stats import binomtest  # type: ignore[import-untyped]  # scipy comes without types

from asleft.daemon.evidence import open_evidence
from asleft.domain.evidence.account import Account, OrderEnd
from asleft.domain.evidence.pieces import Kind
from asleft.papers.account.book import book
from asleft.papers.account.weeks import moves_by_week
from asleft.papers.choices import Form
from asleft.papers.making import account_paper
from estates import HALL, Told, asleft
from evidenced import DRUMS, VOICE, Past, a_past
from papers.reading import flat, pages_of, sizes_of


@pytest.fixture(scope="module")
def past(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Past]:
    with a_past(tmp_path_factory.mktemp("past")) as made:
        yield made


@pytest.fixture(scope="module")
def made(past: Past, tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """Give the account of the hall."""
    return paper(past, tmp_path_factory.mktemp("account"), "--site", HALL)


def account(past: Past, *args: object) -> Told:
    """Ask for an account of the whole past."""
    return asleft("account", "--home", past.bench.home, "--from", past.stamp(-2), *args)


def paper(past: Past, out: Path, *args: object, form: str = "pdf") -> bytes:
    """Have it printed into a folder of its own, and give it."""
    told = account(past, "--format", form, "--out", out, *args)
    assert (told.code, told.err) == (0, "")
    (file,) = out.iterdir()
    assert told.out.startswith(f"{file}: account of ")
    return file.read_bytes()


def whole(past: Past) -> Account:
    """Give the same account as it is made."""
    with open_evidence(past.bench.home) as desk:
        return desk.account((HALL,), past.at(-2), None)


def test_what_git_says_stands_in_it(past: Past, made: bytes) -> None:
    """The commit that shows a drift, the order that ended it, who confirmed and why, and the station that was silent."""
    text = flat(" ".join(pages_of(made)))
    log = ("log", "--format=%h", "--abbrev=10")
    (found,) = past.bench.records(*log, f"--grep=^{DRUMS}: headphones.gain 0 dB").split()
    (done,) = past.bench.records(*log, "--grep=: restored headphones.gain").split()
    assert found in text
    assert f"{done}{past.order}restored{DRUMS}" in text
    trailers = "%(trailers:key=Confirmed-By,valueonly)%(trailers:key=Reason,valueonly)"
    assert flat(past.bench.records("show", "--no-patch", f"--format={trailers}", done)) in text
    assert f"{past.lapsed}lapsed{DRUMS}nobody" in text
    (lost,) = past.bench.records(*log, f"--grep=^{VOICE}: read complete → unreachable").split()
    assert lost in text
    for commit in ("first", "second", "conceded"):
        assert past.commits[commit][:10] in text
    assert flat("Wren Halloway <wren.halloway@quillfen.example>") in text
    assert flat("the drummer asked") in text


def test_what_was_never_in_force_is_not_in_it(past: Past, made: bytes) -> None:
    """A commit of the baseline that no record names."""
    assert past.commits["written"][:10] not in flat(" ".join(pages_of(made)))


def test_its_numbers_are_those_of_the_account(past: Past, made: bytes) -> None:
    """Shares with the interval of another library (Wilson, as scipy has it), counts, orders, gaps."""
    said, text = whole(past), flat(" ".join(pages_of(made)))
    shares = [(week, week.share) for week in said.weeks if week.share]
    assert len(shares) >= 2
    for week, share in shares:
        reach = binomtest(share.part, share.of).proportion_ci(method="wilson")
        there = f"{100 * reach.low:.1f} to {100 * reach.high:.1f} % {share.part} of {share.of}"
        assert flat(f"{week.since} {100 * share.part / share.of:.1f} % {there}") in text
    assert flat("no data") in text  # weeks before the first round
    began = [one for one in said.drifts if one.since >= said.since]
    moved = sum(one.cause != "found" for one in began)
    assert (
        flat(f"{len(began) - moved} found at stations, {moved} because what is approved moved; 0 stood")
        in text
    )
    assert flat("1 carried out; 0 refused, 1 lapsed, 0 halted") in text
    assert flat("1 station at some time, 0 at the end") in text


def test_drift_is_counted_week_by_week(past: Past) -> None:
    """Found and restored of all weeks together are those of the list, and the restore is in the week in which it was."""
    said = whole(past)
    moves = moves_by_week(said)
    assert sum(move.found for move in moves) == len(said.drifts)
    assert sum(move.restored for move in moves) == sum(one.order for one in said.drifts) == 1
    (week,) = [move for move in moves if move.restored]
    assert 0 <= (past.at(1).date() - week.since).days < 7


def test_every_page_says_what_it_is_of(past: Past, made: bytes) -> None:
    """Site, commit of the records, its time by the site's clocks, page by page."""
    last = past.bench.records("log", "-1", "--format=%H").strip()
    pages = [flat(page) for page in pages_of(made)]
    assert len(pages) > 4
    for number, page in enumerate(pages, 1):
        assert flat(f"Account · Quillfen Hall ({HALL}) · records at {last[:10]} of 20") in page
        assert flat(f"page {number} of {len(pages)}") in page


def test_many_sites_are_named(past: Past, tmp_path: Path) -> None:
    """Without --site it is of all of them."""
    first, second, *_ = pages_of(paper(past, tmp_path))
    for name in ("brackle-chapel", HALL, "tarnwick-yard"):
        assert name in flat(first)
        assert name in flat(second)


@pytest.mark.parametrize("sheet, size", [("a4", (210.0, 297.0)), ("letter", (215.9, 279.4))])
def test_it_fits_the_paper(past: Past, tmp_path: Path, sheet: str, size: tuple[float, float]) -> None:
    """ISO 216 and ANSI/ASME Y14.1; wide tables lie on their side, and no text runs over an edge."""
    assert sizes_of(paper(past, tmp_path, "--site", HALL, "--paper", sheet)) == {size}


def test_it_is_black_and_white(made: bytes, tmp_path: Path) -> None:
    """No dot of any page has a colour."""
    (tmp_path / "paper.pdf").write_bytes(made)
    subprocess.run(["pdftoppm", "-r", "50", tmp_path / "paper.pdf", tmp_path / "page"], check=True)
    pages = sorted(tmp_path.glob("page*.ppm"))
    assert len(pages) > 4
    for page in pages:
        dots = np.asarray(Image.open(page).convert("RGB")).astype(int)
        assert np.ptp(dots, axis=2).max() == 0
        assert dots.min() < 64


@pytest.mark.parametrize("form", ["pdf", "html", "xlsx"])
def test_made_twice_it_is_the_same_file(past: Past, tmp_path: Path, form: str) -> None:
    """Also later, elsewhere, by another process: only commits have a say in it."""
    one = paper(past, tmp_path / "one", form=form)
    done = subprocess.run(
        [
            *(sys.executable, "-m", "asleft", "account", "--home", str(past.bench.home)),
            *("--from", past.stamp(-2), "--to", "2099-01-01"),
            *("--format", form, "--out", str(tmp_path / "two"), "--json"),
        ],
        env={"PATH": "/usr/bin:/bin", "TZ": "Asia/Tokyo", "LC_ALL": "C", "HOME": str(tmp_path)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
    said = json.loads(done.stdout)
    assert Path(said["file"]).read_bytes() == one
    assert said["sha256"] == hashlib.sha256(one).hexdigest()
    assert said["commit"] == past.bench.records("log", "-1", "--format=%H").strip()


def test_a_time_that_is_over_stays_what_it_was(past: Past, tmp_path: Path) -> None:
    """What was recorded after --to is not in it, and its last page names the newest commit before."""
    whole = flat(" ".join(pages_of(paper(past, tmp_path, "--to", past.stamp(0.5)))))
    (first,) = past.bench.records(
        "log", "--format=%h", "--abbrev=10", "--grep=read for the first time"
    ).split()
    assert f"recordsat{first}" in whole
    assert past.order not in whole


def test_the_workbook_has_it_all(past: Past, tmp_path: Path) -> None:
    """Its last sheet is the CSV of the command, counts are numbers, and values approved at first are there, too."""
    book_ = openpyxl.load_workbook(io.BytesIO(paper(past, tmp_path, "--site", HALL, form="xlsx")))
    weeks = list(book_["As left by week"].iter_rows(min_row=2, values_only=True))
    said = whole(past)
    assert sum(int(str(week[4])) for week in weeks) == len(said.drifts)
    rows = list(book_["All, in UTC and seconds"].iter_rows(min_row=2, values_only=True))
    sections = [row[0] for row in rows]
    orders = (*said.restores, *said.unfinished)
    for name, listed in (("drift", said.drifts), ("order", orders), ("week", said.weeks)):
        assert sections.count(name) == len(listed) > 0
    values = list(book_["Values changed"].iter_rows(min_row=2, values_only=True))
    (dim,) = [row for row in values if row[2:4] == ("40 %", "50 %")]
    assert dim[:2] == (past.commits["second"][:10], "panel.key-dim")
    assert dim[4] == len(str(dim[5]).split(", "))
    assert {str(row[5]).partition("/")[0] for row in values} == {HALL}
    # What the first revision approved, at nine stations; the tenth is of another model, which has no such setting.
    first = [row for row in values if row[0] == past.commits["first"][:10] and row[1] == "headphones.limiter"]
    assert [(row[2], row[3], row[4]) for row in first] == [(None, "on", 9)]


def test_what_strangers_typed_does_nothing(past: Past) -> None:
    """A reason that is markup, a formula, a command for a terminal: it stands as it was typed, or escaped."""
    typed = ("<script>alert(1)</script>", "=1+cmd", "\x1b[2J", "\u202eno")
    end = OrderEnd(
        at=datetime(2026, 1, 2, tzinfo=UTC),
        order="0123456789",
        kind=Kind.RESTORED,
        stations=(DRUMS,),
        settings=("panel.menus",),
        confirmed_by=("Wren <b>",),
        reasons=typed,
        outcome="</style>",
        commit="c" * 40,
    )
    hostile = book(replace(whole(past), restores=(end,), titles={HALL: "=A & <i>"}))
    html = account_paper(hostile, Form.HTML).decode()
    assert "<script" not in html
    assert "&lt;script&gt;alert(1)" in html
    assert "\x1b" not in html
    assert "\u202e" not in html
    assert html.count("</style>") == html.count("<style>")
    cells = [
        cell
        for sheet in openpyxl.load_workbook(io.BytesIO(account_paper(hostile, Form.XLSX)))
        for row in sheet.iter_rows()
        for cell in row
    ]
    assert "f" not in {cell.data_type for cell in cells}


def test_nothing_to_account_for_is_said(past: Past, tmp_path: Path) -> None:
    """A time before the first record, and two forms at once."""
    told = account(past, "--to", past.stamp(-1), "--format", "html", "--out", tmp_path)
    assert told.code != 0
    assert "nothing is recorded until the end of that time" in told.err
    assert list(tmp_path.iterdir()) == []
    told = account(past, "--format", "html", "--csv", "--out", tmp_path)
    assert (told.code, "--format or --csv, not both" in told.err) == (2, True)


def test_without_format_nothing_is_written(
    past: Past, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is told, as before."""
    monkeypatch.chdir(tmp_path)
    told = account(past, "--site", HALL)
    assert told.out.startswith(f"Account of {HALL} from ")
    assert list(tmp_path.iterdir()) == []
