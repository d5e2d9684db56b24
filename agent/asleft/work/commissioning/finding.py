"""Which units are there: what answers in a site's station range, what announces itself, and what the baseline says.

Nothing outside the site's station range is ever connected to, whatever is announced.
"""

import asyncio
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from ipaddress import AddressValueError, IPv4Address
from typing import Final

from asleft.domain.errors import AsleftError
from asleft.domain.estate import AsLeft, Estate, Site
from asleft.domain.profile import Profile
from asleft.domain.stations import StationId
from asleft.ports.discovery import Announced, Announcements, CannotListen, Heard
from asleft.ports.stations import NoAnswer, NotReached, StationError, Stations

__all__ = ["Answer", "CannotFind", "Findings", "FoundAs", "Unit", "find", "sort_out"]

_AT_ONCE: Final = 32
"""Conversations that are open at the same time, as in a search of the range."""


class CannotFind(AsleftError):
    """There is no network on which a site's units could be looked for."""


class FoundAs(StrEnum):
    """What a unit is to the baseline."""

    KNOWN = "known"
    """Serial and address are as left."""
    MOVED = "moved"
    """A station of this site, at another address."""
    EXCHANGED = "exchanged"
    """At the address of a station, and another serial than that station's."""
    UNKNOWN = "unknown"
    """Its serial is in no file."""
    OTHER_SITE = "of another site"
    """Its serial is that of a station of another site of the estate."""
    TWICE = "twice"
    """Its serial answers at several addresses."""
    MISSING = "missing"
    """A station of this site that was found nowhere."""
    SILENT = "announced only"
    """Announced inside the station range, where nothing tells a serial."""
    ELSEWHERE = "elsewhere"
    """Announced outside the station range; nobody connected to it."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Answer:
    """Who answered at an address. All but the address is foreign text.

    Args:
        address: Where.
        port: At which TCP port.
        serial: Its serial.
        model: Its model; empty where it does not say.
        firmware: Its firmware; empty where it does not say.
    """

    address: str
    port: int
    serial: str
    model: str = ""
    firmware: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Unit:
    """One unit that was found, or a station that was not. Serial, model, firmware and announcement are foreign text.

    Args:
        found_as: What it is to the baseline.
        address: Where it answers or says that it is; empty for a missing station and where it does not say.
        port: At which TCP port; 0 where that is not known.
        serial: Its serial; the approved one of a missing station.
        model: Its model; empty where that is not known.
        firmware: Its firmware; empty where that is not known.
        station: The station that has this serial in the baseline, or that is missing.
        stands_at: The station whose approved address this is; of this site, unless it is only announced.
        approved: The address at which its station is as left; empty where it is no station's.
        announced: What it announces.
        note: What a person should know besides; empty where there is nothing.
    """

    found_as: FoundAs
    address: str
    port: int = 0
    serial: str = ""
    model: str = ""
    firmware: str = ""
    station: StationId | None = None
    stands_at: StationId | None = None
    approved: str = ""
    announced: Announced | None = None
    note: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Findings:
    """What was found at a site.

    Args:
        site: The site.
        looked_through: The range that was looked through.
        units: By address; missing stations and those that are only announced come last.
        notices: What a person should know of the search itself.
    """

    site: str
    looked_through: str
    units: tuple[Unit, ...]
    notices: tuple[str, ...] = ()

    def only(self, *kinds: FoundAs) -> tuple[Unit, ...]:
        """Give the units that are one of these."""
        return tuple(unit for unit in self.units if unit.found_as in kinds)


async def find(
    estate: Estate,
    site: Site,
    stations: Stations,
    *,
    profiles: Mapping[str, Profile],
    announcements: Announcements | None = None,
    seconds: float = 0.0,
) -> Findings:
    """Look through the station range of a site, and listen to what announces itself meanwhile.

    Args:
        estate: As left.
        site: The site.
        stations: The door to the stations of the site.
        profiles: Models that a unit may be.
        announcements: Where to listen; None for nowhere.
        seconds: How long to listen.

    Raises:
        CannotFind: The site's stations are read from files.
    """
    if site.drop is not None:
        raise CannotFind(
            "its stations are read from files, so no network can be looked through",
            where=site.file,
            todo="look into its drop folder",
        )
    notices: list[str] = []
    places = [(str(address), site.port) for address in site.search]
    if announcements is None:
        heard, answers = Heard(announced=()), await _ask(stations, places)
    else:
        heard, answers = await asyncio.gather(
            _listen(announcements, seconds, notices), _ask(stations, places)
        )
    if heard.left_out:
        notices.append(
            f"{heard.left_out} more names or above are announced than are kept; somebody may be flooding the network"
        )
    swept = {answer.address for answer in answers}
    others = _other_ports(heard.announced, site, swept)
    answers = [*answers, *await _ask(stations, others)]
    asked = _Asked(stations, estate, site, profiles, estate.by_serial())
    known = await asyncio.gather(*[asked.identify(answer) for answer in answers])
    units = sort_out(estate, site, known, heard.announced)
    silent = await asked.silent([unit for unit in units if unit.found_as is FoundAs.MISSING])
    return Findings(
        site=site.name,
        looked_through=str(site.search),
        units=tuple(replace(unit, note=silent.get(unit.station, unit.note)) for unit in units),
        notices=tuple(notices),
    )


async def _listen(announcements: Announcements, seconds: float, notices: list[str]) -> Heard:
    try:
        return await announcements.listen(seconds)
    except CannotListen as problem:
        notices.append(f"{problem.what}; only the station range was looked through")
        return Heard(announced=())


async def _ask(stations: Stations, places: Sequence[tuple[str, int]]) -> list[Answer]:
    gate = asyncio.Semaphore(_AT_ONCE)

    async def ask(address: str, port: int) -> Answer | None:
        async with gate:
            serial = await stations.serial_at(address, port)
        return Answer(address=address, port=port, serial=serial) if serial else None

    found = await asyncio.gather(*[ask(*place) for place in places])
    return [answer for answer in found if answer is not None]


def _inside(site: Site, announced: Announced) -> list[str]:
    """Give the addresses of an announcement that are in the station range."""
    found: list[str] = []
    for text in announced.addresses:
        try:
            address = IPv4Address(text)
        except AddressValueError:
            continue
        if address in site.search:
            found.append(str(address))
    return found


def _other_ports(heard: Sequence[Announced], site: Site, swept: Collection[str]) -> list[tuple[str, int]]:
    """Give where units say that they are at another port: one place an address, so that nobody can have us try ports."""
    found: dict[str, int] = {}
    for announced in heard:
        for address in _inside(site, announced):
            if address not in swept and announced.port not in {0, site.port}:
                found.setdefault(address, announced.port)
    return list(found.items())


@dataclass(frozen=True, slots=True)
class _Asked:
    """Asks units for more than their serial."""

    stations: Stations
    estate: Estate
    site: Site
    profiles: Mapping[str, Profile]
    owners: Mapping[str, StationId]
    gate: asyncio.Semaphore = field(default_factory=lambda: asyncio.Semaphore(_AT_ONCE))

    async def identify(self, answer: Answer) -> Answer:
        """Ask for model and firmware, which its profile says where to find."""
        owner = self.owners.get(answer.serial)
        guesses = [self.estate.stations[owner].profile] if owner else list(self.profiles.values())
        for profile in guesses:
            async with self.gate:
                try:
                    talk = await self.stations.open(answer.address, answer.port, profile)
                except NoAnswer:
                    continue  # another model may say elsewhere who it is
                except StationError:
                    return answer
                who = talk.identity
                await talk.close()
            if who.serial == answer.serial and (owner or who.model == profile.model):
                return replace(answer, model=who.model, firmware=who.firmware)
        return answer

    async def silent(self, missing: Sequence[Unit]) -> dict[StationId | None, str]:
        """Say at which missing stations' addresses something answers and does not tell its serial."""
        found: dict[StationId | None, str] = {}

        async def knock(unit: Unit) -> None:
            if unit.station is None or not _in_range(self.site, unit.approved):
                return
            async with self.gate:
                try:
                    profile = self.estate.stations[unit.station].profile
                    talk = await self.stations.open(unit.approved, self.site.port, profile)
                except NotReached:
                    return
                except NoAnswer as problem:
                    found[unit.station] = f"something is at its address: {problem.what}"
                    return
                await talk.close()

        await asyncio.gather(*map(knock, missing))
        return found


def _in_range(site: Site, address: str) -> bool:
    return IPv4Address(address) in site.search


def sort_out(
    estate: Estate, site: Site, answers: Sequence[Answer], heard: Sequence[Announced]
) -> tuple[Unit, ...]:
    """Say what each unit is to the baseline.

    Args:
        estate: As left.
        site: The site that was looked through.
        answers: Who answered in its station range.
        heard: What is announced, anywhere.
    """
    here = {one.address: one for station, one in estate.stations.items() if station.site == site.name}
    owners, times = estate.by_serial(), Counter(answer.serial for answer in answers)
    units: list[Unit] = []
    for answer in sorted(answers, key=lambda one: (IPv4Address(one.address), one.port)):
        owner, at = owners.get(answer.serial), here.get(answer.address)
        what, note = _what_it_is(site, answer, owner, at, twice=times[answer.serial] > 1)
        units.append(
            Unit(
                found_as=what,
                address=answer.address,
                port=answer.port,
                serial=answer.serial,
                model=answer.model,
                firmware=answer.firmware,
                station=owner,
                stands_at=at.station if at else None,
                approved=estate.stations[owner].address if owner else "",
                announced=_announcement_of(answer, heard),
                note=note,
            )
        )
    taken = {unit.stands_at for unit in units if unit.found_as is FoundAs.EXCHANGED}
    for one in here.values():
        if not times.get(one.serial) and one.station not in taken and _is_missing(one, units):
            units.append(_missing(site, one))
    told = {id(unit.announced) for unit in units if unit.announced}
    answering = {answer.address for answer in answers}
    approved = {one.address: station for station, one in estate.stations.items()}
    rest = [_only_announced(site, one, answering, approved) for one in heard if id(one) not in told]
    units.extend(sorted(rest, key=_place))
    return tuple(units)


def _place(unit: Unit) -> tuple[bool, int, str]:
    """Give the order of units that are only announced: inside the range first, then by address."""
    try:
        number = int(IPv4Address(unit.address))
    except AddressValueError:
        number = 1 << 32
    return unit.found_as is FoundAs.ELSEWHERE, number, unit.announced.name if unit.announced else ""


def _what_it_is(
    site: Site, answer: Answer, owner: StationId | None, at: AsLeft | None, *, twice: bool
) -> tuple[FoundAs, str]:
    note = "" if answer.port == site.port else f"it answers at port {answer.port}, not at {site.port}"
    if twice:
        return FoundAs.TWICE, note or "two units tell the same serial; look at their type plates"
    if owner is not None and owner.site != site.name:
        return FoundAs.OTHER_SITE, note
    if at is not None and at.station == owner:
        return FoundAs.KNOWN, note
    if at is not None and at.serial:
        return FoundAs.EXCHANGED, note
    if owner is not None:
        return FoundAs.MOVED, note
    if at is not None:
        return FoundAs.UNKNOWN, note or f"{at.station} is planned at this address"
    return FoundAs.UNKNOWN, note


def _is_missing(one: AsLeft, units: Sequence[Unit]) -> bool:
    """Tell whether nothing that was found could be this station's unit, which may be planned and have no serial."""
    return bool(one.serial) or not any(unit.stands_at == one.station for unit in units)


def _missing(site: Site, one: AsLeft) -> Unit:
    note = "" if one.serial else "planned; no unit is approved for it yet"
    if not _in_range(site, one.address):
        note = f"its address is outside the station range {site.search}, and nothing else is looked at"
    return Unit(
        found_as=FoundAs.MISSING,
        address="",
        serial=one.serial,
        station=one.station,
        approved=one.address,
        note=note,
    )


def _announcement_of(answer: Answer, heard: Sequence[Announced]) -> Announced | None:
    return next((one for one in heard if answer.address in one.addresses and answer.port == one.port), None)


def _only_announced(
    site: Site, announced: Announced, answering: Collection[str], approved: Mapping[str, StationId]
) -> Unit:
    inside = _inside(site, announced)
    address = inside[0] if inside else next(iter(announced.addresses), "")
    note = (
        "a unit answers at this address, at another port; this one was not tried"
        if address in answering
        else ""
    )
    return Unit(
        found_as=FoundAs.SILENT if inside else FoundAs.ELSEWHERE,
        address=address,
        port=announced.port,
        stands_at=approved.get(address),
        announced=announced,
        note=note if address else "it does not say where it is",
    )
