"""What papers are made from: one revision of the baseline, and what the records tell of the last visit."""

from collections.abc import Callable
from dataclasses import dataclass

from asleft.domain.estate import AsLeft, Estate
from asleft.domain.layers import Origin
from asleft.domain.rules.rule import SiteView
from asleft.domain.site import Site
from asleft.papers.choices import Sheet
from asleft.papers.paper import Frame
from asleft.ports.baseline import Revision, Touch
from asleft.work.visiting import Visit

__all__ = ["Given", "Visited"]


@dataclass(frozen=True, kw_only=True)
class Visited:
    """A visit, and what was approved when it ended.

    Args:
        visit: The visit.
        estate: The estate as it was approved then, with the occasions that were on.
        revision: The revision of the baseline that it was read at.
        on: The occasions that were on at the site, the strongest first.
    """

    visit: Visit
    estate: Estate
    revision: Revision
    on: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Given:
    """What a paper about a site is made from.

    Args:
        estate: The estate in its normal state.
        site: The site.
        revision: The revision that the estate was read at.
        approved_by: Who approved it, as a signature proves it; empty where its rule asks for none.
        touched: Gives the commit that last touched a line of the baseline.
        visited: The last visit; None where nothing is recorded of the site.
        pages: Address at which people open the page of asleft, without a slash at its end; empty where there is none.
    """

    estate: Estate
    site: Site
    revision: Revision
    approved_by: str
    touched: Callable[[Origin], Touch]
    visited: Visited | None = None
    pages: str = ""

    def stations(self) -> dict[str, AsLeft]:
        """Give the stations of the site by name, in the order of their names."""
        found = {
            name.name: left for name, left in self.estate.stations.items() if name.site == self.site.name
        }
        return dict(sorted(found.items()))

    def view(self) -> SiteView:
        """Give the site as the rules of the check see it."""
        return SiteView(
            site=self.site,
            stations=self.stations(),
            limits=self.estate.limits,
            concessions=self.estate.concessions,
            occasions=self.estate.occasions,
        )

    def frame(self, kind: str, sheet: Sheet, revision: Revision | None = None) -> Frame:
        """Give what stands on every page of a paper, about this revision or another one."""
        return Frame(
            kind=kind,
            estate=self.estate.name,
            site=self.site.name,
            title=self.site.title,
            revision=revision or self.revision,
            zone=self.site.time_zone,
            sheet=sheet,
        )
