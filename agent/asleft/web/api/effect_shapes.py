"""What a change of the baseline does, in the shapes of `asleft effect`, as far as a caller may look."""

from collections.abc import Iterable, Sequence
from typing import Literal

from pydantic import Field

from asleft.domain.effects.beside import About, Note
from asleft.domain.effects.effect import Change, Effect, Group, Planned
from asleft.domain.effects.seeing import seen_effect
from asleft.domain.estate import StationId
from asleft.domain.hazards import HazardKind
from asleft.domain.layers import Origin
from asleft.domain.withheld import Sees
from asleft.ports.baseline import Revision
from asleft.web.api.report_shapes import RevisionShape, revision_of
from asleft.web.api.shapes import MOST, Shape

__all__ = ["EffectAnswer", "EffectShape", "effect_answer", "effect_of"]


class LineShape(Shape):
    """The line of a file that names a value."""

    layer: str
    file: str
    line: int


class FactShape(Shape):
    """Something about the unit itself that changes."""

    what: str
    from_: str
    to: str


class HarmShape(Shape):
    """What writing a change can do to people, and what to see to before."""

    kind: HazardKind
    words: str
    caution: str


class FoundShape(Shape):
    """How a setting was last found at some stations; null where it is not known."""

    as_found: str | None
    already: bool
    stations: tuple[str, ...] = Field(description="The first 200.")


class EffectChange(Shape):
    """One approved setting that changes; null where no layer names it."""

    setting: str
    meaning: str
    from_: str | None
    to: str | None
    by: LineShape | None
    was: tuple[LineShape, ...]
    hazards: tuple[HarmShape, ...]
    found: tuple[FoundShape, ...]


class EffectGroup(Shape):
    """Stations that change alike."""

    model: str
    worst: HazardKind | None
    count: int
    stations: tuple[str, ...] = Field(description="The first 200.")
    unit: tuple[FactShape, ...]
    settings: tuple[EffectChange, ...]


class PlannedShape(Shape):
    """A station that comes or goes."""

    station: str
    model: str
    role: str | None
    serial: str | None
    address: str


class DuringShape(Shape):
    """What changes only while an occasion is on."""

    occasion: str
    groups: tuple[EffectGroup, ...] = Field(description="The first 200.")


class NoteShape(Shape):
    """What changes beside the stations."""

    about: About
    subject: str | None
    words: str


class EffectShape(Shape):
    """What a change does; where only some sites may be looked at, it says nothing of the others."""

    stations: int = Field(description="How many stations there are after it.")
    changed: int = Field(description="How many change, at the sites that may be looked at.")
    groups: tuple[EffectGroup, ...] = Field(description="The first 200, those with hazards first.")
    added: tuple[PlannedShape, ...] = Field(description="The first 200.")
    removed: tuple[PlannedShape, ...] = Field(description="The first 200.")
    occasions: tuple[DuringShape, ...]
    notes: tuple[NoteShape, ...] = Field(description="The first 200.")
    in_part: bool = Field(description="Whether there are sites of which it says nothing.")
    cut: bool = Field(description="Whether a list in it is cut.")


class EffectAnswer(EffectShape):
    """What bringing the newest revision into force would do, held against what was found."""

    schema_: Literal["asleft-effect"] = "asleft-effect"
    version: Literal[1] = 1
    from_: RevisionShape = Field(description="The revision in force.")
    to: RevisionShape = Field(description="The newest one that was fetched.")


def effect_answer(
    before: Revision, after: Revision, effect: Effect, sees: Sees, *, everywhere: bool
) -> EffectAnswer:
    """Give what the way from one revision to another does."""
    told = dict(effect_of(effect, sees, everywhere=everywhere))
    return EffectAnswer.model_validate({**told, "from_": revision_of(before), "to": revision_of(after)})


def effect_of(effect: Effect, sees: Sees, *, everywhere: bool) -> EffectShape:
    """Give what a change does, as far as a caller may look at it."""
    effect = seen_effect(effect, sees, everywhere=everywhere)
    groups = _groups(effect.groups)
    added, removed = ([_planned(one) for one in some] for some in (effect.added, effect.removed))
    during = [(one.occasion, _groups(one.groups)) for one in effect.during]
    notes = [_note(note) for note in effect.notes]
    sizes = [len(groups), len(added), len(removed), len(notes), *(len(some) for _, some in during)]
    whole = (*groups, *(group for _, some in during for group in some))
    return EffectShape(
        stations=effect.total,
        changed=sum(group.count for group in groups),
        groups=tuple(groups[:MOST]),
        added=tuple(added[:MOST]),
        removed=tuple(removed[:MOST]),
        occasions=tuple(
            DuringShape(occasion=occasion, groups=tuple(some[:MOST])) for occasion, some in during if some
        ),
        notes=tuple(notes[:MOST]),
        in_part=not everywhere,
        cut=max([*sizes, *(group.count for group in whole)]) > MOST,
    )


def _groups(groups: Iterable[Group]) -> list[EffectGroup]:
    return [
        EffectGroup(
            model=group.model,
            worst=group.worst,
            count=len(group.stations),
            stations=_names(group.stations),
            unit=tuple(FactShape(what=fact.what, from_=fact.before, to=fact.after) for fact in group.facts),
            settings=tuple(map(_change, group.changes)),
        )
        for group in groups
    ]


def _names(stations: Sequence[StationId]) -> tuple[str, ...]:
    return tuple(map(str, stations[:MOST]))


def _change(change: Change) -> EffectChange:
    return EffectChange(
        setting=change.setting,
        meaning=change.meaning,
        from_=change.before,
        to=change.after,
        by=_line(change.by) if change.by else None,
        was=tuple(map(_line, change.was)),
        hazards=tuple(
            HarmShape(kind=hazard.kind, words=hazard.words, caution=hazard.caution)
            for hazard in change.hazards
        ),
        found=tuple(
            FoundShape(as_found=one.text, already=one.so, stations=_names(one.stations))
            for one in change.found
        ),
    )


def _line(origin: Origin) -> LineShape:
    return LineShape(layer=origin.layer, file=origin.file, line=origin.line)


def _planned(one: Planned) -> PlannedShape:
    return PlannedShape(
        station=str(one.station),
        model=one.model,
        role=one.role or None,
        serial=one.serial or None,
        address=one.address,
    )


def _note(note: Note) -> NoteShape:
    return NoteShape(about=note.about, subject=note.subject or None, words=note.words)
