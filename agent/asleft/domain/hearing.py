"""What levels mean for the ear. A step is exact; a level is computed only where headphones and amplifier are known."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from asleft.domain.kinds import Level, Value
from asleft.domain.layers import Origin
from asleft.domain.profile import Ear, Profile

__all__ = [
    "CAUTION",
    "MODE_1",
    "MODE_2",
    "OSHA_HIGHEST",
    "UNWEIGHTED",
    "Held",
    "Limited",
    "Limits",
    "Step",
    "Worn",
    "allowed_time_words",
    "behind",
    "divisor_by_5_db",
    "gain_words",
    "highest_at_0_db",
    "highest_levels",
    "level_of_power",
    "level_of_voltage",
    "limited",
    "minutes_by_3_db",
    "minutes_by_5_db",
    "per_volt",
    "power_mw",
    "ratio_words",
    "time_divisor",
    "time_words",
    "week_energy_hours",
    "week_hours",
    "week_share",
    "worn_here",
]

CAUTION = (
    "Take the earphones out before a level is raised, and bring it up again from silence. "
    "Local rules and a competent person decide."
)

UNWEIGHTED = (
    "Levels are the highest that the amplifier can give, not what is played; every decibel is counted as if it were "
    "A-weighted."
)

_EXCHANGE_DB = 3.0  # NIOSH 98-126 section 1.1: 3 dB more halve the allowed time
_WORTH_A_FRACTION_DB = 60.0  # above it the fraction is one in a million, and no more a help
_NIOSH_LEVEL, _NIOSH_MINUTES = 85.0, 480.0  # NIOSH 98-126 section 1.1: 85 dBA for 8 hours
_NIOSH_CEILING = 140.0  # NIOSH 98-126 section 1.1: never above it
_OSHA_EXCHANGE_DB, _OSHA_LEVEL, _OSHA_MINUTES = 5.0, 90.0, 480.0  # 29 CFR 1910.95 appendix A
OSHA_HIGHEST = 115.0
"""Above it 29 CFR 1910.95 table G-16 allows no time, in dBA."""
MODE_1 = 1.6
"""Weekly sound allowance for adults, in Pa²h (WHO/ITU-T H.870, mode 1): 80 dBA for 40 hours."""
MODE_2 = 0.51
"""Weekly sound allowance for sensitive users, in Pa²h (WHO/ITU-T H.870, mode 2): 75 dBA for 40 hours, rounded up."""
_REFERENCE_PA = 20e-6  # 0 dB sound pressure level (IEC 61672-1)
_WEEK_LEVEL, _WEEK_HOURS = 80.0, 40.0  # WHO/ITU-T H.870, mode 1
_MILLI = 1000.0
_READABLE = 1e6
_MOST_STEPS = 12  # a gain with more steps than this is told by its ends
_WORDS = {2: "half", 4: "a quarter", 8: "an eighth", 16: "a sixteenth"}


@dataclass(frozen=True, kw_only=True, slots=True)
class Worn:
    """Headphones and the amplifier behind them; whatever is None nobody says.

    Args:
        sensitivity_mw: Level of 1 mW in dB SPL (dB/mW, IEC 60268-7).
        sensitivity_v: Level of 1 V in dB SPL (dB/V); given instead of `sensitivity_mw`.
        impedance: Of the headphones, in ohms.
        voltage: Highest voltage of the amplifier at 0 dB gain with the limiter off, in volts (root mean square).
        source_impedance: Of the amplifier's output, in ohms; taken as 0, the loudest case, where nobody says.
        origin: The line that says so.
    """

    sensitivity_mw: float | None = None
    sensitivity_v: float | None = None
    impedance: float | None = None
    voltage: float | None = None
    source_impedance: float | None = None
    origin: Origin | None = field(default=None, compare=False)


@dataclass(frozen=True, kw_only=True, slots=True)
class Limits:
    """What an estate takes as too loud.

    Args:
        level: Highest possible level at the ear in dB SPL above which people are warned; None for no warning.
        minutes: They are warned, too, where the time allowed by the 3 dB rule at that level is shorter; None for none.
    """

    level: float | None = None
    minutes: float | None = None


def time_divisor(rise_db: float) -> float:
    """Give by what the allowed time is divided when the level rises by so many decibels (NIOSH 98-126, 3 dB rule)."""
    try:
        return float(2.0 ** (rise_db / _EXCHANGE_DB))
    except OverflowError:
        return math.inf


def allowed_time_words(rise_db: float) -> str:
    """Say what is left of the allowed time after a rise, as `a sixteenth of the allowed time by the 3 dB rule`."""
    if rise_db > _WORTH_A_FRACTION_DB:
        return "next to nothing of the allowed time by the 3 dB rule"
    divisor = round(time_divisor(rise_db))
    if divisor < 2:  # noqa: PLR2004 less than half a step is not worth a fraction
        return "little less than the allowed time by the 3 dB rule"
    return f"{_WORDS.get(divisor, f'1/{divisor}')} of the allowed time by the 3 dB rule"


def gain_words(gain: float) -> str:
    """Say a gain with its sign, as `+12 dB`."""
    return f"{gain:+g} dB" if gain else "0 dB"


def ratio_words(rise_db: float) -> str:
    """Say what a step does, as `4 times the sound pressure, a sixteenth of the allowed time by the 3 dB rule`."""
    if not rise_db:
        return "as loud as approved"
    if rise_db < 0:
        return f"1/{_round(min(_pressure(-rise_db), _READABLE - 1))} of the sound pressure"
    return f"{_round(_pressure(rise_db))} times the sound pressure, {allowed_time_words(rise_db)}"


def _pressure(rise_db: float) -> float:
    try:
        return float(10.0 ** (rise_db / 20.0))
    except OverflowError:
        return math.inf


def _round(ratio: float) -> str:
    if ratio >= _READABLE:
        return "more than a million"
    return f"{ratio:.2g}" if ratio < _MILLI else f"{ratio:.0f}"


def divisor_by_5_db(rise_db: float) -> float:
    """Give by what the allowed time is divided when the level rises (29 CFR 1910.95 appendix A, 5 dB rule)."""
    try:
        return float(2.0 ** (rise_db / _OSHA_EXCHANGE_DB))
    except OverflowError:
        return math.inf


def minutes_by_3_db(level: float) -> float:
    """Give the allowed minutes a day at a level in dBA: 480 / 2^((L - 85) / 3), none above 140 (NIOSH 98-126, 1.1)."""
    return 0.0 if level > _NIOSH_CEILING else _NIOSH_MINUTES / time_divisor(level - _NIOSH_LEVEL)


def minutes_by_5_db(level: float) -> float:
    """Give the allowed minutes a day at a level in dBA: 480 / 2^((L - 90) / 5), none above 115 (29 CFR 1910.95)."""
    return 0.0 if level > OSHA_HIGHEST else _OSHA_MINUTES / divisor_by_5_db(level - _OSHA_LEVEL)


def week_energy_hours(level: float, allowance: float = MODE_1) -> float:
    """Give the hours a week at a level in dBA by exact energy: allowance over squared pressure (WHO/ITU-T H.870)."""
    pressure = _REFERENCE_PA * _pressure(level)
    return allowance / (pressure * pressure)


def week_hours(level: float) -> float:
    """Give the hours a week at a level in dBA for adults as H.870 is usually told: halved for every 3 dB above 80."""
    return _WEEK_HOURS / time_divisor(level - _WEEK_LEVEL)


def week_share(level: float, hours: float, allowance: float = MODE_1) -> float:
    """Give which share of the weekly allowance some hours at a level take, by exact energy; 1.0 is all of it."""
    return hours / week_energy_hours(level, allowance)


_HOUR, _MINUTE = 3600.0, 60.0
_DAY_MINUTES = 24 * 60


def time_words(minutes: float) -> str:
    """Say a time in the unit that fits it, as `3 min 45 s`; more than a day is `more than a day`."""
    if minutes > _DAY_MINUTES:
        return "more than a day"
    seconds = minutes * _MINUTE
    if seconds <= 0:
        return "no time"
    if seconds < 1:
        return "less than a second"
    if seconds < _MINUTE:
        return f"{seconds:.3g} s"
    whole = round(seconds)
    hours, rest = divmod(whole, int(_HOUR))
    parts = ((hours, "h"), (rest // 60, "min"), (0 if hours else rest % 60, "s"))
    return " ".join(f"{count} {unit}" for count, unit in parts if count)


def behind(voltage: float, impedance: float, source_impedance: float) -> float:
    """Give the voltage that is left at a load behind a source impedance, in volts (voltage divider)."""
    return voltage * impedance / (impedance + source_impedance)


def power_mw(voltage: float, impedance: float) -> float:
    """Give the power of a voltage in an impedance, in milliwatts: 1000 V² / Z."""
    return _MILLI * voltage * voltage / impedance


def level_of_power(sensitivity_mw: float, milliwatts: float) -> float:
    """Give the level of a power in dB SPL; sensitivity in dB/mW (IEC 60268-7)."""
    return sensitivity_mw + 10.0 * math.log10(milliwatts)


def level_of_voltage(sensitivity_v: float, voltage: float) -> float:
    """Give the level of a voltage in dB SPL; sensitivity in dB/V (IEC 60268-7)."""
    return sensitivity_v + 20.0 * math.log10(voltage)


def per_volt(sensitivity_mw: float, impedance: float) -> float:
    """Give the sensitivity in dB/V of headphones whose sensitivity is told in dB/mW."""
    return sensitivity_mw + 10.0 * math.log10(_MILLI / impedance)


def worn_here(site: Worn | None, own: Worn | None) -> Worn | None:
    """Give what is worn at a station: its own word field by field, the site's where it says nothing.

    Sensitivity is one field in two units: a station that gives it in either does not keep the site's in the other.
    """
    if site is None or own is None:
        return own or site
    says = own.sensitivity_mw is not None or own.sensitivity_v is not None
    sensitive = own if says else site
    return Worn(
        sensitivity_mw=sensitive.sensitivity_mw,
        sensitivity_v=sensitive.sensitivity_v,
        impedance=site.impedance if own.impedance is None else own.impedance,
        voltage=site.voltage if own.voltage is None else own.voltage,
        source_impedance=site.source_impedance if own.source_impedance is None else own.source_impedance,
        origin=own.origin or site.origin,
    )


def highest_at_0_db(worn: Worn | None) -> float | None:
    """Give the highest level at the ear at 0 dB gain with the limiter off, in dB SPL; None where it is not known.

    Without the impedance of the headphones a loss at the source impedance is not counted, which errs to the loud side.
    """
    if worn is None or worn.voltage is None or worn.voltage <= 0:
        return None
    if worn.impedance is not None and worn.impedance <= 0:
        return None
    source = max(worn.source_impedance or 0.0, 0.0)
    voltage = worn.voltage if worn.impedance is None else behind(worn.voltage, worn.impedance, source)
    if worn.sensitivity_v is not None:
        return level_of_voltage(worn.sensitivity_v, voltage)
    if worn.sensitivity_mw is None or worn.impedance is None:
        return None
    return level_of_power(worn.sensitivity_mw, power_mw(voltage, worn.impedance))


class Held(StrEnum):
    """What is approved for the limiter of an ear."""

    NONE = "none"
    """The output has no limiter."""
    UNSAID = "not named"
    """No layer names it, so that it may be off."""
    OFF = "off"
    ON = "on"


@dataclass(frozen=True, kw_only=True, slots=True)
class Limited:
    """The limiter of one ear in the approved state.

    Args:
        held: Whether there is one and whether it is on.
        by: By how many decibels it lowers the amplifier's highest level; None where it is not on, or that is not known.
    """

    held: Held
    by: float | None = None

    @property
    def words(self) -> str:
        """Say what is counted."""
        match self.held:
            case Held.NONE:
                return "no limiter"
            case Held.UNSAID:
                return "limiter not named, taken as off"
            case Held.OFF:
                return "limiter off"
            case _:
                if self.by is None:
                    return "limiter on, its level not known and not counted"
                return f"limiter counted, {self.by:g} dB below the highest"


def limited(ear: Ear, profile: Profile, values: Mapping[str, Value]) -> Limited:
    """Give what is approved for an ear's limiter."""
    setting = profile.settings.get(ear.limiter)
    if setting is None:
        return Limited(held=Held.NONE)
    value = values.get(ear.limiter)
    if value is None:
        return Limited(held=Held.UNSAID)
    if setting.kind.show(value) == "off":
        return Limited(held=Held.OFF)
    level = values.get(ear.limiter_level)
    # Written as a negative number of decibels on one model and as a positive one on another; both mean below.
    return Limited(held=Held.ON, by=None if level is None or isinstance(level, str) else abs(float(level)))


@dataclass(frozen=True, kw_only=True, slots=True)
class Step:
    """One gain at which an ear can be.

    Args:
        gain: In dB.
        approved: Whether it is the approved one.
        rise: Against the approved gain, in dB; None where no gain is approved.
        level: Highest possible level at the ear, the limiter counted, in dB SPL; None where it is not known.
    """

    gain: float
    approved: bool
    rise: float | None
    level: float | None


def highest_levels(
    worn: Worn | None, ear: Ear, profile: Profile, values: Mapping[str, Value]
) -> tuple[Step, ...]:
    """Give every gain at which an ear can be, with the highest level there, the quietest first.

    A gain with more than 12 steps is told by its lowest, its highest, 0 dB and the approved one. Where the level is not
    known, a step holds the ratio to the approved gain and nothing else.
    """
    approved = values.get(ear.gain)
    gain_now = None if approved is None or isinstance(approved, str) else float(approved)
    at_0_db = highest_at_0_db(worn)
    held = limited(ear, profile, values).by or 0.0
    return tuple(
        Step(
            gain=gain,
            approved=gain == gain_now,
            rise=None if gain_now is None else gain - gain_now,
            level=None if at_0_db is None else at_0_db + gain - held,
        )
        for gain in sorted(_gains(ear, profile, gain_now))
    )


def _gains(ear: Ear, profile: Profile, approved: float | None) -> set[float]:
    found = set() if approved is None else {approved}
    setting = profile.settings.get(ear.gain)
    kind = None if setting is None else setting.kind
    if not isinstance(kind, Level) or kind.unit != "dB":
        return found
    steps = round((kind.highest - kind.lowest) / kind.step)
    if kind.lowest <= 0 <= kind.highest:
        found.add(0.0)
    if steps < _MOST_STEPS:
        return found | {float(kind.settle(kind.lowest + at * kind.step)) for at in range(steps + 1)}
    return found | {kind.lowest, kind.highest}
