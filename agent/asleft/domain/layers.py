"""Layers: one file's settings each, merged by RFC 7396, every value remembering the line that named it."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

__all__ = ["Layer", "Naming", "Origin", "flatten", "merge_patch", "namings_of"]


def merge_patch(original: Any, patch: Any) -> Any:
    """Apply a merge patch to a JSON value and give the result (RFC 7396 section 2); neither argument is changed."""
    if not isinstance(patch, dict):
        return patch
    result = dict(original) if isinstance(original, dict) else {}
    for key, value in patch.items():
        if value is None:
            result.pop(key, None)
        else:
            result[key] = merge_patch(result.get(key), value)
    return result


@dataclass(frozen=True, kw_only=True, slots=True)
class Origin:
    """Where a value was named.

    Args:
        layer: The layer in words, as `role drums`.
        file: Path in the baseline repository.
        line: Line in that file, counted from 1.
    """

    layer: str
    file: str
    line: int

    def __str__(self) -> str:
        return f"{self.file}:{self.line}"


@dataclass(frozen=True, slots=True)
class Naming:
    """One layer's word for a setting: a text, or None where the layer takes the setting away."""

    text: str | None
    origin: Origin


@dataclass(frozen=True, kw_only=True, slots=True)
class Layer:
    """One file's settings.

    Args:
        name: The layer in words, as `estate`, `role drums`, `site harbour-hall`.
        file: Path in the baseline repository.
        settings: The nested mapping below `settings:`; leaves are text, or None for `null`.
        line_of: Gives the line of a leaf by its path below `settings:`.
    """

    name: str
    file: str
    settings: Mapping[str, Any]
    line_of: Callable[[tuple[str, ...]], int]

    def naming(self, path: tuple[str, ...], text: Any) -> Naming:
        """Give what this layer says at a path."""
        return Naming(text, Origin(layer=self.name, file=self.file, line=self.line_of(path)))

    def namings(self) -> Iterator[tuple[str, Naming]]:
        """Give every dotted name that this layer names, with what it says."""
        return ((".".join(path), self.naming(path, leaf)) for path, leaf in flatten(self.settings))

    def annotated(self) -> dict[str, Any]:
        """Give the settings with every leaf but `null` as a `Naming`, which a merge patch carries along like any scalar."""
        return _annotate(self.settings, (), self)


def _annotate(tree: Mapping[str, Any], path: tuple[str, ...], layer: Layer) -> dict[str, Any]:
    result: dict[str, Any] = {}
    for key, value in tree.items():
        here = (*path, key)
        if isinstance(value, Mapping):
            result[key] = _annotate(value, here, layer)
        else:
            result[key] = None if value is None else layer.naming(here, value)
    return result


def flatten(tree: Mapping[str, Any], path: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], Any]]:
    """Give every leaf of a nested mapping with its path, in the order of the file."""
    for key, value in tree.items():
        here = (*path, key)
        if isinstance(value, Mapping):
            yield from flatten(value, here)
        else:
            yield here, value


def namings_of(layers: Sequence[Layer], name: str) -> tuple[Naming, ...]:
    """Give what each layer says of one setting, weakest layer first; a `null` above it speaks for it."""
    path = tuple(name.split("."))
    found: list[Naming] = []
    for layer in layers:
        tree: Any = layer.settings
        for depth, key in enumerate(path, 1):
            if not isinstance(tree, Mapping) or key not in tree:
                break
            tree = tree[key]
            if tree is None or (depth == len(path) and not isinstance(tree, Mapping)):
                found.append(layer.naming(path[:depth], tree))
                break
    return tuple(found)
