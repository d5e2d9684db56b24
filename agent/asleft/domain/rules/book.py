"""All rules of the check in one table, and what each kind of look at an estate asks of them."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from asleft.domain.estate import AsLeft, Estate
from asleft.domain.layers import Layer
from asleft.domain.occasions import Occasion
from asleft.domain.problems import Level, Problem
from asleft.domain.rules import (
    access,
    addressing,
    alarms,
    calendars,
    contacts,
    hearing,
    occasions,
    orders,
    patching,
    reading,
    recording,
    routes,
    secrets,
    streams,
    whole,
)
from asleft.domain.rules.rule import Rule, SiteView

__all__ = [
    "BOOK",
    "Between",
    "Sums",
    "Weights",
    "check_site",
    "check_timely",
    "check_whole",
    "sum_up",
    "weigh",
]

_ROOMS: Final = (
    reading,
    secrets,
    addressing,
    patching,
    streams,
    recording,
    hearing,
    occasions,
    calendars,
    alarms,
    access,
    orders,
    routes,
    contacts,
    whole,
)
BOOK: Final[Mapping[str, Rule]] = {rule.id: rule for room in _ROOMS for rule in room.RULES}
"""Every rule by its id."""

Weights = Mapping[str, Level | None]
"""How much a rule weighs in an estate, by its id; None where it is off."""


@dataclass(frozen=True, slots=True)
class Sums:
    """What the rules about the whole estate need of one site."""

    addressing: addressing.Sum
    whole: whole.Sum


def check_site(view: SiteView, *, complete: bool = True) -> Iterator[Problem]:
    """Tell what is wrong with one site taken alone.

    Args:
        view: The site.
        complete: Whether all its stations could be read; rules that would take one for missing wait until they can.
    """
    for room in (addressing, hearing, contacts):
        yield from room.check_site(view)
    if not complete:
        return
    for room in (streams, whole):
        yield from room.check_site(view)
    named = {occasion.name: occasion for occasion in view.occasions}
    if view.site.recording is not None:
        on = named.get(view.site.recording.occasion)
        yield from recording.check_site(view if on is None else view.during(on), known=on is not None)
    if view.site.patch is not None:
        normal = set(patching.check_site(view))
        yield from normal
        for occasion in view.occasions:
            for problem in set(patching.check_site(view.during(occasion))) - normal:
                yield replace(problem, what=f"while {occasion.name} is on, {problem.what}")


def sum_up(view: SiteView) -> Sums:
    """Give what the rules about the whole estate need of a site."""
    return Sums(addressing.sum_up(view), whole.sum_up(view))


class Between:
    """What of sites is held against one another, kept as sites come and go."""

    def __init__(self) -> None:
        self._serials = addressing.Serials()

    def replace(self, before: Sums | None, after: Sums | None) -> None:
        """Take a site out as it was, and in as it is; None where there was, or is, nothing to sum up."""
        self._serials.replace(before.addressing if before else None, after.addressing if after else None)

    def check(self, sums: Mapping[str, Sums]) -> Iterator[Problem]:
        """Tell what is wrong between sites, all of which were taken in: serials that stand twice, subnets that overlap."""
        yield from addressing.check_estate(
            {name: one.addressing for name, one in sums.items()}, self._serials
        )


def check_whole(
    sums: Mapping[str, Sums],
    *,
    roles: Mapping[str, Layer],
    below: Layer,
    occasions: Sequence[Occasion],
) -> Iterator[Problem]:
    """Tell what nobody uses, what changes nothing, and what belongs in a role.

    Args:
        sums: What `sum_up` gave, by site.
        roles: The layer of every role, by its name.
        below: The layer below the roles.
        occasions: All occasions.
    """
    counted = {name: one.whole for name, one in sums.items()}
    yield from whole.check_estate(counted, roles, below, occasions=occasions)


def check_timely(estate: Estate, now: datetime) -> list[Problem]:
    """Tell what is wrong at a time, sorted and weighed: concessions that ended, and what calendars bring about.

    Args:
        estate: The estate, in its normal state.
        now: Aware time.
    """
    stations: dict[str, dict[str, AsLeft]] = {name: {} for name in estate.sites}
    for station, as_left in estate.stations.items():
        stations[station.site][station.name] = as_left
    needs = {
        name: access.sum_up(
            SiteView(site=site, stations=stations[name], limits=estate.limits, concessions=estate.concessions)
        )
        for name, site in estate.sites.items()
    }
    found = (
        *access.check_timely(estate, needs, now),
        *occasions.check_timely(estate, now),
        *orders.check_timely(estate, now),
        *routes.check_timely(estate.routing, people=estate.people, now=now),
    )
    return sorted(set(weigh(found, estate.weights)))


def weigh(problems: Iterable[Problem], weights: Weights) -> list[Problem]:
    """Give problems the weight that the estate gives their rules; those of rules that are off are left out."""
    weighed: list[Problem] = []
    for problem in problems:
        level = weights.get(problem.rule, problem.level)
        if level is not None:
            weighed.append(problem if level is problem.level else replace(problem, level=level))
    return weighed
