"""Conceding: what stands open in the normal state, with a holder, a reason and an end."""

from collections.abc import Container
from datetime import date
from typing import Final

from asleft.domain.concessions import Concession, local_day
from asleft.domain.estate import AsLeft, Estate
from asleft.domain.kinds import nearest
from asleft.domain.names import harmless, unprintable
from asleft.domain.profile import Setting
from asleft.domain.stations import StationId
from asleft.ports.ledger import Looked
from asleft.ports.proposals import Edit, NewConcession, Put
from asleft.work.proposing.adopt import hazard_lines, put_or_take
from asleft.work.proposing.layering import Tried
from asleft.work.proposing.words import (
    Asking,
    CannotPropose,
    Plan,
    known_setting,
    text_of,
    typed,
    what_was_found,
)

__all__ = ["concede"]

_FILE: Final = "concessions.yaml"
_LONGEST_REASON: Final = 200
_LONGEST_KEY: Final = 36


def concede(
    asking: Asking,
    station: StationId,
    looked: Looked | None,
    name: str,
    *,
    value: str | None = None,
    holder: str,
    until: date,
) -> Plan:
    """Plan a concession for one setting of one station, which then is left with that value.

    One that is there for the same setting, value and station is given a new holder, reason and end.

    Args:
        asking: Who asks, why, and on what.
        station: The station; it is one of the estate.
        looked: The last look at it.
        name: Dotted name of the setting.
        value: The value, as text; as found where None.
        holder: Key of the person who answers for it.
        until: The last day on which it holds, by the calendar of the site.

    Raises:
        CannotPropose: The value needs no concession, is not known, or the concession could not hold.
    """
    left = asking.estate.stations[station]
    setting = known_setting(left.profile, name)
    if value is None:
        found = what_was_found(asking.here.stations[station], looked)
        if name not in found.values:
            raise CannotPropose(
                f"how {name} is now is not known",
                where=str(station),
                todo="write the value after the setting",
            )
        value = text_of(setting, found.values[name])
    wanted = typed(setting, value)
    text = setting.kind.show(wanted)
    _see_that_it_needs_one(left, setting, text)
    _see_that_it_can_hold(asking, station, holder, until)
    edits: list[Edit] = []
    warnings: list[str] = []
    old = _same(asking.estate, station, name, text)
    if old is None:
        key = _free_key(f"{name}-{station.name}", {one.key for one in asking.estate.concessions})
        edits.append(
            NewConcession(
                key=key,
                setting=name,
                value=text,
                where=(str(station),),
                holder=holder,
                reason=asking.reason,
                until=until,
            )
        )
    else:
        key = old.key
        said = {"holder": holder, "reason": asking.reason, "until": until.isoformat()}
        edits.extend(
            Put(file=_FILE, path=("concessions", key, part), value=one) for part, one in said.items()
        )
    before = left.values.get(name)
    if before != wanted:
        edits.append(put_or_take(Tried(left), left, "station", name, text, wanted))
        if before is not None:
            warnings.extend(hazard_lines(setting, before, wanted))
    now = asking.here.stations[station]
    if now.values.get(name) != before:
        origin = now.origins.get(name)
        warnings.append(
            f"what is on now goes before it: {origin} ({origin.layer}) says {now.show(name)}"
            if origin
            else ""
        )
    return Plan(
        verb="concede",
        station=station,
        edits=tuple(edits),
        what=f"proposed a concession for {name} {text} until {until}",
        lines=(f"concession {key}, held by {holder}, until {until}",),
        settings=(name,),
        warnings=tuple(filter(None, warnings)),
    )


def _see_that_it_needs_one(left: AsLeft, setting: Setting, text: str) -> None:
    if not setting.concede:
        able = [one.name for one in left.profile.managed() if one.concede]
        raise CannotPropose(
            f"{setting.name} needs no concession, whatever its value",
            where=str(left.station),
            todo=f"approve it with asleft adopt; a concession is for: {', '.join(able) or 'nothing at this model'}",
        )
    if text != setting.concede:
        raise CannotPropose(
            f"{setting.name} {text} needs no concession; {setting.concede} would",
            where=str(left.station),
            todo="approve it with asleft adopt",
        )


def _see_that_it_can_hold(asking: Asking, station: StationId, holder: str, until: date) -> None:
    people = asking.estate.people
    if holder not in people:
        raise CannotPropose(
            f"'{harmless(holder)}' is not in people.yaml",
            where="people.yaml",
            todo=nearest(holder, list(people)),
        )
    today = local_day(asking.now, asking.estate.sites[station.site].time_zone)
    if until < today:
        raise CannotPropose(f"{until} is past: today is {today} there", todo="give a day to come, or today")
    bad = unprintable(asking.reason)
    if bad or len(asking.reason) > _LONGEST_REASON:
        what = f"holds {bad}, which would not show" if bad else f"has {len(asking.reason)} characters"
        raise CannotPropose(f"the reason {what}", todo=f"say it in one line of {_LONGEST_REASON}")


def _same(estate: Estate, station: StationId, name: str, text: str) -> Concession | None:
    """Give the concession for just this, ended or not."""
    here = frozenset({str(station)})
    return next(
        (one for one in estate.concessions if (one.setting, one.value, one.where) == (name, text, here)),
        None,
    )


def _free_key(text: str, taken: Container[str]) -> str:
    base = text.replace(".", "-")[:_LONGEST_KEY].rstrip("-")
    keys = (base if number == 1 else f"{base}-{number}" for number in range(1, 1000))
    return next(key for key in keys if key not in taken)
