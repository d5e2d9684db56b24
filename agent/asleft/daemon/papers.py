"""What papers are made from, read from a home while another process may own it."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from asleft.daemon.assembly import now, opened
from asleft.domain.estate import Estate
from asleft.domain.kinds import nearest
from asleft.domain.layers import Origin
from asleft.domain.names import harmless
from asleft.domain.people import Approval
from asleft.domain.site import Site
from asleft.papers.given import Given, Visited
from asleft.ports.baseline import Baseline, Revision, Touch
from asleft.ports.records import Records
from asleft.work.approved import in_force, stand_of
from asleft.work.ordering import NoStation
from asleft.work.visiting import Span, last_day, visit_of

if TYPE_CHECKING:
    from asleft.ledger.store import SqliteLedger

__all__ = ["Papers", "open_papers"]


@dataclass(frozen=True, kw_only=True)
class Papers:
    """Reads what papers are made from.

    Args:
        baseline: The baseline repository.
        records: The records repository.
        ledger: Notes which revision is in force.
        pages: Address at which people open the page; empty where none is named.
    """

    baseline: Baseline
    records: Records
    ledger: "SqliteLedger"
    pages: str

    def zone_of(self, site: str) -> str:
        """Give the time zone of a site.

        Raises:
            NoStation: There is no such site.
        """
        return _site(self._in_force(), site).time_zone

    def given(self, site: str, span: Span | None = None, *, visited: bool = True) -> Given:
        """Give what a paper about a site is made from.

        Args:
            site: Name of the site.
            span: The time of the visit; the last day with something of it in the records where None.
            visited: Whether the paper tells of a visit.

        Raises:
            NoStation: There is no such site.
        """
        estate = self._in_force()
        found = _site(estate, site)
        baseline = self.baseline

        @cache
        def touched(file: str, line: int) -> Touch:
            return baseline.touched(estate.commit, file, line)

        def touch(origin: Origin) -> Touch:
            return touched(origin.file, origin.line)

        return Given(
            estate=estate,
            site=found,
            revision=baseline.revision(estate.commit),
            approved_by=self._approver(estate),
            touched=touch,
            visited=self._visited(estate, site, span) if visited else None,
            pages=self.pages,
        )

    def _in_force(self) -> Estate:
        return in_force(self.baseline, self.ledger, refresh=False).estate

    def _approver(self, estate: Estate) -> str:
        if estate.approval is Approval.COMMIT:
            return ""
        by = stand_of(self.baseline, self.ledger, now=now()).by
        return f"{by.name}, with key {by.key}{f', tag {by.tag}' if by.tag else ''}" if by else ""

    def _visited(self, estate: Estate, site: str, span: Span | None) -> Visited | None:
        zone = estate.sites[site].time_zone
        known = span or last_day(self.records, site, zone)
        if known is None:
            return None
        here = [station for station in estate.stations if station.site == site]
        visit = visit_of(self.records, here, site, known)
        then, revision = self._then(estate, visit.baseline, site)
        return Visited(
            visit=visit,
            estate=then.at(visit.at),
            revision=revision,
            on=then.on(visit.at).get(site, ()),
        )

    def _then(self, estate: Estate, commit: str, site: str) -> tuple[Estate, Revision]:
        """Give the estate that a visit is held against: the one that was in force then, where it can still be read."""
        if commit and commit != estate.commit:
            found, _ = self.baseline.load(commit)
            if found is not None and site in found.sites:
                return found, self.baseline.revision(commit)
        return estate, self.baseline.revision(estate.commit)


def _site(estate: Estate, name: str) -> Site:
    site = estate.sites.get(name)
    if site is None:
        raise NoStation(f"there is no site '{harmless(name)}'", todo=nearest(name, list(estate.sites)))
    return site


@contextmanager
def open_papers(folder: Path) -> Iterator[Papers]:
    """Open a home to make papers from."""
    with opened(folder) as home:
        yield Papers(
            baseline=home.baseline,
            records=home.records,
            ledger=home.ledger,
            pages=home.settings.pages_url.rstrip("/"),
        )
