"""What of the effect of a change may be told to somebody who may look at some sites alone."""

from collections.abc import Iterable
from dataclasses import replace
from typing import Final

from asleft.domain.effects.beside import About, Note
from asleft.domain.effects.effect import Change, Effect, Group
from asleft.domain.layers import Origin
from asleft.domain.withheld import Sees, may_see_file

__all__ = ["may_see_note", "may_see_origin", "seen_effect"]

_OF_ALL_SITES: Final = frozenset({About.ESTATE, About.OCCASIONS})
"""What is changed for all sites alike, and so for everybody to see."""


def may_see_origin(origin: Origin, sees: Sees) -> bool:
    """Tell whether a line that names a value may be told: one of a site by that site, any other by everybody."""
    return not origin.file.startswith("sites/") or may_see_file(origin.file, sees)


def may_see_note(note: Note, sees: Sees) -> bool:
    """Tell whether what changes beside the stations may be told to somebody who does not see all sites."""
    return note.about in _OF_ALL_SITES or (note.about is About.SITES and sees(note.subject))


def seen_effect(effect: Effect, sees: Sees, *, everywhere: bool) -> Effect:
    """Give what a change does at the sites that may be looked at; how many stations there are at all stays.

    Args:
        effect: What it does.
        sees: Tells whether a site may be looked at.
        everywhere: Whether any may; then all of it is given.
    """
    if everywhere:
        return effect
    added, removed = (
        tuple(one for one in some if sees(one.station.site)) for some in (effect.added, effect.removed)
    )
    during = (replace(one, groups=_groups(one.groups, sees)) for one in effect.during)
    return replace(
        effect,
        groups=_groups(effect.groups, sees),
        added=added,
        removed=removed,
        during=tuple(one for one in during if one.groups),
        notes=tuple(note for note in effect.notes if may_see_note(note, sees)),
    )


def _groups(groups: Iterable[Group], sees: Sees) -> tuple[Group, ...]:
    return tuple(
        replace(
            group,
            stations=stations,
            facts=tuple(fact.told(sees) for fact in group.facts),
            changes=tuple(_change(change, sees) for change in group.changes),
        )
        for group in groups
        if (stations := tuple(one for one in group.stations if sees(one.site)))
    )


def _change(change: Change, sees: Sees) -> Change:
    found = (
        replace(one, stations=tuple(station for station in one.stations if sees(station.site)))
        for one in change.found
    )
    return replace(
        change,
        was=tuple(origin for origin in change.was if may_see_origin(origin, sees)),
        by=change.by if change.by and may_see_origin(change.by, sees) else None,
        found=tuple(one for one in found if one.stations),
    )
