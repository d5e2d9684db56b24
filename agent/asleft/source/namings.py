"""Whether the settings that a layer names are settings of the models in use, and the estate's to set."""

from collections.abc import Iterator, Sequence

from asleft.domain.kinds import NotAValue, Value, nearest
from asleft.domain.layers import Layer, Naming, Origin, flatten
from asleft.domain.names import harmless
from asleft.domain.problems import Level, Problem
from asleft.domain.profile import Keeper, Profile, Setting

__all__ = ["check_names", "check_values", "typed"]


def check_names(layer: Layer, profiles: Sequence[Profile]) -> Iterator[Problem]:
    """Tell settings that none of the models has, or that are not the estate's to set."""
    for path, leaf in flatten(layer.settings):
        name, origin = ".".join(path), layer.naming(path, leaf).origin
        having = [profile for profile in profiles if name in profile.settings]
        if any("." in step for step in path):
            # A stronger layer that nests the same name would not overrule it.
            fix = f"nest it: {': {'.join(harmless(name).split('.'))}: …{'}' * name.count('.')}"
            yield _problem(origin, "setting.dotted", f"'{harmless(name)}' is written with a dot", fix)
        elif not having:
            yield _unknown(name, origin, profiles)
        elif all(not profile.settings[name].managed for profile in having):
            player = having[0].settings[name].keeper is Keeper.PLAYER
            reason = "is the player's own" if player else "is told by the station itself"
            what = f"'{name}' {reason}; it is never compared or written"
            yield _problem(origin, "setting.not-ours", what, "take the line out")


def check_values(layer: Layer, profiles: Sequence[Profile]) -> Iterator[Problem]:
    """Tell values that none of the models takes, though a stronger layer may overrule them today."""
    for name, naming in layer.namings():
        settings = [profile.settings[name] for profile in profiles if name in profile.settings]
        if naming.text is None or not settings or not all(setting.managed for setting in settings):
            continue
        found = [typed(setting, naming) for setting in settings]
        wrong = [value for value in found if isinstance(value, NotAValue)]
        if len(wrong) == len(found):
            yield _problem(naming.origin, "setting.value", f"{name}: {wrong[0].what}", wrong[0].fix)


def typed(setting: Setting, naming: Naming) -> Value | NotAValue:
    """Give what a layer says the type that the profile says, or why it has none."""
    if not isinstance(naming.text, str):
        return NotAValue("a list stands here", "a setting is one value")
    try:
        return setting.kind.parse(naming.text)
    except NotAValue as wrong:
        return wrong


def _unknown(name: str, origin: Origin, profiles: Sequence[Profile]) -> Problem:
    known = [setting.name for profile in profiles for setting in profile.managed()]
    group = any(other.startswith(f"{name}.") for other in known)
    what = "is a group of settings, not one" if group else "is no setting of this model"
    return _problem(origin, "setting.unknown", f"'{harmless(name)}' {what}", nearest(name, known))


def _problem(origin: Origin, rule: str, what: str, fix: str) -> Problem:
    return Problem(rule=rule, level=Level.ERROR, file=origin.file, line=origin.line, what=what, fix=fix)
