"""Every value that a setting ever had as left: on which stations, who approved it, how long it stood."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from asleft.domain.estate import Estate, under
from asleft.domain.evidence.force import Force
from asleft.domain.layers import Origin
from asleft.domain.stations import StationId

__all__ = ["Approver", "Held", "Stood", "gathered", "held_in"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Approver:
    """Whose a line of the baseline is.

    Args:
        commit: The commit that last touched it.
        author: Who wrote that.
        committer: Who put it there.
        signer: Who signed it or a tag of it, where a signature holds; empty where none does.
        at: When, as the commit says.
        subject: Its first line.
        withheld: Whether there are names that are left out, for they may not be told.
    """

    commit: str
    author: str
    committer: str
    signer: str
    at: datetime
    subject: str
    withheld: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Held:
    """One value at one station under one revision.

    Args:
        station: Which station.
        value: The value as text.
        occasion: While what is on; empty for the normal state.
        origin: The line that says so.
        by: Whose that line is.
    """

    station: StationId
    value: str
    occasion: str
    origin: Origin
    by: Approver


@dataclass(frozen=True, kw_only=True, slots=True)
class Stood:
    """A value that stood for a time on some stations, by one commit's word.

    Args:
        value: The value as text.
        occasion: While what was on; empty for the normal state.
        stations: The stations, by name.
        by: Who approved it.
        origin: The line, as the last revision that has it has it.
        since: When a record names first a revision that holds it.
        until: When one names first a revision that does not; None where it stands.
        lasted: How long, in seconds, until now where it stands.
    """

    value: str
    occasion: str
    stations: tuple[StationId, ...]
    by: Approver
    origin: Origin
    since: datetime
    until: datetime | None
    lasted: float


def held_in(estate: Estate, setting: str, sites: Iterable[str]) -> list[tuple[StationId, str, str, Origin]]:
    """Give the values of a setting in an estate: station, value, occasion and line.

    Args:
        estate: The estate in its normal state.
        setting: Dotted name.
        sites: Names of sites; all where there is none.
    """
    wanted = {*sites}
    found: list[tuple[StationId, str, str, Origin]] = []
    here = {
        station: as_left
        for station, as_left in estate.stations.items()
        if not wanted or station.site in wanted
    }
    for station, as_left in sorted(here.items()):
        if setting in as_left.values:
            found.append((station, as_left.show(setting), "", as_left.origins[setting]))
    for occasion in estate.occasions:
        for station, as_left in sorted(under(here, [occasion]).items()):
            origin = as_left.origins.get(setting)
            if origin is not None and origin != here[station].origins.get(setting):
                found.append((station, as_left.show(setting), occasion.name, origin))
    return found


def gathered(held: Sequence[tuple[Force, Sequence[Held]]], now: datetime) -> list[Stood]:
    """Put what holds under one revision after the other together: what stays the same is one, the newest first.

    Args:
        held: For each revision in force, oldest first, what it held.
        now: Until when what stands has lasted.
    """
    open_: dict[tuple[StationId, str, str, str], tuple[datetime, Held]] = {}
    over: list[tuple[Held, datetime, datetime | None]] = []
    for force, here in held:
        keyed = {(one.station, one.occasion, one.value, one.by.commit): one for one in here}
        for key in open_.keys() - keyed.keys():
            since, one = open_.pop(key)
            over.append((one, since, force.since))
        for key, one in keyed.items():
            open_[key] = (open_[key][0] if key in open_ else force.since, one)
    over.extend((one, since, None) for since, one in open_.values())
    together: dict[tuple[str, str, str, datetime, datetime | None], list[Held]] = {}
    for one, since, until in over:
        together.setdefault((one.value, one.occasion, one.by.commit, since, until), []).append(one)
    found = [
        Stood(
            value=value,
            occasion=occasion,
            stations=tuple(sorted(one.station for one in listed)),
            by=listed[0].by,
            origin=listed[0].origin,
            since=since,
            until=until,
            lasted=((until or now) - since).total_seconds(),
        )
        for (value, occasion, _, since, until), listed in together.items()
    ]
    return sorted(found, key=lambda one: (one.since, one.stations), reverse=True)
