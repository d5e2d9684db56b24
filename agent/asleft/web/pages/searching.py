"""What is searched in the records, and what of an entry a person may see."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from enum import StrEnum
from itertools import islice
from typing import Final

from asleft.ports.records import Entry

__all__ = [
    "KIND_WORDS",
    "Found",
    "Kind",
    "See",
    "Wish",
    "days_of",
    "kind_of",
    "matches",
    "people_of",
    "search",
    "see_as",
]

_PEOPLE: Final = frozenset({"By", "Confirmed-By"})
_SAFE_IN_PART: Final = frozenset({"Site", "Station", "Baseline"})
"""Trailers that stay where a person may see only some of the sites of an entry."""
_CLOCKS: Final = timedelta(days=2)
"""So far a computer's clock may have been put back while records were written; beyond that nothing later comes."""
_FIRST_YEAR: Final = 2000
_LAST_YEAR: Final = 2200

See = Callable[[Entry], Entry | None]
"""Gives of an entry what a person may see; None where that is nothing."""


class Kind(StrEnum):
    """What an entry is about."""

    FOUND = "found"
    ORDER = "order"
    ALARM = "alarm"
    ACT = "act"
    PROPOSAL = "proposal"
    REFUSED = "refused"
    OTHER = "other"


KIND_WORDS: Final = {
    Kind.FOUND: "found on stations",
    Kind.ORDER: "orders",
    Kind.ALARM: "alarms seen, shelved, out of service",
    Kind.ACT: "done at a station",
    Kind.PROPOSAL: "changes proposed",
    Kind.REFUSED: "refused to a person",
    Kind.OTHER: "anything else",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Wish:
    """What is searched; whatever is left empty holds for all.

    Args:
        site: Name of a site.
        station: Name of a station, or `site/station`.
        setting: Dotted name of a setting, or the group that it stands in.
        person: Key of a person, or a part of key or name.
        kind: Kind.
        first: The earliest time.
        last: The time from which on it is too late.
    """

    site: str = ""
    station: str = ""
    setting: str = ""
    person: str = ""
    kind: Kind | None = None
    first: datetime | None = None
    last: datetime | None = None

    def fits(self, entry: Entry) -> bool:
        """Tell whether an entry is searched for."""
        return (
            (self.first is None or entry.at >= self.first)
            and (self.last is None or entry.at < self.last)
            and (self.kind is None or kind_of(entry) is self.kind)
            and (not self.site or self.site in _values(entry, "Site"))
            and (not self.station or self._at_station(entry))
            and (not self.setting or self._of_setting(entry))
            and (not self.person or any(self.person.lower() in one.lower() for one in people_of(entry)))
        )

    def _at_station(self, entry: Entry) -> bool:
        wanted = self.station if "/" in self.station else f"/{self.station}"
        return any(f"/{one}".endswith(wanted) for one in _values(entry, "Station"))

    def _of_setting(self, entry: Entry) -> bool:
        return any(f"{one}.".startswith(f"{self.setting}.") for one in _values(entry, "Setting"))


@dataclass(frozen=True, kw_only=True, slots=True)
class Found:
    """What a search found.

    Args:
        entries: Newest first.
        older: The commit from which it goes on; empty where the records are at their end.
        reached: The time up to which was searched, where the search broke off before the page was full.
    """

    entries: tuple[Entry, ...]
    older: str = ""
    reached: datetime | None = None


def kind_of(entry: Entry) -> Kind:
    """Say what an entry is about, by its trailers."""
    keys = {key for key, _ in entry.trailers}
    if ": refused to " in entry.subject:
        return Kind.REFUSED
    for key, kind in (
        ("Order", Kind.ORDER),
        ("Proposal", Kind.PROPOSAL),
        ("Action", Kind.ACT),
        ("By", Kind.ALARM),
    ):
        if key in keys:
            return kind
    if "Station" in keys or any(file.startswith("as-found/") for file in entry.files):
        return Kind.FOUND
    return Kind.OTHER


def people_of(entry: Entry) -> tuple[str, ...]:
    """Give who had to do with an entry, as it names them, each once."""
    named = [value for key, value in entry.trailers if key in _PEOPLE]
    # Whoever drew an order up stands in the subject alone.
    _, drawn, by = entry.subject.rpartition("drawn up by ")
    return tuple(dict.fromkeys([*named, *([by] if drawn else [])]))


def see_as(sees: Callable[[str], bool], *, everywhere: bool) -> See:
    """Give what says of each entry what a person may see of it.

    An entry that names no site is for people who may look everywhere. Of one that names several, only lines and files of
    the sites that a person may look at are left.

    Args:
        sees: Tells whether a site may be looked at.
        everywhere: Whether any may.
    """

    def see(entry: Entry) -> Entry | None:
        if everywhere:
            return entry
        sites = {*_values(entry, "Site"), *(one.partition("/")[0] for one in _values(entry, "Station"))}
        sites.update(file.split("/")[1] for file in entry.files if file.startswith("as-found/"))
        seen = sorted(filter(sees, sites))
        if not seen:
            return None
        return entry if len(seen) == len(sites) else _in_part(entry, seen)

    return see


def _in_part(entry: Entry, sites: Iterable[str]) -> Entry:
    own = tuple(f"{site}/" for site in sites)

    def about_own(key: str, value: str) -> bool:
        return key == "Baseline" or f"{value}/".startswith(own)

    return replace(
        entry,
        subject=f"{', '.join(sites)}: a part of what was recorded together with other sites",
        body="\n".join(line for line in entry.body.split("\n") if line.startswith(own)),
        trailers=tuple(
            (key, value) for key, value in entry.trailers if key in _SAFE_IN_PART and about_own(key, value)
        ),
        files=tuple(file for file in entry.files if file.startswith(tuple(f"as-found/{one}" for one in own))),
    )


def matches(entries: Iterable[Entry], wish: Wish, see: See) -> Iterator[tuple[Entry, Entry | None]]:
    """Go through entries, newest first, and give each with what of it is searched for and may be seen; else None.

    What may not be seen is not searched either, so that no search tells of it.
    """
    for entry in entries:
        if wish.first is not None and entry.at < wish.first - _CLOCKS:
            return
        seen = see(entry)
        yield entry, (seen if seen is not None and wish.fits(seen) else None)


def search(entries: Iterable[Entry], wish: Wish, see: See, *, most: int, reach: int) -> Found:
    """Search entries, newest first, until a page is full.

    Args:
        entries: The entries; no more are taken than are needed.
        wish: What is searched.
        see: Says what may be seen.
        most: At most so many are found.
        reach: At most so many are looked at.
    """
    found: list[Entry] = []
    going = matches(entries, wish, see)
    for entry, seen in islice(going, reach):
        if seen is None:
            continue
        if len(found) == most:
            return Found(entries=tuple(found), older=entry.commit)
        found.append(seen)
    for entry, _ in going:
        return Found(entries=tuple(found), older=entry.commit, reached=entry.at)
    return Found(entries=tuple(found))


def days_of(text: str) -> date:
    """Read a day as forms send it (HTML §4.10.5.1.7), in years that records can have.

    Raises:
        ValueError: It is none.
    """
    day = date.fromisoformat(text)
    if not _FIRST_YEAR <= day.year < _LAST_YEAR:
        raise ValueError(text)
    return day


def _values(entry: Entry, key: str) -> list[str]:
    return [value for one, value in entry.trailers if one == key]
