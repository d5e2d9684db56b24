"""Enrolling: a unit that answers at an address of a site, and stands in no file, becomes a station."""

import asyncio
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from asleft.domain.addressing import NotAnAddress, host_address
from asleft.domain.comparison import differing
from asleft.domain.estate import AsLeft, Site
from asleft.domain.kinds import nearest
from asleft.domain.names import NAME_RULE, harmless, is_name
from asleft.domain.profile import Profile, Setting
from asleft.domain.stations import StationId
from asleft.ports.proposals import Edit, NewStation, Put, Trials
from asleft.ports.stations import NoAnswer, Sheet, Stations, door_of
from asleft.work.proposing.adopt import hazard_lines
from asleft.work.proposing.exchange import see_that_it_is_free
from asleft.work.proposing.words import Asking, CannotPropose, Plan, few, text_of

__all__ = ["Wish", "enrol"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Wish:
    """What is to be enrolled, and how.

    Args:
        site: The site.
        address: Where the unit answers, without prefix length.
        name: What the station is to be called.
        role: Its role; empty for none.
        serial: The serial that is expected there; empty for whatever answers.
        as_role: Leave it as its role and site say, whatever was found; otherwise as it was found.
    """

    site: str
    address: str
    name: str
    role: str = ""
    serial: str = ""
    as_role: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class _Met:
    """The unit that answered, and what it said."""

    profile: Profile
    serial: str
    firmware: str
    sheet: Sheet


async def enrol(asking: Asking, wish: Wish, trials: Trials, stations: Stations) -> Plan:
    """Plan a station for a unit that answers and is in no file.

    It is only read. What it was found with and its layers do not say goes into its file, so that it is as left; what
    would have to be conceded does not.

    Args:
        asking: Who asks, and on what.
        wish: What is to be enrolled.
        trials: Tells what the layers would say.
        stations: The door to stations.

    Raises:
        CannotPropose: The address, the name, the unit or its model is not fit to be enrolled.
        StationError: Nothing answers there, or nothing that can be understood.
    """
    site = _see_that_it_can_be(asking, wish)
    station = StationId(wish.site, wish.name)
    profiles = await asyncio.to_thread(trials.profiles, asking.estate.commit)
    met = await _meet(
        door_of(stations, asking.estate, wish.site), site, wish, _likely(asking, wish, profiles)
    )
    if wish.serial and met.serial != wish.serial:
        raise CannotPropose(
            f"serial {harmless(met.serial)} answers at {wish.address}, not {harmless(wish.serial)}",
            todo="see which unit it is, and give its serial or its address",
        )
    see_that_it_is_free(asking, met.serial)
    begun, left = await asyncio.to_thread(_as_layers_say, asking, wish, site, met, trials)
    kept, lines, warnings = _own(left, met, as_role=wish.as_role)
    if left.firmware and met.firmware and met.firmware not in left.firmware:
        warnings.append(f"its firmware is {harmless(met.firmware)}; approved is {' or '.join(left.firmware)}")
    role = f", role {wish.role}" if wish.role else ""
    return Plan(
        verb="enrol",
        station=station,
        edits=(*begun, *kept),
        what=f"proposed as a new station, serial {harmless(met.serial)}",
        lines=(
            f"{met.profile.title}, firmware {harmless(met.firmware) or 'not told'}, answers at {wish.address}{role}",
            *lines,
        ),
        warnings=tuple(warnings),
        then=f"asleft set-up {station}" if wish.as_role else f"asleft round --site {wish.site}",
    )


def _see_that_it_can_be(asking: Asking, wish: Wish) -> Site:
    estate = asking.estate
    site = estate.sites.get(wish.site)
    if site is None:
        raise CannotPropose(
            f"there is no site '{harmless(wish.site)}'", todo=nearest(wish.site, list(estate.sites))
        )
    if site.drop is not None:
        raise CannotPropose(
            f"the stations of {wish.site} are read from files, not over the network",
            where=site.file,
            todo=f"write the station's file by hand: asleft new station {wish.site}/{harmless(wish.name)}",
        )
    if not is_name(wish.name):
        raise CannotPropose(f"'{harmless(wish.name)}' is no name: {NAME_RULE}", todo="choose another name")
    taken = estate.stations.get(StationId(wish.site, wish.name))
    if taken is not None:
        raise CannotPropose(
            f"there is a station {taken.station} already",
            where=taken.file,
            todo=f"choose another name, or, where this is its new unit: asleft exchange {taken.station}",
        )
    try:
        address = host_address(wish.address)
    except NotAnAddress as wrong:
        raise CannotPropose(wrong.what, todo=wrong.fix) from wrong
    if address not in site.search:
        raise CannotPropose(
            f"{address} is not in the station range of {wish.site}, {site.search}",
            where=str(site.origin("addresses", "stations")),
            todo="give the unit an address in that range first; nothing outside it is ever asked",
        )
    for one in estate.stations.values():
        if one.station.site == wish.site and one.address == str(address):
            raise CannotPropose(
                f"{address} is the address of {one.station}",
                where=one.file,
                todo=f"where this is its new unit: asleft exchange {one.station}; else give the unit another address",
            )
    return site


def _likely(asking: Asking, wish: Wish, profiles: Mapping[str, Profile]) -> list[Profile]:
    """Give all models, those of the site first."""
    there = [one.profile.name for one in asking.estate.stations.values() if one.station.site == wish.site]
    return [profiles[name] for name in dict.fromkeys((*there, *profiles)) if name in profiles]


async def _meet(door: Stations, site: Site, wish: Wish, profiles: Iterable[Profile]) -> _Met:
    """Ask who is there by every model until it is one, and read what can be managed.

    Raises:
        CannotPropose: It is of no model that is known.
        StationError: Nothing answers, or nothing that can be understood.
    """
    said = ""
    silent: NoAnswer | None = None
    for profile in profiles:
        try:
            conversation = await door.open(wish.address, site.port, profile)
        except NoAnswer as wrong:
            silent = wrong
            continue
        try:
            who = conversation.identity
            if who.model == profile.model:
                sheet = await conversation.read([one.name for one in profile.managed()])
                return _Met(profile=profile, serial=who.serial, firmware=who.firmware, sheet=sheet)
            said = who.model or said
        finally:
            await conversation.close()
    if silent is not None and not said:
        raise silent
    raise CannotPropose(
        f"what answers at {wish.address} says that it is a '{harmless(said)}', a model that no profile has",
        todo="write a profile for it under profiles/, or see what it is",
    )


def _as_layers_say(
    asking: Asking, wish: Wish, site: Site, met: _Met, trials: Trials
) -> tuple[tuple[Edit, ...], AsLeft]:
    """Give the edits that begin the station, and the station as its layers alone would leave it."""
    station = StationId(wish.site, wish.name)
    told = str(met.sheet.values.get(met.profile.reached_at, ""))
    length = site.addresses.subnet.prefixlen if site.addresses.subnet else 32
    address = told if told.partition("/")[0] == wish.address else f"{wish.address}/{length}"
    at = Put(
        file=f"sites/{wish.site}/stations/{wish.name}.yaml",
        path=("settings", *met.profile.reached_at.split(".")),
        value=address,
    )
    others = [one.profile.name for one in asking.estate.stations.values()]
    # Whether the estate's own model is meant shows when the file does not say; most stations are of that one.
    tries = ("", met.profile.name) if met.profile.name in others or not others else (met.profile.name,)
    for model in tries:
        new = NewStation(site=wish.site, name=wish.name, serial=met.serial, role=wish.role, profile=model)
        left = trials.trial((new, at), base=asking.estate.commit).stations[station]
        if left.profile.name == met.profile.name:
            break
    return (new, at), left


def _own(left: AsLeft, met: _Met, *, as_role: bool) -> tuple[list[Edit], list[str], list[str]]:
    """Give the settings that are the station's own, and what is to be said of them."""
    profile, found = left.profile, met.sheet.values
    other = differing(profile, left.values, found)
    unnamed = [
        one.name
        for one in profile.managed()
        if one.name not in left.values and found.get(one.name, one.factory) != one.factory
    ]
    chosen = [name for name in (*other, *unnamed) if name != profile.reached_at]
    warnings = [
        f"{name} could not be read: {unread.why}"
        for name, unread in met.sheet.unread.items()
        if name in left.values
    ]
    told = found.get(profile.reached_at)
    if profile.reached_at in other:
        warnings.append(
            f"it says of itself that its address is {profile.settings[profile.reached_at].show(told)}: see to that first"
        )
    if as_role:
        if other:
            warnings.append(f"it drifts until it is set up, for it was found with other values: {few(other)}")
        return [], [], warnings
    edits: list[Edit] = []
    lines: list[str] = []
    for name in chosen:
        setting = profile.settings[name]
        shown = setting.show(found[name])
        why = _why_not(setting, shown)
        try:
            text = text_of(setting, found[name])
        except CannotPropose as wrong:
            why = wrong.what
        if why:
            warnings.append(f"{why}; it stays as its layers leave it, {left.show(name)}")
            continue
        edits.append(Put(file=left.file, path=("settings", *name.split(".")), value=text))
        lines.append(f"{name} {shown}, as found")
        if name in left.values:
            warnings.extend(hazard_lines(setting, left.values[name], setting.kind.parse(text)))
    return edits, lines, warnings


def _why_not(setting: Setting, shown: str) -> str:
    if setting.concede and shown == setting.concede:
        return f"{setting.name} was found {shown}, which needs a concession"
    return ""
