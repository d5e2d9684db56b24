"""What stands round every page: who looks, the ways to other pages, and how much needs a person."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from typing import Final

from asleft.domain.accounts import Session
from asleft.domain.alarms.alarm import Alarm, AlarmState
from asleft.domain.estate import Estate
from asleft.domain.names import harmless
from asleft.domain.people import Person, Right
from asleft.domain.profile import Priority
from asleft.domain.withheld import Withheld
from asleft.web.own_events import OwnNews
from asleft.web.past import zones_differ
from asleft.work.alarms.desk import Board

__all__ = ["Frame", "Link", "Standing", "Viewer", "links", "standing"]

_OPEN: Final = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED})
_LONGEST_TOLD: Final = 200
_PAGES: Final = (
    ("/", "Now"),
    ("/orders", "Orders"),
    ("/history", "History"),
    ("/figures", "Figures"),
    ("/baseline", "Baseline"),
    ("/people", "People"),
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Viewer:
    """Who looks.

    Args:
        person: The person.
        session: The session.
        form_token: Stands in every form.
        token: The session's own token.
    """

    person: Person
    session: Session
    form_token: str = field(repr=False)
    token: str = field(repr=False)

    def sees(self, site: str) -> bool:
        """Tell whether this person may look at a site."""
        return self.person.may(Right.LOOK, site)


@dataclass(frozen=True, kw_only=True, slots=True)
class Link:
    """The way to a page.

    Args:
        path: Its path.
        words: Its name.
        here: Whether it is the page that is shown, or the one above it.
    """

    path: str
    words: str
    here: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class Standing:
    """How things stand, of what a viewer may know; nothing where nobody is signed in.

    Args:
        estate: Name of the estate.
        alarms: How many alarms are open.
        high: How many of high priority nobody has seen yet.
        newest: The newest of them: where, and what; empty where there are none.
        ails: What is wrong with the agent itself, a line each.
        zones_differ: Whether sites have different time zones, so that a time has to say by whose clock it is.
    """

    estate: str = ""
    alarms: int = 0
    high: int = 0
    newest: str = ""
    ails: tuple[str, ...] = ()
    zones_differ: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Frame:
    """What stands round a page.

    Args:
        title: Of the page, as the browser shows it.
        viewer: Who looks; None where nobody is signed in.
        nav: Ways that are always in reach.
        more: Ways that are below on a phone.
        standing: How things stand.
        form_token: Stands in every form.
        said: What is said once of what was just done.
        look: One of light, dark and the system's own.
        path: Of the page; of the first one where a form was answered.
        version: Of asleft.
        own: What the viewer is told of their own sign-in.
        told: The last change that was told before the page was made; empty where the page tells of no changes.
    """

    title: str
    viewer: Viewer | None
    nav: tuple[Link, ...]
    more: tuple[Link, ...]
    standing: Standing
    form_token: str
    said: str
    look: str
    path: str
    version: str
    own: OwnNews
    told: str


def links(at: str, there: Collection[str]) -> Sequence[Link]:
    """Give the ways to pages.

    Args:
        at: Path of the page that is shown.
        there: Paths of pages that are there; the way to any other is not shown.
    """
    return [
        Link(path=path, words=words, here=at == path or (path != "/" and at.startswith(f"{path}/")))
        for path, words in _PAGES
        if path in there
    ]


def standing(estate: Estate, board: Board, health: Sequence[str], viewer: Viewer) -> Standing:
    """Say how things stand to somebody who looks.

    Args:
        estate: In force.
        board: The alarms.
        health: What is wrong with the agent itself, a line each.
        viewer: Who looks.
    """
    alarms = [
        alarm
        for alarm in (*board.alarms, *board.stale)
        if alarm.state in _OPEN and viewer.sees(alarm.drift.key.station.site)
    ]
    high = [
        alarm
        for alarm in alarms
        if alarm.state is AlarmState.UNACKNOWLEDGED and alarm.drift.priority is Priority.HIGH
    ]
    return Standing(
        estate=estate.name,
        alarms=len(alarms),
        high=len(high),
        newest=_told(estate, max(high, key=lambda alarm: alarm.since)) if high else "",
        ails=Withheld.of(estate, viewer.person).lines(health),
        zones_differ=zones_differ(estate, filter(viewer.sees, estate.sites)),
    )


def _told(estate: Estate, alarm: Alarm) -> str:
    station = alarm.drift.key.station
    site = estate.sites.get(station.site)
    where = ", ".join(filter(None, (site.title if site else station.site, station.name)))
    return harmless(f"{where}: {alarm.drift.what}", longest=_LONGEST_TOLD)
