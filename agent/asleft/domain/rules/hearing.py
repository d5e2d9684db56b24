"""Rules about hearing: how loud the approved state can get at the ear."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from asleft.domain.estate import AsLeft
from asleft.domain.hearing import (
    CAUTION,
    Held,
    Limits,
    Step,
    Worn,
    gain_words,
    highest_levels,
    limited,
    minutes_by_3_db,
    time_words,
    worn_here,
)
from asleft.domain.kinds import Value
from asleft.domain.layers import Origin
from asleft.domain.problems import Level, Problem
from asleft.domain.profile import Ear, Profile
from asleft.domain.rules.listing import first_few
from asleft.domain.rules.rule import WORN, Rule, SiteView

__all__ = ["RULES", "check_site", "looks_at"]

LEVEL = Rule(
    id="hearing.level",
    level=Level.WARNING,
    sentence="the highest possible level at the approved gain, limiter counted, is within the estate's limit",
)
TIME = Rule(
    id="hearing.time",
    level=Level.WARNING,
    sentence="the time allowed by the 3 dB rule at the highest possible level is no shorter than the estate's limit",
)
STEP = Rule(
    id="hearing.step",
    level=Level.HINT,
    sentence="no step of a gain that is within the limit as approved is more than 12 dB above it",
)
UNLIMITED = Rule(
    id="hearing.unlimited",
    level=Level.WARNING,
    sentence="an output that has a limiter has it on in the normal state",
)
VALUES = Rule(
    id="hearing.values",
    level=Level.ERROR,
    sentence="headphones and amplifier have values that such things can have",
)
RULES: tuple[Rule, ...] = (LEVEL, TIME, STEP, UNLIMITED, VALUES)

_FAR_ABOVE_DB = 12.0
# What such things can be, generously (no source): the words, the lowest, the highest, the unit.
_POSSIBLE = {
    "sensitivity_mw": ("sensitivity", 60.0, 140.0, "dB/mW"),
    "sensitivity_v": ("sensitivity", 70.0, 160.0, "dB/V"),
    "impedance": ("impedance", 1.0, 10_000.0, "ohm"),
    "voltage": ("voltage", 0.001, 50.0, "V"),
    "source_impedance": ("source-impedance", 0.0, 1_000.0, "ohm"),
}


@dataclass(frozen=True, slots=True)
class _Breach:
    """What is wrong with an ear in one approved state; `setting` is the one whose line is shown."""

    rule: Rule
    setting: str
    what: str
    fix: str


@dataclass(slots=True)
class _Group:
    """Ears that break one rule in the same way because of one file; `origin` is the first line to blame."""

    breach: _Breach
    origin: Origin
    stations: dict[str, None] = field(default_factory=dict)
    ears: dict[str, None] = field(default_factory=dict)


def check_site(view: SiteView) -> Iterator[Problem]:
    """Tell which ears of a site can get too loud, once for each file that says so in one way."""
    site_worn = view.site.worn
    if site_worn is not None:
        yield from _impossible(site_worn, view, "", None)
    judged: dict[tuple[object, ...], tuple[_Breach, ...]] = {}
    groups: dict[tuple[object, ...], _Group] = {}
    for name, as_left in view.stations.items():
        own = as_left.worn
        if own is not None:
            yield from _impossible(own, view, name, as_left)
        values, profile = as_left.values, as_left.profile
        for ear in profile.ears:
            state = (values.get(ear.gain), values.get(ear.limiter), values.get(ear.limiter_level))
            key = (profile.name, ear.gain, own, *state)
            breaches = judged.get(key)
            if breaches is None:
                breaches = tuple(_judge(ear, profile, values, worn_here(site_worn, own), view.limits))
                judged[key] = breaches
            for breach in breaches:
                _gather(groups, breach, ear, name, as_left)
    for group in groups.values():
        breach = group.breach
        listed = first_few(group.stations)
        ears = first_few((ear for ear in group.ears if ear), most=8)
        at = f"{listed}, {ears}" if ears else listed
        yield breach.rule.at(group.origin, f"{at}: {breach.what}", f"{breach.fix}. {CAUTION}")


def looks_at(profile: Profile, name: str) -> bool:
    """Tell whether what `check_site` finds hangs on a setting of a model, or on WORN of its stations."""
    return name == WORN or any(name in (ear.gain, ear.limiter, ear.limiter_level) for ear in profile.ears)


def _gather(
    groups: dict[tuple[object, ...], _Group], breach: _Breach, ear: Ear, name: str, as_left: AsLeft
) -> None:
    origin = as_left.origins.get(breach.setting)
    if origin is None:
        origin = Origin(layer=f"station {name}", file=as_left.file, line=1)
    # Outputs of one amplifier that are alike share a sentence, at the first of their lines.
    group = groups.setdefault((breach.rule.id, origin.file, breach.what), _Group(breach, origin))
    group.stations[name] = None
    group.ears[ear.name] = None


def _judge(
    ear: Ear, profile: Profile, values: Mapping[str, Value], worn: Worn | None, limits: Limits
) -> Iterator[_Breach]:
    held = limited(ear, profile, values)
    if held.held is Held.OFF:
        yield _Breach(
            UNLIMITED,
            ear.limiter,
            "the limiter is off in the normal state",
            f"approve {ear.limiter}: on, or weigh {UNLIMITED.id} otherwise in estate.yaml and say why",
        )
    elif held.held is Held.UNSAID:
        yield _Breach(
            UNLIMITED,
            ear.limiter,
            "no layer names the limiter, so that nothing keeps it on",
            f"write {ear.limiter}: on in the layer that knows",
        )
    if worn is None or any(_wrong_values(worn)):
        return
    steps = highest_levels(worn, ear, profile, values)
    if not steps or steps[0].level is None:
        return
    now = next((step for step in steps if step.approved), None)
    # Where no layer names the gain, whoever is at the station may have turned it to the highest step.
    at = (
        f"at the approved gain of {gain_words(now.gain)}"
        if now
        else "at the highest gain, for no layer names it"
    )
    level = (now or steps[-1]).level
    if level is None:
        return
    yield from _too_loud(ear, level, f"{at} ({held.words})", limits)
    if now is not None and limits.level is not None and level <= limits.level:
        yield from _too_high_step(ear, steps[-1], now, limits.level)


def _too_loud(ear: Ear, level: float, at: str, limits: Limits) -> Iterator[_Breach]:
    fix = "lower the gain or the limiter's level, or wear less sensitive headphones"
    if limits.level is not None and level > limits.level:
        above = level - limits.level
        what = f"up to {level:.1f} dB SPL can reach the ear {at}, {above:.1f} dB above the limit of {limits.level:g} dB"
        yield _Breach(LEVEL, ear.gain, what, fix)
    if limits.minutes is not None and minutes_by_3_db(level) < limits.minutes:
        allowed = time_words(minutes_by_3_db(level))
        what = (
            f"up to {level:.1f} dB SPL can reach the ear {at}; the 3 dB rule allows {allowed} a day there, "
            f"less than the limit of {time_words(limits.minutes)}"
        )
        yield _Breach(TIME, ear.gain, what, fix)


def _too_high_step(ear: Ear, highest: Step, now: Step, limit: float) -> Iterator[_Breach]:
    level = highest.level
    if level is not None and level > limit + _FAR_ABOVE_DB:
        yield _Breach(
            STEP,
            ear.gain,
            f"approved at {gain_words(now.gain)}, but the step {gain_words(highest.gain)} can be set at the station and gives "
            f"up to {level:.1f} dB SPL, {level - limit:.1f} dB above the limit of {limit:g} dB",
            "keep the panel locked, or wear headphones that are loud enough at a lower gain only",
        )


def _wrong_values(worn: Worn) -> Iterator[tuple[str, str]]:
    for name, (words, lowest, highest, unit) in _POSSIBLE.items():
        value: float | None = getattr(worn, name)
        article = "an" if words.startswith("i") else "a"
        if value is not None and not lowest <= value <= highest:
            yield (
                words,
                f"{article} {words} of {value:g} {unit} is not possible; it is from {lowest:g} to {highest:g} {unit}",
            )


def _impossible(worn: Worn, view: SiteView, name: str, as_left: AsLeft | None) -> Iterator[Problem]:
    for key, what in _wrong_values(worn):
        if as_left is None:
            origin = view.site.origin("hearing", key)
        else:
            origin = worn.origin or Origin(layer=f"station {name}", file=as_left.file, line=1)
        fix = f"copy the {key} from the data sheet of the headphones or the amplifier. {CAUTION}"
        yield VALUES.at(origin, what, fix)
