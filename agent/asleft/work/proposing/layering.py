"""What a station would have if one of its layers said something else: edits tried on layers before they are made in files."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from asleft.domain.estate import AsLeft
from asleft.domain.layers import Layer, Origin, namings_of
from asleft.domain.resolving import Resolved, Typing, resolve
from asleft.work.proposing.words import CannotPropose

__all__ = ["LAYERS", "Tried", "has_leaf", "layer_of"]

LAYERS = ("station", "role", "site", "estate", "occasion")
"""Words for the layers that a value can be adopted into."""

Tree = Mapping[str, Any]


class Tried:
    """The layers of one station, with what was tried on them.

    Args:
        left: The station as left.
    """

    def __init__(self, left: AsLeft) -> None:
        self._left = left
        self._layers = list(left.layers)

    def put(self, layer: Layer, name: str, text: str) -> None:
        """Have a layer say a value."""
        self._change(layer, lambda settings: _with(settings, tuple(name.split(".")), text))

    def take(self, layer: Layer, name: str) -> None:
        """Have a layer say nothing of a setting, nor keep groups that are empty without it."""
        self._change(layer, lambda settings: _without(settings, tuple(name.split("."))))

    def resolved(self) -> Resolved:
        """Give what holds then."""
        return resolve(self._left.profile, self._layers, Typing())

    def below(self, layer: Layer) -> Resolved:
        """Give what holds without a layer and those that are stronger."""
        return resolve(self._left.profile, self._layers[: self._place(layer)], Typing())

    def winner(self, name: str) -> Origin:
        """Give the line that has the last word on a setting; some layer says something of it."""
        return namings_of(self._layers, name)[-1].origin

    def _place(self, layer: Layer) -> int:
        return next(at for at, one in enumerate(self._layers) if one.file == layer.file)

    def _change(self, layer: Layer, change: Callable[[Tree], dict[str, Any]]) -> None:
        at = self._place(layer)
        self._layers[at] = replace(self._layers[at], settings=change(self._layers[at].settings))


def layer_of(left: AsLeft, word: str, name: str) -> Layer:
    """Give the layer of a station that a word means.

    Args:
        left: The station as left, with the occasions that are on.
        word: One of LAYERS.
        name: The setting; of several occasions the one that has its way with it is meant, else the strongest.

    Raises:
        CannotPropose: The station has no such layer.
    """
    found = [layer for layer in left.layers if layer.name.partition(" ")[0] == word]
    if not found:
        todo = {
            "role": "give the station a role, or name another layer",
            "occasion": "this can only be adopted while the occasion is on; or name another layer",
        }.get(word, f"name one of: {', '.join(LAYERS)}")
        what = "no occasion is on now" if word == "occasion" else f"the station has no layer '{word}'"
        raise CannotPropose(what, where=str(left.station), todo=todo)
    return next((layer for layer in reversed(found) if namings_of([layer], name)), found[-1])


def has_leaf(layer: Layer, name: str) -> bool:
    """Tell whether a layer names a setting itself, and not only the group above it."""
    tree: Any = layer.settings
    for key in name.split("."):
        if not isinstance(tree, Mapping) or key not in tree:
            return False
        tree = tree[key]
    return not isinstance(tree, Mapping)


def _with(settings: Tree, path: tuple[str, ...], text: str) -> dict[str, Any]:
    """Give settings with a value set, as an edit of the file sets it: a `null` on the way becomes a group."""
    if len(path) == 1:
        return {**settings, path[0]: text}
    below = settings.get(path[0])
    return {**settings, path[0]: _with(below if isinstance(below, Mapping) else {}, path[1:], text)}


def _without(settings: Tree, path: tuple[str, ...]) -> dict[str, Any]:
    """Give settings without a value, and without the groups that it leaves empty."""
    rest = {key: value for key, value in settings.items() if key != path[0]}
    if len(path) == 1:
        return rest
    below = _without(settings[path[0]], path[1:])
    return {**settings, path[0]: below} if below else rest
