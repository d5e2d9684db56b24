"""The account of a time on paper: what was approved, found, restored and not read, with plots; from the two repositories alone.

ISO 10007:2017 calls such a record configuration status accounting (section 3.4); the words are our own.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

from asleft.domain.errors import AsleftError
from asleft.domain.evidence.account import Account
from asleft.domain.evidence.account_rows import account_rows
from asleft.domain.evidence.account_text import account_parts, local, period
from asleft.domain.evidence.pieces import Change, Kind
from asleft.domain.names import plural
from asleft.domain.statistics import Times, by_class
from asleft.drawn.drawing import Drawing
from asleft.drawn.plots import bars_by_class, pairs_by_week, shares_by_week
from asleft.papers.account.weeks import Moves, moves_by_week
from asleft.papers.choices import Sheet
from asleft.papers.paper import Frame, Table, short, true_minus
from asleft.ports.baseline import Revision

__all__ = ["AccountBook", "Facts", "NothingRecorded", "book", "tables"]

_NAMED: Final = 3
"""So many sites are named on every page; more of them are counted there, and named on the first page."""
_NUMBERS: Final = frozenset({"of how many", "days left", "drift found", "restored by an order"})
_NAMES: Final = {
    "baseline": "Baseline in force",
    "approved": "Approved",
    "drift": "Drift found",
    "times": "Times",
    "restores": "Orders carried out",
    "unfinished": "Orders refused, lapsed, halted",
    "concessions": "Concessions",
    "gaps": "Not read",
    "weeks": "As left by week",
}
"""What each part is called, short enough for the sheet of a workbook."""

Facts = tuple[tuple[str, str], ...]


class NothingRecorded(AsleftError):
    """The records hold nothing that an account could be made from."""


@dataclass(frozen=True, kw_only=True, slots=True)
class AccountBook:
    """What the account says.

    Args:
        frame: What stands on every page; its commit is the newest one of the records.
        cover: What stands on the first page.
        sums: The account in short.
        notes: What a reader should know.
        plots: Its drawings; none where there is nothing to draw.
        parts: Its tables, by what each is about.
        changes: Values that commits of the baseline changed, alike ones together.
        first: How many values were approved for the first time.
        values: `changes`, and with them those that were approved for the first time.
        everything: All of it as one table, times in UTC and lengths in seconds.
    """

    frame: Frame
    cover: Facts
    sums: Facts
    notes: tuple[str, ...]
    plots: tuple[Drawing, ...]
    parts: dict[str, Table]
    changes: Table
    first: int
    values: Table
    everything: Table


def book(made: Account, sheet: Sheet = Sheet.A4) -> AccountBook:
    """Put the account of a time on paper.

    Args:
        made: The account.
        sheet: The paper it is printed on.

    Raises:
        NothingRecorded: The records hold nothing until its end.
    """
    if made.last is None:
        raise NothingRecorded(
            "nothing is recorded until the end of that time",
            todo="give a later --to; asleft round reads the stations",
        )
    titles = [made.titles.get(site, site) for site in made.sites]
    few = len(titles) <= _NAMED
    frame = Frame(
        kind="Account",
        estate=made.estate,
        site=", ".join(made.sites) if few else "named on page 1",
        title=", ".join(titles) if few else f"{len(titles)} sites",
        revision=Revision(
            commit=made.last.commit,
            author=made.last.author,
            committed_at=made.last.at,
            subject=made.last.subject,
        ),
        zone=made.zone,
        sheet=sheet,
        of="records at",
    )
    sites = frozenset(made.sites)
    fresh = [
        (one.piece.commit, change)
        for one in made.approvals
        for change in one.piece.changes
        if change.station.site in sites
    ]
    values = _changes(fresh)
    moves = moves_by_week(made)
    return AccountBook(
        frame=frame,
        cover=tuple(_cover(made, titles)),
        sums=tuple(_sums(made)),
        notes=tuple(f"{note[:1].upper()}{note[1:]}." for note in made.notes),
        plots=tuple(_plots(made, moves)),
        parts=_parts(made, moves),
        changes=replace(values, rows=tuple(row for row in values.rows if row[2])),
        first=sum(not change.before for _, change in fresh),
        values=values,
        everything=_everything(made),
    )


def tables(made: AccountBook) -> tuple[Table, ...]:
    """Give what people sort of it, as the sheets of a workbook; the last one has all of it in UTC and in seconds."""
    found = (
        Table(name="About", heads=("what", "is"), rows=(*made.cover, *made.sums)),
        *(
            replace(table, rows=tuple(_numbered(table.heads, row) for row in table.rows))
            for table in made.parts.values()
        ),
        made.values,
        Table(name="Notes", heads=("note",), rows=tuple((note,) for note in made.notes)),
        made.everything,
    )
    return tuple(table for table in found if table.rows)


def _parts(made: Account, moves: Sequence[Moves]) -> dict[str, Table]:
    parts = {
        part.key: Table(name=_NAMES[part.key], heads=part.heads, rows=tuple(map(_minused, part.rows)))
        for part in account_parts(made)
    }
    weeks = parts["weeks"]
    parts["weeks"] = replace(
        weeks,
        heads=(*weeks.heads, "drift found", "restored by an order"),
        rows=tuple(
            (*row, f"{move.found}", f"{move.restored}") for row, move in zip(weeks.rows, moves, strict=True)
        ),
    )
    return parts


def _cover(made: Account, titles: Sequence[str]) -> Iterator[tuple[str, str]]:
    named = [
        title if title == site else f"{title} ({site})"
        for title, site in zip(titles, made.sites, strict=True)
    ]
    yield "estate", made.estate or "not known"
    yield "sites" if len(named) > 1 else "site", ", ".join(named) or "none"
    yield "from", local(made.since, made.zone)
    yield "until", local(made.until, made.zone)
    yield "times are told in", made.zone
    if made.last is not None:
        yield "records until commit", made.last.commit
        yield "of", f"{local(made.last.at, made.zone)}: {made.last.subject}"
    last = next((day.commits[-1] for day in reversed(made.days) if day.commits), "")
    yield "baseline in force last", last or "the records name none"


def _sums(made: Account) -> Iterator[tuple[str, str]]:
    yield "changes approved", f"{plural(len(made.approvals), 'commit')} of the baseline came into force"
    fresh = [one for one in made.drifts if one.since >= made.since]
    found = sum(one.cause == "found" for one in fresh)
    stood = len(made.drifts) - len(fresh)
    yield (
        "drift that began",
        f"{found} found at stations, {len(fresh) - found} because what is approved moved; {stood} stood from before",
    )
    mended = sum(one.order for one in made.drifts)
    stands = sum(one.until is None for one in made.drifts)
    gone = len(made.drifts) - mended - stands
    yield "drift that ended", f"{mended} by an order, {gone} otherwise; {stands} stood at the end"
    yield "time to detect, at most", _spread(made.detect)
    yield "time to restore", _spread(made.restore)
    yield "orders", f"{len(made.restores)} carried out; {_unfinished(made)}"
    yield (
        "concessions",
        ", ".join(
            f"{sum(one.state == state for one in made.concessions)} {state}"
            for state in ("standing", "lapsed", "taken away")
        ),
    )
    unread = len({one.station for one in made.gaps})
    still = sum(one.until is None for one in made.gaps)
    yield "not read", f"{plural(unread, 'station')} at some time, {still} at the end"
    share = made.weeks[-1].share if made.weeks else None
    yield (
        "as left at the end",
        f"{share.part} of {share.of} stations that were read ({share.percent}, 95 % interval {share.interval})"
        if share
        else "no data: no station was read",
    )


def _unfinished(made: Account) -> str:
    return ", ".join(
        f"{sum(one.kind is kind for one in made.unfinished)} {kind}"
        for kind in (Kind.REFUSED, Kind.LAPSED, Kind.HALTED)
    )


def _spread(one: Times) -> str:
    if one.median is None or one.longest is None:
        return "no data"
    return f"median {period(one.median)}, worst {period(one.longest)}, of {len(one.seconds)}"


def _changes(listed: Sequence[tuple[str, Change]]) -> Table:
    """Give each value that was changed, with the stations where it was; what is alike stands in one row."""
    alike: dict[tuple[str, str, str, str], list[str]] = {}
    for commit, change in listed:
        key = (commit, change.setting, change.before, change.after or "not set")
        alike.setdefault(key, []).append(str(change.station))
    return Table(
        name="Values changed",
        heads=("commit", "setting", "before", "after", "stations", "where"),
        rows=tuple(
            (short(commit), setting, true_minus(before), true_minus(after), len(where), ", ".join(where))
            for (commit, setting, before, after), where in alike.items()
        ),
    )


def _plots(made: Account, moves: Sequence[Moves]) -> Iterator[Drawing]:
    if not made.weeks:
        return
    yield shares_by_week(
        [(_named(move), week.share) for move, week in zip(moves, made.weeks, strict=True)],
        title="Stations as left at the end of each week",
        about="The share of the stations that were read, with its 95 % interval (Wilson): few stations say little. "
        "A dashed frame with a question mark: no station was read.",
        unit="share as left, %",
    )
    yield pairs_by_week(
        [(_named(move), move.found, move.restored) for move in moves],
        ("drift found", "restored by an order"),
        title="Drift by week",
        about=f"{sum(move.found for move in moves)} began, whatever made it drift; "
        f"{sum(move.restored for move in moves)} restored by an order. What went without one is in the table.",
        unit="drifts",
    )
    for title, times, about in (
        (
            "Time to detect",
            made.detect.seconds,
            "How long a drift can have stood unseen at most, where that is known.",
        ),
        (
            "Time to restore",
            made.restore.seconds,
            "From the commit that shows a drift to the end of the order that mended it.",
        ),
    ):
        if times:
            yield bars_by_class(
                by_class(times),
                title=title,
                about=f"{about} {len(times)} of them.",
                unit="drifts",
                along="time taken",
            )


def _named(move: Moves) -> str:
    return f"{move.since.day} {move.since:%b}"


def _everything(made: Account) -> Table:
    heads, *rows = account_rows(made)
    return Table(name="All, in UTC and seconds", heads=heads, rows=tuple(rows))


def _minused(row: Sequence[str]) -> tuple[str, ...]:
    return tuple(map(true_minus, row))


def _numbered(heads: Sequence[str], row: Sequence[str | int]) -> tuple[str | int, ...]:
    """Have counts sort as numbers."""
    return tuple(
        int(str(cell).replace("\N{MINUS SIGN}", "-")) if head in _NUMBERS else cell
        for head, cell in zip(heads, row, strict=True)
    )
