"""Layers to values: what holds for one station when its layers are merged and its profile gives every text a type."""

import sys
from collections.abc import Container, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from asleft.domain.kinds import NotAValue, Value
from asleft.domain.layers import Layer, Origin, flatten, merge_patch
from asleft.domain.profile import Keeper, Profile, Setting

__all__ = ["Leaf", "Resolved", "Typing", "Wrong", "leaves", "overlay", "resolve"]

Leaf = tuple[str, tuple[str, ...], Any]
"""One leaf of a layer: dotted name, path, and its text (None for `null`)."""


@dataclass(frozen=True, slots=True)
class Wrong:
    """A text that is no value of its setting, and the line that says so."""

    name: str
    why: NotAValue
    origin: Origin


class Resolved(NamedTuple):
    """What holds for one station.

    Args:
        values: Typed value of every setting that some layer names, by dotted name.
        origins: The line that won for each.
        wrong: Texts that are no values; they are not among the values.
        foreign: Whether the last layer names something that the model does not have, or that is not the estate's to set.
    """

    values: Mapping[str, Value]
    origins: Mapping[str, Origin]
    wrong: tuple[Wrong, ...] = ()
    foreign: bool = False


class Typing:
    """Gives texts their types and remembers each: most stations of an estate say the same few things."""

    __slots__ = ("_known",)

    def __init__(self) -> None:
        self._known: dict[tuple[str, str, str], Value | NotAValue] = {}

    def typed(self, profile: Profile, setting: Setting, text: Any) -> Value | NotAValue:
        """Give what a layer says the type that the profile says, or why it has none."""
        if not isinstance(text, str):
            return NotAValue("a list stands here", "a setting is one value")
        key = (profile.name, setting.name, text)
        value = self._known.get(key)
        if value is None:
            try:
                value = setting.kind.parse(text)
                if isinstance(value, str):
                    # The same object as what a station tells, where that is the same text: nothing needs to look into it.
                    value = sys.intern(value)
            except NotAValue as wrong:
                value = wrong
            self._known[key] = value
        return value


def leaves(layer: Layer) -> tuple[Leaf, ...]:
    """Give every leaf of a layer."""
    found: list[Leaf] = []
    _gather(layer.settings, (), "", found)
    return tuple(found)


def _gather(tree: Mapping[str, Any], path: tuple[str, ...], prefix: str, found: list[Leaf]) -> None:
    # As `flatten` goes, but without a generator a level: this runs once for every station's file.
    for key, value in tree.items():
        # One text for the names of all stations: found without being compared, and kept near in memory.
        name = sys.intern(prefix + key)
        if isinstance(value, dict):
            _gather(value, (*path, key), f"{name}.", found)
        else:
            found.append((name, (*path, key), value))


def resolve(profile: Profile, layers: Sequence[Layer], typing: Typing) -> Resolved:
    """Merge layers by RFC 7396, the weakest first, and type what the profile has and the estate may set."""
    merged: Any = {}
    for layer in layers:
        merged = merge_patch(merged, layer.annotated())
    values: dict[str, Value] = {}
    origins: dict[str, Origin] = {}
    wrong: list[Wrong] = []
    for path, naming in flatten(merged):
        name = sys.intern(".".join(path))
        setting = profile.settings.get(name)
        if setting is None or not setting.managed:
            continue  # another model's, or told where names are checked
        origins[name] = naming.origin
        value = typing.typed(profile, setting, naming.text)
        if isinstance(value, NotAValue):
            wrong.append(Wrong(name, value, naming.origin))
        else:
            values[name] = value
    return Resolved(values, origins, tuple(wrong))


def overlay(
    below: Resolved, profile: Profile, layer: Layer, named: Sequence[Leaf], typing: Typing
) -> Resolved:
    """Lay one more layer over what holds below it.

    The same as merging it by RFC 7396, where no layer writes a value in the place of a group of settings or a group in
    the place of a value; such names are no settings of any profile, and an estate that has them is not used. It costs
    what the layer names, not what the station has.

    Args:
        below: What holds without the layer.
        profile: The station's model.
        layer: The layer.
        named: Its leaves, as `leaves` gives them.
        typing: Gives texts their types.
    """
    values = dict(below.values)
    wrong, foreign = list(below.wrong), False
    settings = profile.settings
    for name, path, text in named:
        if text is None:
            foreign = foreign or name not in settings
            taken = _taken(name, settings, (*values, *(one.name for one in wrong)))
            for gone in taken:
                values.pop(gone, None)
            wrong = [one for one in wrong if one.name not in taken]
            continue
        setting = settings.get(name)
        if setting is None or setting.keeper is not Keeper.ESTATE:
            foreign = True
            continue
        if wrong:
            wrong = [one for one in wrong if one.name != name]
        value = typing.typed(profile, setting, text)
        if isinstance(value, NotAValue):
            values.pop(name, None)
            wrong.append(Wrong(name, value, _origin(layer, path)))
        else:
            values[name] = value
    return Resolved(values, _Overlaid(below.origins, settings, layer, named), tuple(wrong), foreign)


class _Overlaid(Mapping[str, Origin]):
    """The lines that won where a layer lies over what holds below it; put together when somebody asks.

    Few are ever asked for, and putting them together for every station was a twelfth of a cold reading.
    """

    __slots__ = ("_made", "_parts")

    def __init__(
        self,
        below: Mapping[str, Origin],
        settings: Mapping[str, Setting],
        layer: Layer,
        named: Sequence[Leaf],
    ) -> None:
        self._parts = (below, settings, layer, named)
        self._made: dict[str, Origin] | None = None

    def __getitem__(self, name: str) -> Origin:
        return self._all()[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._all())

    def __len__(self) -> int:
        return len(self._all())

    def _all(self) -> dict[str, Origin]:
        if self._made is None:
            below, settings, layer, named = self._parts
            made = dict(below)
            for name, path, text in named:
                if text is None:
                    for gone in _taken(name, settings, made):
                        made.pop(gone, None)
                elif name in settings and settings[name].keeper is Keeper.ESTATE:
                    made[name] = _origin(layer, path)
            self._made = made
        return self._made


def _origin(layer: Layer, path: tuple[str, ...]) -> Origin:
    return Origin(layer=layer.name, file=layer.file, line=layer.line_of(path))


def _taken(name: str, settings: Container[str], named: Iterable[str]) -> list[str]:
    """Give what a `null` takes away: a setting, or all that was named in a group of them."""
    return [name] if name in settings else [one for one in named if one.startswith(f"{name}.")]
