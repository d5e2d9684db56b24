"""What a change of the baseline does: station by station, by resolved values and not by the text of its files."""

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Final

from asleft.domain.effects.beside import notes_between
from asleft.domain.effects.values import WORST_FIRST, Change, During, Effect, Fact, FoundAs, Group, Planned
from asleft.domain.estate import AsLeft, Estate
from asleft.domain.hazards import Hazard, HazardKind, hazards_of
from asleft.domain.kinds import Foreign, Found, Level, Value
from asleft.domain.layers import Origin, namings_of
from asleft.domain.names import harmless
from asleft.domain.profile import Concern, Setting
from asleft.domain.snapshot import AsFound
from asleft.domain.stations import StationId

__all__ = [
    "Change",
    "During",
    "Effect",
    "Fact",
    "FoundAs",
    "Group",
    "Planned",
    "effect_between",
    "stations_between",
]

_NOBODY_KNOWS: Final = Foreign("?")


_Pair = tuple[AsLeft, AsLeft]


@dataclass(frozen=True, slots=True)
class _One:
    """What changes at one station, before stations are grouped; `found` says for each change how it was found."""

    after: AsLeft
    facts: tuple[Fact, ...]
    changes: tuple[Change, ...]
    found: tuple[tuple[str | None, bool], ...]


def effect_between(
    before: Estate | None,
    after: Estate,
    *,
    found: Mapping[StationId, AsFound] | None = None,
    touched: Collection[str] = (),
) -> Effect:
    """Say what the way from one revision of an estate to another does.

    A station that is the very same object in both is passed over, so that a large estate of which little changed costs little.

    Args:
        before: The estate before; None where there was none.
        after: The estate after.
        found: What was last found, where somebody asked for that.
        touched: Files whose content differs; only what the estates cannot tell by themselves is taken from it.
    """
    pairs, added, removed = _differing(before.stations if before else {}, after.stations)
    serials = before.by_serial() if before and any(old.serial != new.serial for old, new in pairs) else {}
    ones = [_compare(old, new, found, serials) for old, new in pairs]
    return Effect(
        groups=_grouped(ones, told_found=found is not None),
        added=tuple(_planned(as_left) for as_left in added),
        removed=tuple(_planned(as_left) for as_left in removed),
        during=tuple(_during(before, after, pairs, ones)) if before else (),
        notes=notes_between(before, after, touched),
        total=len(after.stations),
        against_found=found is not None,
    )


def stations_between(before: Estate, after: Estate) -> tuple[StationId, ...]:
    """Name the stations of which `effect_between` asks how they were found: those that change, as before and as after."""
    pairs, _, _ = _differing(before.stations, after.stations)
    return tuple(dict.fromkeys(one.station for pair in pairs for one in pair))


def _differing(
    before: Mapping[StationId, AsLeft], after: Mapping[StationId, AsLeft]
) -> tuple[list[_Pair], list[AsLeft], list[AsLeft]]:
    """Give the stations that are not the same object in both, paired, and those that come and go.

    A unit that goes by another name is one pair, known by its serial.
    """
    if len(before) == len(after):
        pairs = [pair for pair in zip(before.values(), after.values(), strict=True) if pair[0] is not pair[1]]
        if all(old_one.station == new_one.station for old_one, new_one in pairs):
            return pairs, [], []
    same = set(map(id, before.values())) & set(map(id, after.values()))
    old = {as_left.station: as_left for as_left in before.values() if id(as_left) not in same}
    new = {as_left.station: as_left for as_left in after.values() if id(as_left) not in same}
    gone = {as_left.serial: as_left for station, as_left in old.items() if station not in new}
    pairs = []
    added: list[AsLeft] = []
    renamed: set[StationId] = set()
    for station, as_left in new.items():
        former = old.get(station) or (gone.get(as_left.serial) if as_left.serial else None)
        if former is None:
            added.append(as_left)
        else:
            pairs.append((former, as_left))
            renamed.add(former.station)
    removed = [as_left for station, as_left in old.items() if station not in new and station not in renamed]
    return pairs, added, removed


def _planned(as_left: AsLeft) -> Planned:
    return Planned(
        station=as_left.station,
        model=as_left.profile.name,
        role=as_left.role,
        serial=as_left.serial,
        address=as_left.address,
        hearing=tuple(
            (setting.meaning, setting.show(as_left.values[name]))
            for name, setting in as_left.profile.settings.items()
            if setting.managed and setting.concern is Concern.HEARING and name in as_left.values
        ),
    )


def _compare(
    old: AsLeft, new: AsLeft, found: Mapping[StationId, AsFound] | None, serials: Mapping[str, StationId]
) -> _One:
    looked = (found.get(new.station) or found.get(old.station)) if found else None
    # What was found at another unit says nothing about this one.
    if looked is not None and new.serial and looked.serial != new.serial:
        looked = None
    changes: list[Change] = []
    states: list[tuple[str | None, bool]] = []
    for change, state in _changes(old, new, looked):
        changes.append(change)
        states.append(state)
    return _One(new, tuple(_facts(old, new, serials)), tuple(changes), tuple(states))


def _facts(old: AsLeft, new: AsLeft, serials: Mapping[str, StationId]) -> Iterator[Fact]:
    if old.station != new.station:
        yield Fact(what="name", before=str(old.station), after=str(new.station), other=old.station)
    if old.serial != new.serial:
        whose = serials.get(new.serial)
        until_now = f", until now the unit of {whose}" if new.serial and whose else ""
        yield Fact(
            what="serial",
            before=harmless(old.serial) or "none yet",
            after=(harmless(new.serial) or "none yet") + until_now,
            other=whose if until_now else None,
        )
    if old.profile.name != new.profile.name:
        yield Fact(what="model", before=old.profile.name, after=new.profile.name)
    if old.role != new.role:
        yield Fact(what="role", before=old.role or "none", after=new.role or "none")
    if old.firmware != new.firmware:
        yield Fact(what="approved firmware", before=_firmware(old), after=_firmware(new))


def _firmware(as_left: AsLeft) -> str:
    return " or ".join(map(harmless, as_left.firmware)) or "any"


def _changes(
    old: AsLeft, new: AsLeft, looked: AsFound | None
) -> Iterator[tuple[Change, tuple[str | None, bool]]]:
    if old.values == new.values:
        return
    for name in dict.fromkeys((*new.profile.settings, *old.profile.settings)):
        had, has = old.values.get(name), new.values.get(name)
        setting = (old if has is None else new).profile.settings.get(name)
        if had == has or setting is None or not setting.managed:
            continue
        is_found = looked.values.get(name) if looked else None
        change = Change(
            setting=name,
            meaning=setting.meaning,
            before=None if had is None else old.profile.settings[name].show(had),
            after=None if has is None else setting.show(has),
            was=(old.origins[name],) if name in old.origins else (),
            by=_named_by(new, name),
            hazards=() if has is None else _hazards(setting, had, has, is_found),
        )
        so = is_found is not None and has is not None and _so(setting, is_found, has)
        yield change, (None if is_found is None else setting.show(is_found), so)


def _named_by(as_left: AsLeft, name: str) -> Origin | None:
    """Give the line that names a setting, or the `null` that takes it away."""
    if name in as_left.values:
        return as_left.origins.get(name)
    namings = namings_of(as_left.layers, name)
    return namings[-1].origin if namings and namings[-1].text is None else None


def _hazards(setting: Setting, had: Value | None, has: Value, found: Found | None) -> tuple[Hazard, ...]:
    """Give what the change can do, and what it can do besides because the station was found otherwise."""
    if had is not None:
        told = hazards_of(setting, had, has)
    elif found is None:
        told = _from_unknown(setting, has)
    else:
        told = ()
    if found is not None and not _so(setting, found, has):
        kinds = {hazard.kind for hazard in told}
        told += tuple(hazard for hazard in hazards_of(setting, found, has) if hazard.kind not in kinds)
    return tuple(sorted(told, key=lambda hazard: WORST_FIRST.index(hazard.kind)))


def _from_unknown(setting: Setting, has: Value) -> tuple[Hazard, ...]:
    """Give the hazards of naming a setting that nobody named, at a station that nobody has read."""
    unknown = setting.show(_NOBODY_KNOWS)
    return tuple(
        replace(hazard, words=hazard.words.replace(unknown, "what nobody knows", 1))
        for hazard in hazards_of(setting, _NOBODY_KNOWS, has)
        if hazard.kind is not HazardKind.HEARING or _can_be_louder(setting, has)
    )


def _can_be_louder(setting: Setting, has: Value) -> bool:
    """Tell whether any value could be quieter than this one."""
    kind = setting.kind
    if setting.louder not in {"higher", "lower"}:
        return kind.show(has) == setting.louder
    if not isinstance(kind, Level):
        return True
    return float(has) > kind.lowest if setting.louder == "higher" else float(has) < kind.highest


def _so(setting: Setting, found: Found, has: Value) -> bool:
    """Tell whether a found value is as good as the approved one."""
    if isinstance(found, Foreign):
        return False
    if setting.tolerance() and not isinstance(found, str) and not isinstance(has, str):
        return abs(float(found) - float(has)) <= setting.tolerance()
    return found == has


def _grouped(ones: Iterable[_One], *, told_found: bool) -> tuple[Group, ...]:
    alike: dict[object, list[_One]] = {}
    for one in ones:
        if one.facts or one.changes:
            key = (
                one.after.profile.name,
                one.facts,
                tuple((c.setting, c.before, c.after, c.by, c.hazards) for c in one.changes),
            )
            alike.setdefault(key, []).append(one)
    groups = [_group(members, told_found=told_found) for members in alike.values()]
    return tuple(sorted(groups, key=lambda group: (group.rank, -len(group.stations), group.stations[0])))


def _group(members: list[_One], *, told_found: bool) -> Group:
    members = sorted(members, key=lambda one: one.after.station)
    changes: list[Change] = []
    for at, first in enumerate(members[0].changes):
        was = {origin for one in members for origin in one.changes[at].was}
        states: dict[tuple[str | None, bool], list[StationId]] = {}
        for one in members:
            states.setdefault(one.found[at], []).append(one.after.station)
        found = tuple(
            FoundAs(text=text, so=so, stations=tuple(stations)) for (text, so), stations in states.items()
        )
        changes.append(
            replace(
                first,
                was=tuple(sorted(was, key=lambda origin: (origin.file, origin.line))),
                found=found if told_found else (),
            )
        )
    return Group(
        model=members[0].after.profile.name,
        stations=tuple(one.after.station for one in members),
        facts=members[0].facts,
        changes=tuple(changes),
    )


def _during(before: Estate, after: Estate, pairs: list[_Pair], ones: list[_One]) -> Iterator[During]:
    """Give what changes only while an occasion is on, without what the normal state told already."""
    told = {one.after.station: {(c.setting, c.before, c.after) for c in one.changes} for one in ones}
    old_layers = {occasion.name: occasion.layer for occasion in before.occasions}
    new_layers = {occasion.name: occasion.layer for occasion in after.occasions}
    moved = {new.station: old.station for old, new in pairs}
    below = [
        new.station
        for (old, new), one in zip(pairs, ones, strict=True)
        if one.changes or old.profile is not new.profile
    ]
    for name in dict.fromkeys((*new_layers, *old_layers)):
        old_layer, new_layer = old_layers.get(name), new_layers.get(name)
        # Where the occasion says what it said, only a station that changed below it can change while it is on.
        same = bool(old_layer and new_layer and old_layer.settings == new_layer.settings)
        stations = {
            station: moved.get(station, station)
            for station in (below if same else after.stations)
            if station in moved or station in before.stations
        }
        olds = _while_on(before, name, stations.values()) if old_layer else before.stations
        news = _while_on(after, name, stations) if new_layer else after.stations
        found: list[_One] = []
        for station, former in stations.items():
            one = _compare(olds[former], news[station], None, {})
            fresh = tuple(
                change
                for change in one.changes
                if (change.setting, change.before, change.after) not in told.get(station, ())
            )
            found.append(_One(one.after, (), fresh, ((None, False),) * len(fresh)))
        groups = _grouped(found, told_found=False)
        if groups:
            yield During(occasion=name, groups=groups)


def _while_on(estate: Estate, occasion: str, stations: Iterable[StationId]) -> dict[StationId, AsLeft]:
    """Give some stations as they are approved while an occasion is on at their sites."""
    sites: dict[str, dict[StationId, AsLeft]] = {}
    for station in stations:
        sites.setdefault(station.site, {})[station] = estate.stations[station]
    found: dict[StationId, AsLeft] = {}
    for site, few in sites.items():
        found.update(replace(estate, stations=few).during(site, (occasion,)).stations)
    return found
