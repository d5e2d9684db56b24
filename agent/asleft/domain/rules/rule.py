"""A rule of the check: its id, how much it weighs unless the estate says otherwise, and what it is."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from asleft.domain.concessions import Concession
from asleft.domain.estate import AsLeft, under
from asleft.domain.hearing import Limits
from asleft.domain.layers import Origin
from asleft.domain.occasions import Occasion
from asleft.domain.problems import Level, Problem
from asleft.domain.site import Site

__all__ = ["Rule", "SiteView"]


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
