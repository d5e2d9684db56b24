"""Adopting: what a station was found with becomes what it is left with."""

from collections.abc import Iterable, Iterator, Sequence
from typing import Final

from asleft.domain.comparison import differing
from asleft.domain.concessions import Concession, covering
from asleft.domain.drift import DriftKind
from asleft.domain.estate import AsLeft
from asleft.domain.hazards import HazardKind, hazards_of
from asleft.domain.kinds import Foreign, Found, Value, nearest
from asleft.domain.names import harmless
from asleft.domain.profile import Setting
from asleft.domain.snapshot import AsFound, Unread
from asleft.domain.stations import StationId
from asleft.ports.ledger import Looked, Standing
from asleft.ports.proposals import Edit, Put, Take
from asleft.work.proposing.layering import LAYERS, Tried, has_leaf, layer_of
from asleft.work.proposing.words import (
    Asking,
    CannotPropose,
    Plan,
    few,
    known_setting,
    text_of,
    what_was_found,
)

__all__ = ["adopt", "hazard_lines", "only_conceded", "put_or_take"]

_STAYS: Final = frozenset({HazardKind.HEARING, HazardKind.OPENED})
"""Hazards of a value that is there already: it stays loud, or open. That it is heard or lost is over."""


def adopt(
    asking: Asking,
    station: StationId,
    looked: Looked | None,
    standing: Iterable[Standing],
    *,
    names: Sequence[str] = (),
    layer: str = "station",
) -> Plan:
    """Plan to make what was found at a station what it is left with.

    Args:
        asking: Who asks, and on what.
        station: The station; it is one of the estate.
        looked: The last look at it.
        standing: The drifts that stand there.
        names: Dotted names of the settings; all that drift where empty.
        layer: Which layer shall say so: one of LAYERS.

    Raises:
        CannotPropose: It was not read, a value cannot be approved, nothing differs, or a stronger layer hides it.
    """
    if layer not in LAYERS:
        raise CannotPropose(f"'{harmless(layer)}' is no layer", todo=nearest(layer, LAYERS))
    left = asking.here.stations[station]
    found = what_was_found(left, looked)
    chosen = list(dict.fromkeys(names)) or _drifting(left, found, standing)
    tried = Tried(left)
    edits: list[Edit] = []
    values: dict[str, Value] = {}
    lines: list[str] = []
    warnings: list[str] = []
    for name in chosen:
        setting = known_setting(left.profile, name)
        value = _found_value(left, found, setting)
        text = text_of(setting, value)
        values[name] = setting.kind.parse(text)
        if layer != "occasion":
            _see_that_it_is_conceded(asking, station, setting, value)
        edit = put_or_take(tried, left, layer, name, text, values[name])
        edits.append(edit)
        lines.append(
            f"{name} {left.show(name)} → {setting.show(value)}, found {found.at:%Y-%m-%d %H:%M:%S} UTC, {_in(edit)}"
        )
        warnings.extend(hazard_lines(setting, left.values[name], values[name]))
    _see_that_it_holds(tried, left, values)
    if not left.serial:
        warnings.append(
            f"no unit is approved for it yet: asleft exchange {station} --serial {harmless(found.serial)}"
        )
    told = f"{chosen[0]} {left.show(chosen[0])} → {left.profile.settings[chosen[0]].show(values[chosen[0]])}"
    return Plan(
        verb="adopt",
        station=station,
        edits=tuple(edits),
        what=f"proposed {told if len(chosen) == 1 else f'{len(chosen)} settings as found'} as left",
        lines=tuple(lines),
        settings=tuple(chosen),
        warnings=tuple(warnings),
    )


def put_or_take(tried: Tried, left: AsLeft, word: str, name: str, text: str, value: Value) -> Put | Take:
    """Have a layer say a value, or a station's own line go where the layers below give the same; tell which edit does it.

    Raises:
        CannotPropose: The station has no such layer.
    """
    layer = layer_of(left, word, name)
    path = ("settings", *name.split("."))
    if word == "station" and has_leaf(layer, name) and tried.below(layer).values.get(name) == value:
        tried.take(layer, name)
        return Take(file=layer.file, path=path)
    tried.put(layer, name, text)
    return Put(file=layer.file, path=path, value=text)


def hazard_lines(setting: Setting, before: Value, after: Value) -> Iterator[str]:
    """Say what approving a value means for people, where it is loud or open."""
    for hazard in hazards_of(setting, before, after):
        if hazard.kind in _STAYS:
            yield f"{hazard.id}: {hazard.words}. {hazard.caution}"


def _drifting(left: AsLeft, found: AsFound, standing: Iterable[Standing]) -> list[str]:
    drifting = {
        one.drift.key.setting
        for one in standing
        if one.drift.key.station == left.station and one.drift.key.kind is DriftKind.SETTING
    }
    chosen = [name for name in differing(left.profile, left.values, found.values) if name in drifting]
    if not chosen:
        raise CannotPropose(
            "every setting that was read is as left", where=str(left.station), todo="nothing needs to be done"
        )
    return chosen


def _found_value(left: AsLeft, found: AsFound, setting: Setting) -> Found:
    """Give how a setting was found, where that is known and not as left."""
    name, where = setting.name, str(left.station)
    unread: Unread | None = found.unread.get(name)
    if unread is not None:
        raise CannotPropose(
            f"{name} could not be read: {unread.why}", where=where, todo="see to that, and make a round"
        )
    if name not in found.values or name not in left.values:
        raise CannotPropose(
            f"{name} was not read: no layer names it",
            where=where,
            todo=f"write it into {left.file} under settings, if it is to be approved",
        )
    value = found.values[name]
    if not differing(left.profile, {name: left.values[name]}, {name: value}):
        raise CannotPropose(
            f"{name} is as left: {setting.show(value)}", where=where, todo="name a setting that drifted"
        )
    return value


def only_conceded(
    concessions: Iterable[Concession], station: StationId, setting: Setting, value: Found
) -> bool:
    """Tell whether a found value may stand in the normal state only while it is conceded, and no concession covers it.

    An occasion's own layer may say it all the same.

    Args:
        concessions: Of the estate, those that have ended too: the check looks at their ends.
        station: Where it was found.
        setting: Whose value it is.
        value: As it was found.
    """
    if not setting.concede or isinstance(value, Foreign):
        return False
    text = value if isinstance(value, str) else setting.kind.show(value)
    return text == setting.concede and not covering(concessions, station, setting.name, text)


def _see_that_it_is_conceded(asking: Asking, station: StationId, setting: Setting, value: Found) -> None:
    """See that what would stand open in the normal state has a concession, whatever its end, which the check looks at.

    Raises:
        CannotPropose: It has none.
    """
    if only_conceded(asking.estate.concessions, station, setting, value):
        raise CannotPropose(
            f"{setting.name} {setting.concede} needs a concession with a holder and an end",
            where=str(station),
            todo=f"asleft concede {station} {setting.name}, and adopt the others by name",
        )


def _in(edit: Put | Take) -> str:
    if isinstance(edit, Take):
        return f"its line goes from {edit.file}, for the layers below say the same"
    return f"in {edit.file}"


def _see_that_it_holds(tried: Tried, left: AsLeft, values: dict[str, Value]) -> None:
    """See that the station would have exactly these values, and everything else as before.

    Raises:
        CannotPropose: A stronger layer hides one, or something else would change with it.
    """
    after = tried.resolved().values
    where = str(left.station)
    for name, value in values.items():
        if after.get(name) != value:
            setting = left.profile.settings[name]
            winner = tried.winner(name)
            occasion = winner.layer.startswith("occasion ")
            raise CannotPropose(
                f"{name} would not be {setting.show(value)}: {winner} ({winner.layer}) wins, and says {_shown(setting, after.get(name))}",
                where=where,
                todo="adopt it with --layer occasion while that is on, or change that line"
                if occasion
                else "adopt it in that layer, or change that line",
            )
    others = [
        name
        for name in {**left.values, **after}
        if name not in values and left.values.get(name) != after.get(name)
    ]
    if others:
        raise CannotPropose(
            f"{few(others)} would change with it",
            where=where,
            todo="edit the file by hand; asleft effect tells what it does",
        )


def _shown(setting: Setting, value: Value | None) -> str:
    return "nothing" if value is None else setting.show(value)
