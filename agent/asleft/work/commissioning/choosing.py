"""Which of the units that were found are written, and under which names.

A unit that cannot be told apart, could not be read, or stands in the place of another is left out, and it is said why.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from asleft.domain.errors import AsleftError
from asleft.domain.estate import AsLeft, Site
from asleft.domain.kinds import Foreign
from asleft.domain.names import NAME_RULE, harmless, is_name, unprintable
from asleft.domain.profile import Profile
from asleft.ports.stations import Sheet
from asleft.work.commissioning.finding import Findings, FoundAs, Unit

__all__ = ["CannotCapture", "LeftOut", "Look", "Taken", "Wish", "choose"]

_LONGEST_SERIAL: Final = 64


class CannotCapture(AsleftError):
    """A site cannot be written as it is found; nothing was proposed."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Wish:
    """How a person wants a site to be written.

    Args:
        roles: Stations of a role, by the role; a role that is not there is begun.
        names: Names of new stations, by the address at which they are found.
    """

    roles: Mapping[str, Sequence[str]]
    names: Mapping[str, str]


@dataclass(frozen=True, kw_only=True, slots=True)
class LeftOut:
    """Something that was found and is not written, and why. A whole unit where no setting is named.

    Args:
        station: Name of the station, or the address of a unit that is none.
        setting: Dotted name.
        why: One sentence; foreign text in it is made harmless.
    """

    station: str
    setting: str
    why: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Look:
    """A unit and what was read from it; `sheet` is None where it broke off, and `why` says how."""

    unit: Unit
    profile: Profile
    sheet: Sheet | None
    why: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Taken:
    """A unit that is written.

    Args:
        name: Name of its station; empty as long as a new one has none.
        look: What was read from it.
        left: Its station as left; None for a new one.
        address: Where it answers.
    """

    name: str
    look: Look
    left: AsLeft | None
    address: str


def choose(
    site: Site,
    left: Mapping[str, AsLeft],
    findings: Findings,
    looks: Sequence[Look],
    names: Mapping[str, str],
) -> tuple[list[Taken], list[LeftOut]]:
    """Choose the units that are written, and say of the others why they are not.

    Args:
        site: The site.
        left: Its stations as left, by name.
        findings: What was found there.
        looks: What was read.
        names: Wished names of new stations, by address.

    Raises:
        CannotCapture: A name is not usable.
    """
    choosing = _Choosing(site, left)
    taken = choosing.named(choosing.settled(choosing.usable(findings, looks)), names)
    return taken, choosing.out


class _Choosing:
    """One choice; it keeps what is left out on the way."""

    def __init__(self, site: Site, left: Mapping[str, AsLeft]) -> None:
        self._site = site
        self._left = left
        self.out: list[LeftOut] = []

    def _leave_out(self, unit: Unit, why: str) -> None:
        named = unit.station if unit.station and unit.station.site == self._site.name else None
        self.out.append(LeftOut(station=named.name if named else unit.address, setting="", why=why))

    def usable(self, findings: Findings, looks: Sequence[Look]) -> list[Taken]:
        """Give the units of which enough is known, those of stations under their names."""
        read = {(look.unit.address, look.unit.port): look for look in looks}
        found: list[Taken] = []
        for unit in findings.units:
            if unit.found_as in {FoundAs.SILENT, FoundAs.ELSEWHERE}:
                continue
            look = read.get((unit.address, unit.port))
            why = self._why_not(unit, look)
            if why:
                self._leave_out(unit, why)
            elif look is not None:
                name = unit.station.name if unit.station else ""
                left = self._left.get(name)
                found.append(Taken(name=name, look=look, left=left, address=unit.address))
        return found

    def _why_not(self, unit: Unit, look: Look | None) -> str:
        """Say why a unit is not written, or nothing where it is."""
        match unit.found_as:
            case FoundAs.MISSING:
                return "not found; its file stays as it is"
            case FoundAs.TWICE:
                return f"several units tell the serial {harmless(unit.serial)}"
            case FoundAs.OTHER_SITE:
                return f"its unit is {unit.station}'s, of another site"
        if unit.port != self._site.port:
            return f"it answers at port {unit.port}, and the site is reached at {self._site.port}"
        if look is None:
            told = f"'{harmless(unit.model)}'" if unit.model else "nothing"
            return f"no profile is for the model that it tells: {told}"
        if len(unit.serial) > _LONGEST_SERIAL or unprintable(unit.serial):
            return f"its serial cannot be written: {harmless(unit.serial)}"
        return self._why_unread(unit, look)

    def _why_unread(self, unit: Unit, look: Look) -> str:
        if look.sheet is None:
            return f"it could not be read: {harmless(look.why)}"
        left = self._left.get(unit.station.name) if unit.station else None
        if left is not None and left.profile.name != look.profile.name:
            return f"it is a {look.profile.name}, and its file says {left.profile.name}"
        own = look.sheet.values.get(look.profile.reached_at)
        if own is None or isinstance(own, Foreign):
            return "it does not tell its address"
        if str(own).partition("/")[0] != unit.address:
            return f"it answers at {unit.address} and says that its address is {harmless(str(own))}"
        return ""

    def settled(self, units: Sequence[Taken]) -> list[Taken]:
        """Leave out units at an address which a station has that is not written, until nobody is in anybody's place."""
        kept = list(units)
        while True:
            moved = {one.name for one in kept if one.left is not None}
            stays = {left.address: left for name, left in self._left.items() if name not in moved}
            clash = next((one for one in kept if one.address in stays), None)
            if clash is None:
                return kept
            kept.remove(clash)
            holder = stays[clash.address]
            todo = "exchange it, or put the units back" if holder.serial else "enrol it there"
            self._leave_out(clash.look.unit, f"it stands at the address of {holder.station}; {todo} first")

    def named(self, units: Sequence[Taken], names: Mapping[str, str]) -> list[Taken]:
        """Give every new unit a name: the wished one, else the next that is free."""
        wished = dict(names)
        new = {one.address for one in units if one.left is None}
        for address, name in wished.items():
            if address not in new:
                raise CannotCapture(
                    f"no new unit was found at {harmless(address)}, to be called {harmless(name)}",
                    where=self._site.name,
                    todo="see what asleft find shows",
                )
            if not is_name(name):
                raise CannotCapture(f"'{harmless(name)}' is not a name", todo=f"use {NAME_RULE}")
        used = [*self._left, *wished.values()]
        twice = next((name for name in wished.values() if used.count(name) > 1), None)
        if twice is not None:
            raise CannotCapture(
                f"the name '{twice}' is taken", where=self._site.name, todo="choose another name"
            )
        free = (f"station-{number:02d}" for number in range(1, len(used) + len(new) + 2))
        fresh = (name for name in free if name not in used)
        return [
            one if one.left is not None else replace(one, name=wished.get(one.address) or next(fresh))
            for one in units
        ]
