"""How loud each ear of a site can get, in the shape of `asleft hearing`."""

from typing import Literal

from pydantic import Field

from asleft.domain.estate import AsLeft, Estate
from asleft.domain.hearing import (
    CAUTION,
    MODE_2,
    UNWEIGHTED,
    Step,
    highest_levels,
    limited,
    minutes_by_3_db,
    minutes_by_5_db,
    ratio_words,
    week_share,
    worn_here,
)
from asleft.domain.hearing import Held as Limiter
from asleft.domain.site import Site
from asleft.web.api.shapes import Answer, Shape

__all__ = ["Hearing", "hearing_of"]


class LimitsShape(Shape):
    """What the estate takes as too loud; null where it says nothing."""

    level_db: float | None
    allowed_time_min: float | None


class StepShape(Shape):
    """One gain at which an ear can be; levels are null where they are not known."""

    gain_db: float
    approved: bool
    against_approved_db: float | None
    against_approved: str | None
    highest_level_db_spl: float | None
    allowed_min_a_day_3_db_rule: float | None = Field(alias="allowed-min-a-day-3-db-rule")
    allowed_min_a_day_5_db_rule: float | None = Field(alias="allowed-min-a-day-5-db-rule")
    week_share_of_an_hour: float | None
    week_share_of_an_hour_sensitive: float | None


class EarShape(Shape):
    """One headphone output."""

    ear: str | None
    gain: str
    approved_gain_db: float | None
    limiter: Limiter
    limiter_lowers_by_db: float | None
    steps: tuple[StepShape, ...]


class EarsShape(Shape):
    """The ears of one station."""

    station: str
    ears: tuple[EarShape, ...]


class Hearing(Answer):
    """How loud each ear of a site can get as approved now. Read `caution` before a level is raised."""

    schema_: Literal["asleft-hearing"] = "asleft-hearing"
    commit: str
    limits: LimitsShape
    stations: tuple[EarsShape, ...]
    note: str
    caution: str


def hearing_of(estate: Estate, site: Site) -> Hearing:
    """Give how loud the ears of a site can get."""
    stations = [one for key, one in sorted(estate.stations.items()) if key.site == site.name]
    return Hearing(
        commit=estate.commit,
        limits=LimitsShape(level_db=estate.limits.level, allowed_time_min=estate.limits.minutes),
        stations=tuple(_ears(site, as_left) for as_left in stations if as_left.profile.ears),
        note=UNWEIGHTED,
        caution=CAUTION,
    )


def _ears(site: Site, as_left: AsLeft) -> EarsShape:
    worn = worn_here(site.worn, as_left.worn)
    ears: list[EarShape] = []
    for ear in as_left.profile.ears:
        held = limited(ear, as_left.profile, as_left.values)
        steps = highest_levels(worn, ear, as_left.profile, as_left.values)
        ears.append(
            EarShape(
                ear=ear.name or None,
                gain=ear.gain,
                approved_gain_db=next((step.gain for step in steps if step.approved), None),
                limiter=held.held,
                limiter_lowers_by_db=held.by,
                steps=tuple(map(_step, steps)),
            )
        )
    return EarsShape(station=str(as_left.station), ears=tuple(ears))


def _step(step: Step) -> StepShape:
    level = step.level
    return StepShape(
        gain_db=step.gain,
        approved=step.approved,
        against_approved_db=step.rise,
        against_approved=None if step.rise is None else ratio_words(step.rise),
        highest_level_db_spl=None if level is None else round(level, 2),
        allowed_min_a_day_3_db_rule=None if level is None else minutes_by_3_db(level),
        allowed_min_a_day_5_db_rule=None if level is None else minutes_by_5_db(level),
        week_share_of_an_hour=None if level is None else week_share(level, 1.0),
        week_share_of_an_hour_sensitive=None if level is None else week_share(level, 1.0, MODE_2),
    )
