"""What all papers share: what stands at the foot of each page, and tables."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from asleft.papers.choices import Sheet
from asleft.ports.baseline import Revision

__all__ = ["Frame", "Table", "clock", "day", "short", "true_minus"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Frame:
    """What stands on every page of a paper.

    Args:
        kind: What paper it is, as `Handover book`.
        estate: Name of the estate.
        site: Name of the site.
        title: The site's name as people read it.
        revision: The revision of the baseline, or the commit of the records, that the paper tells of.
        zone: IANA name of the site's time zone, by which all its times are told.
        sheet: The paper it is printed on.
        of: What the commit is one of, with what stands before it.
    """

    kind: str
    estate: str
    site: str
    title: str
    revision: Revision
    zone: str
    sheet: Sheet = Sheet.A4
    of: str = "as left at"

    @property
    def commit(self) -> str:
        """The commit in its short form."""
        return short(self.revision.commit)

    @property
    def dated(self) -> str:
        """When that commit was made, by the site's clock; a paper never tells the time at which it was printed."""
        return clock(self.revision.committed_at, self.zone)


@dataclass(frozen=True, kw_only=True, slots=True)
class Table:
    """A table, on paper and in a workbook alike.

    Args:
        name: What it is about, in a word or two; unlike all others of its paper.
        heads: Its columns.
        rows: Its rows, as long as `heads` each; a whole number sorts as one.
    """

    name: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str | int, ...], ...]


def short(commit: str) -> str:
    """Give a commit in the form that people compare by eye."""
    return commit[:10]


def clock(at: datetime, zone: str) -> str:
    """Give a time as the clocks at a site show it, with its distance from UTC: `2026-11-25 14:05 +01:00`."""
    local = at.astimezone(ZoneInfo(zone))
    away = local.utcoffset() or timedelta(0)
    return f"{local:%Y-%m-%d %H:%M} {'UTC' if not away else local.isoformat()[-6:]}"


def day(at: datetime, zone: str) -> str:
    """Give the day of a time as the calendars at a site show it."""
    return f"{at.astimezone(ZoneInfo(zone)):%Y-%m-%d}"


def true_minus(text: str) -> str:
    """Give numbers in a text that begins with a minus a true one, which no printer takes for a hyphen."""
    return f"\N{MINUS SIGN}{text[1:]}" if text.startswith("-") and text[1:2].isdigit() else text
