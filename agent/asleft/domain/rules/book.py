"""All rules of the check in one table, and what each kind of look at an estate asks of them."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import chain
from typing import Final

from asleft.domain.estate import AsLeft, Estate
from asleft.domain.layers import Layer
from asleft.domain.occasions import Occasion
from asleft.domain.problems import Level, Problem
from asleft.domain.profile import Profile
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
from asleft.domain.rules.rule import SERIAL, Move, Part, Rule, SiteView

__all__ = [
    "BOOK",
    "Between",
    "Judged",
    "Weights",
    "check_timely",
    "check_whole",
    "judge_site",
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
class Judged:
    """What the rules have to say of one site.

    Args:
        found: What each part of them found.
        labels: The labels of its stations; they move with the site from one judging to the next.
        addressing: What those about all addresses and serials need of it.
        whole: What those about the whole need of it.
    """

    found: Mapping[Part, tuple[Problem, ...]]
    labels: addressing.Labels
    addressing: addressing.Sum
    whole: whole.Sum

    def problems(self) -> Iterator[Problem]:
        """Tell what is wrong with the site taken alone."""
        return chain.from_iterable(self.found.values())


def judge_site(
    view: SiteView, *, complete: bool = True, before: Judged | None = None, moved: Sequence[Move] = ()
) -> Judged:
    """Judge one site taken alone.

    Args:
        view: The site.
        complete: Whether all its stations could be read; rules that would take one for missing wait until they can.
        before: How the same site was judged with the same stations, where nothing is another since but what moved; it is of
            no use afterwards.
        moved: What of its stations is another since then.
    """
    if before is None:
        labels = addressing.Labels(view)
        found = {part: tuple(part.find(view)) for part in (_PARTS if complete else _ALONE)}
        serials = addressing.sum_up(view)
    else:
        labels = before.labels
        labels.move(moved)
        # Where something was found its line may be another one, though nothing moved.
        found = {
            part: tuple(part.find(view))
            if told or any(part.looks_at(move.profile, move.name) for move in moved)
            else ()
            for part, told in before.found.items()
        }
        serials_moved = any(move.name == SERIAL for move in moved)
        serials = addressing.sum_up(view) if serials_moved else before.addressing
    if not labels.unique():
        found[_LABELS] = tuple(_LABELS.find(view))
    return Judged(found, labels, serials, whole.sum_up(view))


def _check_recording(view: SiteView) -> Iterator[Problem]:
    if view.site.recording is not None:
        named = {occasion.name: occasion for occasion in view.occasions}
        on = named.get(view.site.recording.occasion)
        yield from recording.check_site(view if on is None else view.during(on), known=on is not None)


def _check_patch(view: SiteView) -> Iterator[Problem]:
    if view.site.patch is not None:
        normal = set(patching.check_site(view))
        yield from normal
        for occasion in view.occasions:
            for problem in set(patching.check_site(view.during(occasion))) - normal:
                yield replace(problem, what=f"while {occasion.name} is on, {problem.what}")


def _anything(_: Profile, __: str) -> bool:
    return True


def _nothing(_: Profile, __: str) -> bool:
    return False


_LABELS: Final = Part(addressing.check_labels, _nothing)
"""What is judged where the labels that were counted are not all different, and not by what moved."""
_ALONE: Final = (
    *addressing.PARTS,
    Part(hearing.check_site, hearing.looks_at),
    Part(contacts.check_site, _nothing),
)
_PARTS: Final = (
    *_ALONE,
    Part(streams.check_site, _anything),
    Part(whole.check_site, whole.looks_at),
    Part(_check_recording, _anything),
    Part(_check_patch, _anything),
)
"""All parts; those of _ALONE are judged, too, where some stations could not be read."""


class Between:
    """What of sites is held against one another, kept as sites come and go."""

    def __init__(self) -> None:
        self._serials = addressing.Serials()

    def replace(self, before: addressing.Sum | None, after: addressing.Sum | None) -> None:
        """Take a site out as it was, and in as it is; None where there was, or is, nothing to sum up."""
        if before is not after:
            self._serials.replace(before, after)

    def check(self, sums: Mapping[str, addressing.Sum]) -> Iterator[Problem]:
        """Tell what is wrong between sites, all of which were taken in: serials that stand twice, subnets that overlap."""
        yield from addressing.check_estate(sums, self._serials)


def check_whole(
    sums: Mapping[str, whole.Sum],
    *,
    roles: Mapping[str, Layer],
    below: Layer,
    occasions: Sequence[Occasion],
) -> Iterator[Problem]:
    """Tell what nobody uses, what changes nothing, and what belongs in a role.

    Args:
        sums: What they need to know of each site.
        roles: The layer of every role, by its name.
        below: The layer below the roles.
        occasions: All occasions.
    """
    yield from whole.check_estate(sums, roles, below, occasions=occasions)


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
