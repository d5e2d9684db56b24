"""Hearing in the handover book: how loud each ear can get as approved, how long that is allowed, and the caution."""

from dataclasses import dataclass

from asleft.domain.hearing import (
    CAUTION,
    UNWEIGHTED,
    Step,
    gain_words,
    highest_levels,
    limited,
    minutes_by_3_db,
    minutes_by_5_db,
    ratio_words,
    time_words,
    week_share,
    worn_here,
)
from asleft.papers.given import Given
from asleft.papers.paper import Table, true_minus

__all__ = ["Ears", "Hearing", "hearing_of"]

_LEVELS = (
    "gain",
    "",
    "highest level",
    "3 dB rule allows",
    "5 dB rule allows",
    "an hour takes of the week (H.870)",
)
_RATIOS = ("gain", "", "against the approved gain")


@dataclass(frozen=True, kw_only=True, slots=True)
class Ears:
    """Ears that can get equally loud.

    Args:
        stations: The stations, with the names of their ears where they have several.
        approved: The approved gain and limiter in words.
        known: Whether a level is known.
        rows: Gain by gain.
    """

    stations: tuple[str, ...]
    approved: str
    known: bool
    rows: Table


@dataclass(frozen=True, kw_only=True, slots=True)
class Hearing:
    """What the page about hearing says.

    Args:
        caution: What to do before a level is raised.
        counted: What levels are, and are not; empty where none is known.
        limits: What the estate takes as too loud; empty where it says nothing.
        ears: Groups of ears.
    """

    caution: str
    counted: str
    limits: str
    ears: tuple[Ears, ...]

    def table(self) -> Table:
        """Give all of it as one table."""
        return Table(
            name="Hearing",
            heads=(
                "stations",
                "as approved",
                "gain",
                "approved",
                "level or ratio",
                "3 dB rule",
                "5 dB rule",
                "week",
            ),
            rows=tuple(
                (", ".join(group.stations), group.approved, *row, *("",) * (len(_LEVELS) - len(row)))
                for group in self.ears
                for row in group.rows.rows
            ),
        )


def hearing_of(given: Given) -> Hearing:
    """Give how loud the ears of a site can get in the normal state."""
    alike: dict[tuple[str, tuple[Step, ...]], dict[str, list[str]]] = {}
    for name, left in given.stations().items():
        worn = worn_here(given.site.worn, left.worn)
        for ear in left.profile.ears:
            key = (
                limited(ear, left.profile, left.values).words,
                highest_levels(worn, ear, left.profile, left.values),
            )
            alike.setdefault(key, {}).setdefault(name, []).append(ear.name)
    ears = tuple(_ears(at, *key, where) for at, (key, where) in enumerate(alike.items(), 1))
    limits = given.estate.limits
    said = [] if limits.level is None else [f"over {limits.level:g} dB SPL at the ear"]
    if limits.minutes is not None:
        said.append(f"under {time_words(limits.minutes)} a day by the 3 dB rule")
    return Hearing(
        caution=CAUTION,
        counted=UNWEIGHTED if any(group.known for group in ears) else "",
        limits=" or ".join(said),
        ears=ears,
    )


def _ears(at: int, held: str, steps: tuple[Step, ...], where: dict[str, list[str]]) -> Ears:
    approved = next((step for step in steps if step.approved), None)
    gain = f"approved gain {true_minus(gain_words(approved.gain))}" if approved else "no layer names the gain"
    known = bool(steps) and steps[0].level is not None
    return Ears(
        stations=tuple(
            f"{name} ({', '.join(named)})" if any(named) else name for name, named in where.items()
        ),
        approved=f"{gain}, {held}",
        known=known,
        rows=Table(
            name=f"Ears {at}",
            heads=_LEVELS if known else _RATIOS,
            rows=tuple(_level_row(step) if known else _ratio_row(step) for step in steps),
        ),
    )


def _mark(step: Step) -> tuple[str, str]:
    return true_minus(gain_words(step.gain)), "approved" if step.approved else ""


def _level_row(step: Step) -> tuple[str, ...]:
    level = step.level or 0.0
    share = week_share(level, 1.0)
    return (
        *_mark(step),
        f"{level:.1f} dB SPL",
        f"{time_words(minutes_by_3_db(level))} a day",
        f"{time_words(minutes_by_5_db(level))} a day",
        f"{share * 100:.3g} %" if share <= 1 else f"{share:,.1f} weeks",
    )


def _ratio_row(step: Step) -> tuple[str, ...]:
    return (*_mark(step), "not known" if step.rise is None else ratio_words(step.rise))
