"""A rule of the check: its id, how much it weighs unless the estate says otherwise, and what it is."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Final, NamedTuple

from asleft.domain.concessions import Concession
from asleft.domain.estate import AsLeft, under
from asleft.domain.hearing import Limits
from asleft.domain.layers import Origin
from asleft.domain.occasions import Occasion
from asleft.domain.problems import Level, Problem
from asleft.domain.profile import Profile
from asleft.domain.site import Site

__all__ = ["SERIAL", "WORN", "Move", "Part", "Rule", "SiteView", "moves"]

SERIAL: Final = "serial"
WORN: Final = "worn"


@dataclass(frozen=True, kw_only=True, slots=True)
class Rule:
    """One rule.

    Args:
        id: Dotted name, as `address.twice`; it never changes.
        level: How much a breach weighs unless estate.yaml says otherwise.
        sentence: What must hold, one sentence in plain words.
        fixed: Whether an estate may not weigh it otherwise, for what breaks it cannot be used at all.
    """

    id: str
    level: Level
    sentence: str
    fixed: bool = False

    def at(self, origin: Origin, what: str, fix: str) -> Problem:
        """Give a breach of this rule at one place."""
        return Problem(rule=self.id, level=self.level, file=origin.file, line=origin.line, what=what, fix=fix)


@dataclass(frozen=True, kw_only=True, slots=True)
class SiteView:
    """What the rules about one site may look at.

    Args:
        site: The site.
        stations: Its stations by name, resolved for the normal state.
        limits: What the estate takes as too loud.
        concessions: The estate's approved exceptions.
        occasions: What can be on, the strongest first.
    """

    site: Site
    stations: Mapping[str, AsLeft]
    limits: Limits
    concessions: tuple[Concession, ...] = ()
    occasions: tuple[Occasion, ...] = ()

    def during(self, occasion: Occasion) -> "SiteView":
        """Give the site as it is while an occasion is on."""
        return replace(self, stations=under(self.stations, [occasion]))


class Part(NamedTuple):
    """A part of the rules about one site, with what it looks at of stations.

    What it finds hangs on the site, on what `looks_at` names, and on nothing else: so that one that found nothing need not
    judge a site again in which other things are another. Which lines it blames may hang on more.

    Args:
        find: Tells what is wrong with a site.
        looks_at: Whether it looks at a setting of a model, or at SERIAL or WORN of its stations.
    """

    find: Callable[[SiteView], Iterator[Problem]]
    looks_at: Callable[[Profile, str], bool]


class Move(NamedTuple):
    """Something of a station that is another than it was.

    Args:
        profile: The station's model.
        name: The setting that is another, or SERIAL, or WORN.
        before: What it was; None where there was none.
        after: What it is.
    """

    profile: Profile
    name: str
    before: object
    after: object


def moves(before: AsLeft, after: AsLeft) -> list[Move]:
    """Give all that rules look at and is another of a station, whose role, model, firmware and file are the same."""
    was, now, profile = before.values, after.values, after.profile
    found = [
        Move(profile, name, was.get(name), now.get(name))
        for name in was.keys() | now.keys()
        if was.get(name) != now.get(name)
    ]
    for name, one, other in ((SERIAL, before.serial, after.serial), (WORN, before.worn, after.worn)):
        if one != other:
            found.append(Move(profile, name, one, other))
    return found
