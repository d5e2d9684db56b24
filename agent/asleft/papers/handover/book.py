"""The handover book of a site: all that whoever takes it over needs on paper, from one revision of the baseline."""

from dataclasses import dataclass

from asleft.domain.people import Approval
from asleft.papers.choices import Sheet
from asleft.papers.given import Given
from asleft.papers.handover.ahead import Ahead, ahead_of, concessions_of, occasions_of
from asleft.papers.handover.hearing import Hearing, hearing_of
from asleft.papers.handover.people import contacts_of, people_of, teams_of
from asleft.papers.handover.signals import Signals, Tracks, signals_of, tracks_at
from asleft.papers.handover.stations import (
    StationSheet,
    addresses_of,
    network_of,
    settings_table,
    sheets_of,
    without_address,
)
from asleft.papers.paper import Frame, Table
from asleft.papers.visit.book import VisitBook, certificates_table
from asleft.papers.visit.book import book as visit_book

__all__ = ["Handover", "book", "tables"]

_RULES = {
    Approval.COMMIT: "whatever is on the branch",
    Approval.SIGNED: "every commit signed by an approver",
    Approval.TAG: "a tag signed by an approver",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Handover:
    """What the handover book says.

    Args:
        frame: What stands on every page.
        cover: What stands on the first one, in pairs of a word and what is said.
        contents: Heading of each part, and the id that it has.
        network: What the site's file says of its network.
        addresses: The address plan.
        without: Stations that have no address yet.
        stations: A sheet a station.
        signals: How signals go.
        tracks: The tracks of a recording.
        hearing: How loud it can get.
        ahead: What is on in the next weeks.
        occasions: What each occasion changes.
        concessions: Approved exceptions.
        contacts: Whom to ask there.
        people: Who may do what.
        teams: Teams on call that are told of the site.
        visit: The last visit; None where nothing is recorded of the site.
    """

    frame: Frame
    cover: tuple[tuple[str, str], ...]
    contents: tuple[tuple[str, str], ...]
    network: tuple[tuple[str, str], ...]
    addresses: Table
    without: tuple[str, ...]
    stations: tuple[StationSheet, ...]
    signals: Signals
    tracks: Tracks
    hearing: Hearing
    ahead: Ahead
    occasions: Table
    concessions: Table
    contacts: Table
    people: Table
    teams: tuple[str, ...]
    visit: VisitBook | None


_CONTENTS = (
    ("Address plan", "addresses"),
    ("Stations as left", "stations"),
    ("Patch", "patch"),
    ("Recording", "recording"),
    ("Hearing", "hearing"),
    ("Agenda and occasions", "agenda"),
    ("Concessions", "concessions"),
    ("Contacts", "contacts"),
    ("How to put a spare unit in", "spare"),
    ("The last visit: as found and as left", "visit"),
)


def book(given: Given, sheet: Sheet = Sheet.A4) -> Handover:
    """Put the handover book of a site together.

    Args:
        given: What it is made from.
        sheet: The paper it is printed on.
    """
    return Handover(
        frame=given.frame("Handover book", sheet),
        cover=_cover(given),
        contents=_CONTENTS,
        network=network_of(given),
        addresses=addresses_of(given),
        without=without_address(given),
        stations=sheets_of(given),
        signals=signals_of(given),
        tracks=tracks_at(given),
        hearing=hearing_of(given),
        ahead=ahead_of(given),
        occasions=occasions_of(given),
        concessions=concessions_of(given),
        contacts=contacts_of(given),
        people=people_of(given),
        teams=teams_of(given),
        visit=visit_book(given, given.visited, sheet) if given.visited else None,
    )


def tables(made: Handover) -> tuple[Table, ...]:
    """Give what people sort of it, as the sheets of a workbook."""
    about = Table(name="About", heads=("what", "is"), rows=(*made.cover, *made.network))
    found = (
        about,
        made.addresses,
        settings_table(made.stations),
        *made.signals.tables,
        made.tracks.rows,
        made.hearing.table(),
        made.ahead.rows,
        made.occasions,
        made.concessions,
        made.contacts,
        made.people,
        *((certificates_table(made.visit),) if made.visit else ()),
    )
    return tuple(table for table in found if table.rows)


def _cover(given: Given) -> tuple[tuple[str, str], ...]:
    stations = given.stations()
    frame = given.frame("", Sheet.A4)
    planned = sum(not left.serial for left in stations.values())
    return (
        ("site", f"{given.site.title} ({given.site.name})"),
        ("estate", given.estate.name),
        ("stations", f"{len(stations)}{f', {planned} of them planned' if planned else ''}"),
        ("baseline commit", given.revision.commit),
        ("made", frame.dated),
        ("by", f"{given.revision.author}: {given.revision.subject}"),
        ("approval rule", _RULES[given.estate.approval]),
        *((("approved by", given.approved_by),) if given.approved_by else ()),
        ("times are told in", given.site.time_zone),
        *((("page of asleft", given.pages),) if given.pages else ()),
    )
