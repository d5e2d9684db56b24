"""The command about hearing: how loud each ear of a site can get as approved."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from asleft.cli.options import JsonOption
from asleft.cli.output import note, paint, safe, say, say_json, table

if TYPE_CHECKING:
    from asleft.domain.estate import AsLeft, Estate
    from asleft.domain.hearing import Step, Worn
    from asleft.domain.profile import Ear

__all__ = ["add_to"]


def add_to(app: typer.Typer) -> None:
    """Add the command of this module."""
    app.command(short_help="Say how loud each ear can get as approved, and how long that is allowed.")(
        hearing
    )


def hearing(
    place: Annotated[
        str, typer.Argument(metavar="SITE[/STATION]", help="A site, or one station as site/station.")
    ],
    estate: Annotated[
        Path, typer.Option("--estate", help="Folder of the estate's git repository.", show_default=False)
    ] = Path(),
    *,
    as_json: JsonOption = False,
) -> None:
    """Say how loud each ear can get at each gain step, the limiter counted, and how long that is allowed.

    Where headphones or amplifier are not given, only what one step does against another is said.
    """
    from asleft.daemon.review import load_estate  # noqa: PLC0415 keeps --help quick
    from asleft.domain.hearing import CAUTION, UNWEIGHTED  # noqa: PLC0415 as above

    found = load_estate(estate)
    stations = _stations(found, place)
    if as_json:
        say_json(
            "hearing",
            commit=found.commit,
            limits={"level-db": found.limits.level, "allowed-time-min": found.limits.minutes},
            stations=[_station_json(found, as_left) for as_left in stations],
            note=UNWEIGHTED,
            caution=CAUTION,
        )
        return
    known = _tell(found, stations)
    if not stations:
        note("asleft: no station there has a headphone output that its profile tells of")
    say("", *([UNWEIGHTED] if known else []), CAUTION)


def _stations(estate: "Estate", place: str) -> "list[AsLeft]":
    from asleft.domain.kinds import nearest  # noqa: PLC0415 keeps --help quick
    from asleft.work.ordering import NoStation  # noqa: PLC0415 as above

    site, slash, name = place.partition("/")
    if site not in estate.sites:
        raise NoStation(f"there is no site '{safe(site)}'", todo=nearest(site, list(estate.sites)))
    here = [as_left for station, as_left in estate.stations.items() if station.site == site]
    if slash:
        chosen = [as_left for as_left in here if as_left.station.name == name]
        if not chosen:
            known = [as_left.station.name for as_left in here]
            raise NoStation(f"there is no station '{safe(place)}'", todo=nearest(name, known))
        here = chosen
    return [as_left for as_left in here if as_left.profile.ears]


def _worn(estate: "Estate", as_left: "AsLeft") -> "Worn | None":
    from asleft.domain.hearing import worn_here  # noqa: PLC0415 keeps --help quick

    return worn_here(estate.sites[as_left.station.site].worn, as_left.worn)


def _tell(estate: "Estate", stations: "Sequence[AsLeft]") -> bool:
    """Say what ears can get, those that are alike together; tell whether a level is known."""
    from asleft.domain.hearing import highest_levels, limited  # noqa: PLC0415 keeps --help quick

    alike: dict[tuple[str, tuple[Step, ...]], dict[str, list[str]]] = {}
    for as_left in stations:
        worn = _worn(estate, as_left)
        for ear in as_left.profile.ears:
            key = (
                limited(ear, as_left.profile, as_left.values).words,
                highest_levels(worn, ear, as_left.profile, as_left.values),
            )
            alike.setdefault(key, {}).setdefault(str(as_left.station), []).append(ear.name)
    known = False
    for (held, steps), ears in alike.items():
        where = [
            paint(name, "strong") + (f" ({', '.join(map(safe, named))})" if any(named) else "")
            for name, named in ears.items()
        ]
        say("", ", ".join(where), f"  {_approved(steps)}, {held}")
        if steps and steps[0].level is not None:
            known = True
            say(*table([_HEAD, *(_level_row(step) for step in steps)], indent="  "))
        else:
            say(
                "  No level is known: give sensitivity, impedance and voltage under hearing in the site's file."
            )
            say(*table([("gain", "", "against the approved gain"), *map(_ratio_row, steps)], indent="  "))
    return known


_HEAD = (
    "gain",
    "",
    "highest level",
    "3 dB rule allows",
    "5 dB rule allows",
    "an hour takes of the week (H.870)",
)


def _approved(steps: "tuple[Step, ...]") -> str:
    from asleft.domain.hearing import gain_words  # noqa: PLC0415 keeps --help quick

    now = next((step for step in steps if step.approved), None)
    return f"approved gain {gain_words(now.gain)}" if now else "no layer names the gain"


def _mark(step: "Step") -> tuple[str, str]:
    from asleft.domain.hearing import gain_words  # noqa: PLC0415 keeps --help quick

    return gain_words(step.gain), "approved" if step.approved else ""


def _level_row(step: "Step") -> tuple[str, ...]:
    from asleft.domain.hearing import (  # noqa: PLC0415 keeps --help quick
        minutes_by_3_db,
        minutes_by_5_db,
        time_words,
        week_share,
    )

    level = step.level or 0.0
    return (
        *_mark(step),
        f"{level:.1f} dB SPL",
        f"{time_words(minutes_by_3_db(level))} a day",
        f"{time_words(minutes_by_5_db(level))} a day",
        _share(week_share(level, 1.0)),
    )


def _share(share: float) -> str:
    """Give a share as a percentage, or as a number of weeks where it is more than one."""
    return f"{share * 100:.3g} %" if share <= 1 else f"{share:,.1f} weeks"


def _ratio_row(step: "Step") -> tuple[str, ...]:
    from asleft.domain.hearing import ratio_words  # noqa: PLC0415 keeps --help quick

    return (*_mark(step), "not known" if step.rise is None else ratio_words(step.rise))


def _station_json(estate: "Estate", as_left: "AsLeft") -> dict[str, Any]:
    worn = _worn(estate, as_left)
    return {
        "station": str(as_left.station),
        "ears": [_ear_json(worn, ear, as_left) for ear in as_left.profile.ears],
    }


def _ear_json(worn: "Worn | None", ear: "Ear", as_left: "AsLeft") -> dict[str, Any]:
    from asleft.domain.hearing import highest_levels, limited  # noqa: PLC0415 keeps --help quick

    held = limited(ear, as_left.profile, as_left.values)
    steps = highest_levels(worn, ear, as_left.profile, as_left.values)
    return {
        "ear": ear.name or None,
        "gain": ear.gain,
        "approved-gain-db": next((step.gain for step in steps if step.approved), None),
        "limiter": held.held,
        "limiter-lowers-by-db": held.by,
        "steps": [_step_json(step) for step in steps],
    }


def _step_json(step: "Step") -> dict[str, Any]:
    from asleft.domain.hearing import (  # noqa: PLC0415 keeps --help quick
        MODE_2,
        minutes_by_3_db,
        minutes_by_5_db,
        ratio_words,
        week_share,
    )

    said: dict[str, Any] = {
        "gain-db": step.gain,
        "approved": step.approved,
        "against-approved-db": step.rise,
        "against-approved": None if step.rise is None else ratio_words(step.rise),
    }
    if step.level is not None:
        said |= {
            "highest-level-db-spl": round(step.level, 2),
            "allowed-min-a-day-3-db-rule": minutes_by_3_db(step.level),
            "allowed-min-a-day-5-db-rule": minutes_by_5_db(step.level),
            "week-share-of-an-hour": week_share(step.level, 1.0),
            "week-share-of-an-hour-sensitive": week_share(step.level, 1.0, MODE_2),
        }
    return said
