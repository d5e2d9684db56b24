"""Rules about the whole: files that nobody uses, layers that change nothing, and what belongs in a role."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from asleft.domain.kinds import Address, NotAValue, Text, Value
from asleft.domain.layers import Layer, Origin, flatten
from asleft.domain.names import harmless
from asleft.domain.occasions import Occasion
from asleft.domain.problems import Level, Problem
from asleft.domain.profile import Profile, Setting
from asleft.domain.rules.listing import first_few
from asleft.domain.rules.rule import SERIAL, Rule, SiteView

__all__ = [
    "RULES",
    "RoleCount",
    "Sum",
    "alike",
    "check_estate",
    "check_layer",
    "check_site",
    "looks_at",
    "sum_up",
]

ORPHAN_ROLE = Rule(
    id="whole.orphan-role", level=Level.WARNING, sentence="every role is the role of some station"
)
ROLE_EMPTY = Rule(
    id="whole.role-empty",
    level=Level.HINT,
    sentence="every role changes something for a station that has it",
)
LIFT = Rule(
    id="whole.lift",
    level=Level.HINT,
    sentence="what most stations of a role name alike stands in the role",
)
PLANNED = Rule(
    id="whole.planned",
    level=Level.HINT,
    sentence="stations without a serial are planned and not yet there: allowed, and listed",
)
SITE_EMPTY = Rule(id="whole.site-empty", level=Level.WARNING, sentence="every site has a station")
LAYER_EMPTY = Rule(
    id="whole.layer-empty",
    level=Level.HINT,
    sentence="an occasion names a setting or is a performance, and no group of settings is empty",
)
RULES: tuple[Rule, ...] = (ORPHAN_ROLE, ROLE_EMPTY, LIFT, PLANNED, SITE_EMPTY, LAYER_EMPTY)

_FEWEST = 3
_SHARE = (2, 3)
_LISTED = 12


@dataclass(slots=True)
class RoleCount:
    """What the stations of one role say themselves, at one site or at all of them.

    Args:
        stations: How many stations have the role.
        named: How many of them name a setting with a value in their own file.
        profiles: The models of these stations, by name.
    """

    stations: int = 0
    named: dict[tuple[str, Value], int] = field(default_factory=dict)
    profiles: dict[str, Profile] = field(default_factory=dict)


Sum = Mapping[str, RoleCount]
"""What the rules need of one site: its counts by role."""


def check_site(view: SiteView) -> Iterator[Problem]:
    """Tell of a site without stations, and of stations without a serial."""
    if not view.stations:
        yield SITE_EMPTY.at(
            view.site.origin("name"),
            f"the site {view.site.name} has no station",
            "write one under its stations folder, or remove the site",
        )
        return
    planned = [name for name, as_left in view.stations.items() if not as_left.serial]
    if planned:
        said = "1 station is" if len(planned) == 1 else f"{len(planned)} stations are"
        yield PLANNED.at(
            view.site.origin("name"),
            f"{said} planned at {view.site.name}, without a serial: {first_few(planned, most=_LISTED)}",
            "write the serial into the station's file once the unit is there",
        )


def looks_at(_: Profile, name: str) -> bool:
    """Tell whether what `check_site` finds hangs on something of the stations of a model."""
    return name == SERIAL


def sum_up(view: SiteView) -> Sum:
    """Count what the stations of each role at a site say themselves."""
    counts: dict[str, RoleCount] = {}
    shared: dict[str, frozenset[str]] = {}
    for as_left in view.stations.values():
        if not as_left.role or not as_left.layers:
            continue
        profile = as_left.profile
        count = counts.get(as_left.role)
        if count is None:
            count = counts[as_left.role] = RoleCount()
        count.stations += 1
        if profile.name not in count.profiles:
            count.profiles[profile.name] = profile
        if profile.name not in shared:
            shared[profile.name] = _shareable(profile)
        _count_own(as_left.layers[-1].settings, "", as_left.values, shared[profile.name], count.named)
    return counts


def alike(one: Sum, other: Sum) -> bool:
    """Tell whether two sums of a site give the same in `check_estate`, which goes by models in the order of the stations."""
    return one == other and all(list(one[role].profiles) == list(other[role].profiles) for role in one)


def _shareable(profile: Profile) -> frozenset[str]:
    """Give the settings that stations may have alike: addresses and labels belong to one alone."""
    return frozenset(
        name
        for name, setting in profile.settings.items()
        if setting.managed and not isinstance(setting.kind, Address | Text)
    )


def _count_own(
    tree: Mapping[str, Any],
    prefix: str,
    values: Mapping[str, Value],
    shareable: frozenset[str],
    named: dict[tuple[str, Value], int],
) -> None:
    # Every station comes through here: plain types and joined names cost half of what the general walk does.
    for key, leaf in tree.items():
        if isinstance(leaf, dict):
            _count_own(leaf, f"{prefix}{key}.", values, shareable, named)
        elif leaf is not None:
            name = prefix + key
            if name in shareable and name in values:
                said = (name, values[name])
                named[said] = named.get(said, 0) + 1


def check_estate(
    sums: Mapping[str, Sum],
    roles: Mapping[str, Layer],
    below: Layer,
    *,
    occasions: Sequence[Occasion] = (),
) -> Iterator[Problem]:
    """Tell of roles and occasions that change nothing, and of what belongs in a role.

    Args:
        sums: What `sum_up` gave, by site.
        roles: The layer of every role, by its name.
        below: The layer below the roles: the estate's own.
        occasions: All occasions.
    """
    counts: dict[str, RoleCount] = {}
    for one in sums.values():
        for role, count in one.items():
            _add(counts.setdefault(role, RoleCount()), count)
    for role, layer in roles.items():
        having = counts.get(role)
        if having is None:
            yield ORPHAN_ROLE.at(
                _head(layer),
                f"no station has the role {harmless(role)}",
                "give it to a station, or remove the file",
            )
            continue
        yield from _changes_nothing(role, layer, below, having)
        yield from _lift(role, layer, having)
    for occasion in occasions:
        if not occasion.performance and not any(flatten(occasion.layer.settings)):
            yield LAYER_EMPTY.at(
                _head(occasion.layer),
                f"the occasion {harmless(occasion.name)} names no setting, so that nothing changes while it is on",
                "name what it changes, or keep it as a mark in the calendar and weigh this rule off",
            )


def _add(total: RoleCount, count: RoleCount) -> None:
    total.stations += count.stations
    total.profiles.update(count.profiles)
    for key, times in count.named.items():
        total.named[key] = total.named.get(key, 0) + times


def _head(layer: Layer) -> Origin:
    return Origin(layer=layer.name, file=layer.file, line=1)


def _changes_nothing(role: str, layer: Layer, below: Layer, count: RoleCount) -> Iterator[Problem]:
    named = [(".".join(path), text) for path, text in flatten(layer.settings)]
    if not named:
        yield ROLE_EMPTY.at(
            _head(layer),
            f"the role {harmless(role)} names no setting",
            "write under settings what its stations have in common",
        )
        return
    before = {".".join(path): text for path, text in flatten(below.settings)}
    for name, text in named:
        if text is None:
            # A null takes away a setting or a whole group of them.
            if name in before or any(other.startswith(f"{name}.") for other in before):
                return
            continue
        for profile in count.profiles.values():
            setting = profile.settings.get(name)
            if setting is not None and not _same(setting, text, before.get(name)):
                return
    yield ROLE_EMPTY.at(
        _head(layer),
        f"the role {harmless(role)} changes nothing: what it names ({first_few(name for name, _ in named)}) is so "
        "in the estate's layer already",
        "take these lines out; add what its stations have in common",
    )


def _same(setting: Setting, text: Any, before: Any) -> bool:
    """Tell whether two texts mean the same value of a setting, `6` and `+6 dB` for one."""
    if text == before:
        return True
    if not isinstance(text, str) or not isinstance(before, str):
        return False
    try:
        return setting.kind.parse(text) == setting.kind.parse(before)
    except NotAValue:
        return False


def _lift(role: str, layer: Layer, count: RoleCount) -> Iterator[Problem]:
    if count.stations < _FEWEST:
        return
    part, whole = _SHARE
    for (name, value), times in count.named.items():
        if times < _FEWEST or times * whole <= count.stations * part:
            continue
        setting = next(one.settings[name] for one in count.profiles.values() if name in one.settings)
        shown = setting.show(value)
        if _same(setting, shown, _text_at(layer, name)):
            continue
        yield LIFT.at(
            Origin(layer=layer.name, file=layer.file, line=layer.line_of(tuple(name.split(".")))),
            f"{times} of the {count.stations} stations of the role {harmless(role)} name {name} as {shown} in their "
            "own files",
            f"lift it into the role: write {name}: {shown} there, nested as in the stations, and take it out of these files",
        )


def _text_at(layer: Layer, name: str) -> Any:
    tree: Any = layer.settings
    for key in name.split("."):
        if not isinstance(tree, Mapping):
            return None
        tree = tree.get(key)
    return tree


def check_layer(layer: Layer) -> Iterator[Problem]:
    """Tell of empty groups in one file, which is looked at when it is read."""
    for path in _empty(layer.settings, ()):
        yield LAYER_EMPTY.at(
            Origin(layer=layer.name, file=layer.file, line=layer.line_of(path)),
            f"the group {harmless('.'.join(path))} names no setting",
            "name one in it, or take the group out",
        )


def _empty(tree: Mapping[str, Any], path: tuple[str, ...]) -> list[tuple[str, ...]]:
    found: list[tuple[str, ...]] = []
    for key, value in tree.items():
        if isinstance(value, dict):
            found += _empty(value, (*path, key)) if value else [(*path, key)]
    return found
