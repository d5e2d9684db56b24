"""What bringing a revision of the baseline into force would do, as far as a person may look at it."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from asleft.domain.effects.beside import About
from asleft.domain.effects.effect import Change, Effect, FoundAs, Group, Planned
from asleft.domain.effects.seeing import seen_effect
from asleft.domain.estate import StationId
from asleft.domain.layers import Origin
from asleft.domain.names import harmless, plural
from asleft.domain.withheld import Sees

__all__ = [
    "ChangeView",
    "EffectView",
    "GroupView",
    "effect_view",
]

_MOST: Final = 50
"""So many groups are shown; the rest is counted."""
_MOST_NAMES: Final = 12
_WHOLE: Final = 12
"""So many stations that come or go get a line each; more are counted by site."""
_TITLES: Final = {
    "hearing": "It can get louder at the ear",
    "address": "Stations can be lost",
    "heard": "It is heard",
    "opened": "People are let in",
}
_ROOMS: Final = {
    About.ESTATE: "The estate",
    About.PEOPLE: "People",
    About.SITES: "Sites",
    About.OCCASIONS: "Occasions",
    About.CONCESSIONS: "Concessions",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class ChangeView:
    """One setting that changes at a group of stations."""

    meaning: str
    setting: str
    before: str
    after: str
    alone: bool
    by: str
    was: tuple[str, ...]
    hazards: tuple[str, ...]
    found: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class GroupView:
    """Stations that change alike."""

    title: str
    worst: str
    during: str
    model: str
    count: int
    where: tuple[str, ...]
    facts: tuple[tuple[str, str, str], ...]
    changes: tuple[ChangeView, ...]
    cautions: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class EffectView:
    """What bringing a revision into force would do, as far as may be seen.

    Args:
        changed: How many stations change.
        total: How many there are.
        groups: Those that change, worst first.
        more: How many groups are not shown.
        added: Lines about stations that are new.
        removed: Lines about stations that are gone.
        notes: What changes beside the stations: room, subject, words.
        nothing: Whether no value changes at all.
        in_part: Whether there are sites of which it says nothing.
    """

    changed: int
    total: int
    groups: tuple[GroupView, ...]
    more: int
    added: tuple[str, ...]
    removed: tuple[str, ...]
    notes: tuple[tuple[str, str, str], ...]
    nothing: bool
    in_part: bool


def effect_view(effect: Effect, sees: Sees, *, everywhere: bool) -> EffectView:
    """Put what a revision would do together, as far as a person may look at it."""
    effect = seen_effect(effect, sees, everywhere=everywhere)
    groups = [
        _group(group, during)
        for during, some in (("", effect.groups), *((one.occasion, one.groups) for one in effect.during))
        for group in some
    ]
    notes = [(_ROOMS[note.about], note.subject, note.words) for note in effect.notes]
    added, removed = (tuple(_planned(some)) for some in (effect.added, effect.removed))
    return EffectView(
        changed=effect.changed,
        total=effect.total,
        groups=tuple(groups[:_MOST]),
        more=max(0, len(groups) - _MOST),
        added=added,
        removed=removed,
        notes=tuple(notes),
        nothing=not (groups or notes or added or removed),
        in_part=not everywhere,
    )


def _group(group: Group, during: str) -> GroupView:
    title = _TITLES.get(group.worst or "", "Settings change" if group.changes else "The unit changes")
    return GroupView(
        title=title,
        worst=str(group.worst or ""),
        during=during,
        model=group.model,
        count=len(group.stations),
        where=tuple(_where(group.stations)),
        facts=tuple((fact.what, fact.before, fact.after) for fact in group.facts),
        changes=tuple(_change(change, len(group.stations)) for change in group.changes),
        cautions=tuple(
            dict.fromkeys(hazard.caution for change in group.changes for hazard in change.hazards)
        ),
    )


def _change(change: Change, count: int) -> ChangeView:
    return ChangeView(
        meaning=change.meaning,
        setting=change.setting,
        before="not named" if change.before is None else change.before,
        after="not named" if change.after is None else change.after,
        alone=change.after is None,
        by=_origin(change.by) if change.by else "",
        was=tuple(map(_origin, change.was)),
        hazards=tuple(hazard.words for hazard in change.hazards),
        found=tuple(_found(one, count) for one in change.found),
    )


def _origin(origin: Origin) -> str:
    return f"{origin} ({origin.layer})"


def _found(one: FoundAs, count: int) -> str:
    at = "" if len(one.stations) == count else f" at {_few(one.stations)}"
    if one.text is None:
        return f"not known{at}"
    return f"already so{at}" if one.so else f"{harmless(one.text, longest=120)}{at}"


def _few(stations: Sequence[StationId]) -> str:
    """Name the first dozen stations, whatever their sites, and count the rest: no name is cut."""
    rest = len(stations) - _MOST_NAMES
    return "; ".join(_where(stations[:_MOST_NAMES])) + (f" and {_more(rest)}" if rest > 0 else "")


def _more(count: int) -> str:
    return plural(count, "more station")


def _where(stations: Iterable[StationId]) -> Iterator[str]:
    """Name stations, site by site."""
    sites: dict[str, list[str]] = {}
    for station in stations:
        sites.setdefault(station.site, []).append(station.name)
    for site, names in sites.items():
        more = f" and {_more(len(names) - _MOST_NAMES)}" if len(names) > _MOST_NAMES else ""
        yield f"{site}: {', '.join(names[:_MOST_NAMES])}{more}"


def _planned(stations: Sequence[Planned]) -> Iterator[str]:
    if len(stations) > _WHOLE:
        counts: dict[str, int] = {}
        for one in stations:
            counts[one.station.site] = counts.get(one.station.site, 0) + 1
        yield from (f"{site}: {_stations(count)}" for site, count in counts.items())
        return
    for one in stations:
        unit = f"serial {one.serial}" if one.serial else "no serial yet"
        role = f", role {one.role}" if one.role else ""
        ear = ", ".join(f"{meaning} {text}" for meaning, text in one.hearing)
        yield f"{one.station}: {one.model}, {unit}, at {one.address}{role}" + (
            f"; at the ear: {ear}" if ear else ""
        )


def _stations(count: int) -> str:
    return f"{count} station{'s' * (count != 1)}"
