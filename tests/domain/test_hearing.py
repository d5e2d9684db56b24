"""Levels, allowed times and weekly doses against published tables; ratios where no level is known."""

import math
from dataclasses import replace

import pytest

from asleft.domain.hearing import (
    MODE_1,
    MODE_2,
    Held,
    Worn,
    allowed_time_words,
    behind,
    divisor_by_5_db,
    highest_at_0_db,
    highest_levels,
    level_of_power,
    level_of_voltage,
    limited,
    minutes_by_3_db,
    minutes_by_5_db,
    per_volt,
    power_mw,
    ratio_words,
    time_divisor,
    time_words,
    week_energy_hours,
    week_hours,
    week_share,
    worn_here,
)
from asleft.domain.kinds import Level
from asleft.domain.profile import Ear, Profile
from domain.made import LEFT, profile


# NIOSH 98-126 section 1.1 (exchange rate 3 dB).
@pytest.mark.parametrize("rise,divisor", [(0, 1), (3, 2), (6, 4), (12, 16), (18, 64), (24, 256), (-3, 0.5)])
def test_three_decibels_halve_the_time(rise: float, divisor: float) -> None:
    """The allowed time is divided by two for every 3 dB."""
    assert time_divisor(rise) == divisor


# NIOSH 98-126 table 1-1: allowed minutes at a level; 8 h at 85 dBA. Levels that are whole numbers of 3 dB steps.
@pytest.mark.parametrize("level,minutes", [(88, 240), (94, 60), (97, 30), (100, 15), (109, 1.875)])
def test_the_table_of_allowed_times_follows(level: float, minutes: float) -> None:
    """From 85 dBA and eight hours the published durations follow."""
    assert 480 / time_divisor(level - 85) == minutes


@pytest.mark.parametrize(
    "rise,words",
    [
        (0.5, "little less than the allowed time"),
        (3, "half of the allowed time"),
        (6, "a quarter of the allowed time"),
        (9, "an eighth of the allowed time"),
        (12, "a sixteenth of the allowed time"),
        (24, "1/256 of the allowed time"),
        (1e6, "next to nothing of the allowed time"),
    ],
)
def test_a_rise_is_told_as_a_share_of_time(rise: float, words: str) -> None:
    """The words give what is left of the time, and name the rule."""
    assert allowed_time_words(rise) == f"{words} by the 3 dB rule"


def test_a_level_far_beyond_sense_is_no_crash() -> None:
    """A station may send any number; the rule still answers."""
    assert time_divisor(9e8) == math.inf


# NIOSH 98-126 section 1.1.1: T = 480 / 2^((L - 85) / 3), worked out in minutes.
@pytest.mark.parametrize(
    "level,minutes",
    [
        (80, 1523.91),
        (82, 960),
        (83, 761.95),
        (85, 480),
        (86, 380.98),
        (88, 240),
        (91, 120),
        (94, 60),
        (95, 47.62),
        (97, 30),
        (99, 18.90),
        (100, 15),
        (103, 7.5),
        (106, 3.75),
        (109, 1.875),
        (112, 56.25 / 60),
        (115, 28.125 / 60),
        (118, 14.06 / 60),
    ],
)
def test_minutes_by_the_3_db_rule_follow_the_formula(level: float, minutes: float) -> None:
    """The allowed minutes are those of the published formula."""
    assert minutes_by_3_db(level) == pytest.approx(minutes, abs=0.005)


# NIOSH 98-126 table 1-1, h:m:s. The row of 99 dBA is left out: the table prints 18:59 where its own formula gives 18:54.
# The rows of 80, 83 and 86 dBA are rounded to minutes in the table, so half a minute is allowed there, a second elsewhere.
@pytest.mark.parametrize(
    "level,printed,rounding",
    [
        (80, (25, 24, 0), 30),
        (82, (16, 0, 0), 1),
        (83, (12, 42, 0), 30),
        (85, (8, 0, 0), 1),
        (86, (6, 21, 0), 30),
        (88, (4, 0, 0), 1),
        (91, (2, 0, 0), 1),
        (94, (1, 0, 0), 1),
        (95, (0, 47, 37), 1),
        (97, (0, 30, 0), 1),
        (100, (0, 15, 0), 1),
        (103, (0, 7, 30), 1),
        (106, (0, 3, 45), 1),
        (109, (0, 1, 53), 1),
        (112, (0, 0, 56), 1),
        (115, (0, 0, 28), 1),
        (118, (0, 0, 14), 1),
    ],
)
def test_minutes_by_the_3_db_rule_follow_the_table(
    level: float, printed: tuple[int, int, int], rounding: float
) -> None:
    """The allowed times are those of the published table, as it rounds them."""
    hours, minutes, seconds = printed
    assert minutes_by_3_db(level) * 60 == pytest.approx(hours * 3600 + minutes * 60 + seconds, abs=rounding)


def test_nothing_is_allowed_above_the_ceiling() -> None:
    """Above 140 dBA no time is allowed (NIOSH 98-126 section 1.1)."""
    assert minutes_by_3_db(140) > 0
    assert minutes_by_3_db(140.1) == 0


# 29 CFR 1910.95 table G-16, hours a day. Its rows are rounded, so the formula of appendix A is held within 2 % of it.
@pytest.mark.parametrize(
    "hours,level",
    [(8, 90), (6, 92), (4, 95), (3, 97), (2, 100), (1.5, 102), (1, 105), (0.5, 110), (0.25, 115)],
)
def test_minutes_by_the_5_db_rule_follow_the_table(hours: float, level: float) -> None:
    """The allowed hours are those of the published table within its rounding."""
    assert minutes_by_5_db(level) / 60 == pytest.approx(hours, rel=0.02)


def test_the_5_db_rule_allows_no_time_above_115() -> None:
    """Above 115 dBA the table has no row and no time is allowed (29 CFR 1910.95 table G-16)."""
    assert minutes_by_5_db(115) == 15
    assert minutes_by_5_db(115.1) == 0


def test_mixed_exposure_gives_one_dose_by_either_rule() -> None:
    """2 h at 88, 30 min at 94 and 10 min at 100 dBA are 166.67 % and 38.16 % (D = 100 Σ C/T, both rules' formulas)."""
    day = [(120, 88), (30, 94), (10, 100)]
    assert 100 * sum(minutes / minutes_by_3_db(level) for minutes, level in day) == pytest.approx(
        166.67, abs=0.005
    )
    assert 100 * sum(minutes / minutes_by_5_db(level) for minutes, level in day) == pytest.approx(
        38.16, abs=0.005
    )


# WHO/ITU-T H.870: 80 dBA for 40 hours a week; halved for every 3 dB, and by exact energy.
@pytest.mark.parametrize(
    "level,told,exact",
    [
        (83, 20, 20.05),
        (86, 10, 10.05),
        (89, 5, 5.04),
        (92, 2.5, 2.52),
        (95, 1.25, 1.265),
        (98, 0.625, 0.634),
        (101, 0.3125, 0.318),
        (104, 0.15625, 0.159),
    ],
)
def test_the_week_by_doubling_and_by_energy(level: float, told: float, exact: float) -> None:
    """Hours a week follow the doubling rule exactly, and squared pressure within the rounding of the check values."""
    assert week_hours(level) == told
    assert week_energy_hours(level) == pytest.approx(exact, rel=0.002)


def test_the_weekly_allowances_are_forty_hours() -> None:
    """80 dBA for 40 h is the adults' 1.6 Pa²h, 75 dBA for 40 h the sensitive users' 0.51 Pa²h (WHO/ITU-T H.870)."""
    assert week_energy_hours(80, MODE_1) == pytest.approx(40)
    assert week_energy_hours(75, MODE_2) == pytest.approx(40, rel=0.01)
    assert 40 / week_energy_hours(75, 1.0) == pytest.approx(0.50596, abs=5e-6)


def test_two_hours_at_86_are_a_fifth_of_the_week() -> None:
    """2/40 · 10^0.6 is 0.199 of the weekly allowance (WHO/ITU-T H.870, worked out)."""
    assert week_share(86, 2) == pytest.approx(0.199, abs=0.0005)


# From the definition of the decibel, the 3 dB rule of NIOSH 98-126 and the 5 dB rule of 29 CFR 1910.95 appendix A.
@pytest.mark.parametrize(
    "step,energy,by_3,by_5",
    [
        (3, 1.995, 2, 1.516),
        (6, 3.981, 4, 2.297),
        (12, 15.849, 16, 5.278),
        (18, 63.10, 64, 12.126),
        (24, 251.19, 256, 27.858),
    ],
)
def test_what_a_step_does_to_the_time(step: float, energy: float, by_3: float, by_5: float) -> None:
    """A step divides the time by its energy, by a power of two for every 3 dB, and for every 5 dB."""
    assert week_energy_hours(80) / week_energy_hours(80 + step) == pytest.approx(energy, rel=5e-4)
    assert time_divisor(step) == by_3
    assert divisor_by_5_db(step) == pytest.approx(by_5, abs=0.0005)


# From the definition of the decibel: times the pressure, to two places.
@pytest.mark.parametrize(
    "rise,words",
    [
        (0, "as loud as approved"),
        (6, "2 times the sound pressure, a quarter of the allowed time by the 3 dB rule"),
        (12, "4 times the sound pressure, a sixteenth of the allowed time by the 3 dB rule"),
        (24, "16 times the sound pressure, 1/256 of the allowed time by the 3 dB rule"),
        (-12, "1/4 of the sound pressure"),
        (
            1e6,
            "more than a million times the sound pressure, next to nothing of the allowed time by the 3 dB rule",
        ),
    ],
)
def test_a_step_is_told_as_a_ratio(rise: float, words: str) -> None:
    """The words give pressure and time as ratios, never a level."""
    assert ratio_words(rise) == words


@pytest.mark.parametrize(
    "minutes,words",
    [
        (0, "no time"),
        (0.001, "less than a second"),
        (14.0625 / 60, "14.1 s"),
        (1.875, "1 min 52 s"),
        (3.75, "3 min 45 s"),
        (30, "30 min"),
        (150, "2 h 30 min"),
        (480, "8 h"),
        (1500, "more than a day"),
    ],
)
def test_a_time_is_told_in_the_unit_that_fits(minutes: float, words: str) -> None:
    """Seconds, minutes and hours are used where each is of a readable size."""
    assert time_words(minutes) == words


# Textbook arithmetic on the definitions of IEC 60268-7: dB/mW and dB/V.
@pytest.mark.parametrize(
    "worn,level",
    [
        (Worn(sensitivity_mw=100, impedance=32, voltage=1), 114.95),
        (Worn(sensitivity_mw=110, impedance=16, voltage=1, source_impedance=10), 123.74),
        (Worn(sensitivity_mw=110, impedance=16, voltage=1), 127.96),
        (Worn(sensitivity_mw=96, impedance=250, voltage=2), 108.04),
        (Worn(sensitivity_v=127.96, impedance=16, voltage=1, source_impedance=10), 123.74),
        (Worn(sensitivity_v=118, voltage=1), 118),
    ],
)
def test_the_highest_level_of_headphones_behind_an_amplifier(worn: Worn, level: float) -> None:
    """The level follows from sensitivity, impedance, voltage and source impedance, in either unit of sensitivity."""
    assert highest_at_0_db(worn) == pytest.approx(level, abs=0.005)


def test_voltage_and_power_behind_a_source_impedance() -> None:
    """1 V behind 10 ohm leaves 0.6154 V at 16 ohm; 1 V in 32 ohm is 31.25 mW, 0.17889 V is 1 mW (textbook)."""
    assert behind(1, 16, 10) == pytest.approx(0.6154, abs=5e-5)
    assert 20 * math.log10(behind(1, 16, 10)) == pytest.approx(-4.22, abs=0.01)
    assert power_mw(1, 32) == 31.25
    assert power_mw(2, 250) == 16
    assert power_mw(0.17889, 32) == pytest.approx(1, abs=1e-4)
    assert level_of_power(100, power_mw(0.17889, 32)) == pytest.approx(100, abs=0.001)


# S_V = S_mW + 10 log10(1000 / Z), from the definitions of IEC 60268-7.
@pytest.mark.parametrize(
    "impedance,more",
    [
        (16, 17.96),
        (24, 16.20),
        (32, 14.95),
        (64, 11.94),
        (80, 10.97),
        (150, 8.24),
        (250, 6.02),
        (300, 5.23),
        (600, 2.22),
    ],
)
def test_sensitivity_by_power_and_by_voltage(impedance: float, more: float) -> None:
    """Both ways of telling a sensitivity give the same level."""
    assert per_volt(100, impedance) - 100 == pytest.approx(more, abs=0.005)
    assert level_of_voltage(per_volt(100, impedance), 0.5) == pytest.approx(
        level_of_power(100, power_mw(0.5, impedance))
    )


@pytest.mark.parametrize(
    "worn",
    [
        None,
        Worn(),
        Worn(sensitivity_mw=110, impedance=16),
        Worn(sensitivity_mw=110, voltage=1),
        Worn(impedance=16, voltage=1),
        Worn(sensitivity_mw=110, impedance=0, voltage=1),
        Worn(sensitivity_v=118, voltage=0),
    ],
)
def test_what_is_not_known_gives_no_level(worn: Worn | None) -> None:
    """Where a figure is missing or no figure at all, the steps hold ratios and no level."""
    assert highest_at_0_db(worn) is None
    steps = highest_levels(worn, EAR, profile(), LEFT)
    assert [(step.gain, step.rise, step.level) for step in steps] == [
        (-12.0, 0.0, None),
        (0.0, 12.0, None),
        (12.0, 24.0, None),
    ]


EAR = Ear(
    name="", gain="headphones.gain", limiter="headphones.limiter", limiter_level="headphones.limiter-level"
)
LOUD = Worn(sensitivity_mw=110, impedance=16, voltage=1, source_impedance=10)


def test_every_step_has_its_level_with_the_limiter_counted() -> None:
    """Levels follow the gain, less what the limiter takes where it is on and its level is known."""
    steps = highest_levels(LOUD, EAR, profile(), LEFT)
    assert [step.approved for step in steps] == [True, False, False]
    assert [step.level for step in steps] == pytest.approx(
        [123.74 - 12 - 9, 123.74 - 9, 123.74 + 12 - 9], abs=0.005
    )
    off = highest_levels(LOUD, EAR, profile(), {**LEFT, "headphones.limiter": False})
    assert off[0].level == pytest.approx(123.74 - 12, abs=0.005)


def test_what_is_said_of_the_limiter() -> None:
    """No limiter, not named, off, on at an unknown level, and on are told apart."""
    without = {name: value for name, value in LEFT.items() if not name.startswith("headphones.limiter")}
    assert limited(replace(EAR, limiter=""), profile(), LEFT).held is Held.NONE
    assert limited(EAR, profile(), without).held is Held.UNSAID
    assert limited(EAR, profile(), {**LEFT, "headphones.limiter": False}).held is Held.OFF
    unknown = limited(EAR, profile(), {**without, "headphones.limiter": True})
    assert (unknown.held, unknown.by) == (Held.ON, None)
    assert "not counted" in unknown.words
    on = limited(EAR, profile(), LEFT)
    assert (on.held, on.by) == (Held.ON, 9.0)
    assert on.words == "limiter counted, 9 dB below the highest"


def fine_steps() -> Profile:
    """Give a station whose gain moves in half decibels."""
    settings = dict(profile().settings)
    kind = Level(unit="dB", lowest=-40, highest=10, step=0.5)
    settings[EAR.gain] = replace(settings[EAR.gain], kind=kind)
    return replace(profile(), settings=settings)


def test_a_gain_of_many_steps_is_told_by_its_ends() -> None:
    """More than twelve steps are told as lowest, approved, 0 dB and highest."""
    steps = highest_levels(LOUD, EAR, fine_steps(), {**LEFT, EAR.gain: -7.5})
    assert [(step.gain, step.approved) for step in steps] == [
        (-40.0, False),
        (-7.5, True),
        (0.0, False),
        (10.0, False),
    ]


def test_where_no_gain_is_approved_no_rise_is_told() -> None:
    """Steps have levels without an approved gain, and nothing to be held against."""
    unnamed = {name: value for name, value in LEFT.items() if name != EAR.gain}
    steps = highest_levels(LOUD, EAR, profile(), unnamed)
    assert [(step.approved, step.rise) for step in steps] == [(False, None)] * 3


def test_a_stations_own_word_goes_before_the_sites_field_by_field() -> None:
    """What the station says holds, the rest is the site's; sensitivity is one field in two units."""
    site = Worn(sensitivity_mw=110, impedance=16, voltage=1, source_impedance=10)
    assert worn_here(site, None) == site
    assert worn_here(None, site) == site
    assert worn_here(None, None) is None
    assert worn_here(site, Worn(impedance=32)) == replace(site, impedance=32)
    assert worn_here(site, Worn(source_impedance=0.0)) == replace(site, source_impedance=0.0)
    assert worn_here(site, Worn(sensitivity_v=118)) == replace(site, sensitivity_mw=None, sensitivity_v=118)
