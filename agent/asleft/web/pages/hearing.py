"""Hearing at a site: how loud each ear can get as approved, how long that is allowed, and the caution beside it."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from asleft.domain.drift import Drift
from asleft.domain.estate import AsLeft, Estate, StationId
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
from asleft.domain.profile import Concern
from asleft.domain.site import Site
from asleft.domain.snapshot import AsFound
from asleft.ports.ledger import Looked
from asleft.web.pages.places import Way, site_asked, ways_at
from asleft.web.web import Web

__all__ = ["HearingView", "routes", "view_of"]

_NOT_KNOWN: Final = "not known"


@dataclass(frozen=True, kw_only=True, slots=True)
class Gain:
    """One gain at which an ear can be.

    Args:
        gain: With its unit.
        approved: Whether it is the approved one.
        level: Highest level, with its unit; empty where it is not known.
        by_3_db: What the 3 dB rule allows a day.
        by_5_db: What the 5 dB rule allows a day.
        week: What an hour takes of the weekly allowance.
        ratio: Against the approved gain, in words.
        over: Why it is more than the estate takes as too loud; empty where it is not.
    """

    gain: str
    approved: bool
    level: str
    by_3_db: str
    by_5_db: str
    week: str
    ratio: str
    over: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Ears:
    """Ears that can get equally loud.

    Args:
        id: Names them on the page.
        stations: Station and the names of its ears.
        approved: The approved gain in words.
        held: What is counted of the limiter.
        known: Whether a level is known.
        gains: Gain by gain, the quietest first.
        loud: Whether the approved gain is more than the estate takes as too loud.
    """

    id: str
    stations: tuple[tuple[str, str], ...]
    approved: str
    held: str
    known: bool
    gains: tuple[Gain, ...]
    loud: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class Otherwise:
    """A station that may be louder than approved: it was found otherwise, or nobody knows."""

    station: StationId
    unknown: bool
    what: str


@dataclass(frozen=True, kw_only=True, slots=True)
class HearingView:
    """What the page about hearing shows.

    Args:
        site: The site's name.
        title: Its name as people read it.
        ways: To its other pages.
        on: What is on there now.
        ears: Groups of ears.
        otherwise: Stations that are not as approved, or of which nothing is known.
        limits: What the estate takes as too loud, in words; empty where it says nothing.
        caution: What to do before a level is raised.
        counted: What the levels are, and are not.
    """

    site: str
    title: str
    ways: tuple[Way, ...]
    on: tuple[str, ...]
    ears: tuple[Ears, ...]
    otherwise: tuple[Otherwise, ...]
    limits: str
    caution: str
    counted: str


def routes(web: Web) -> list[Route]:
    """Give the route of the page."""

    async def page(request: Request) -> Response:
        viewer = web.viewer(request)
        desk = web.parts.desk
        base = desk.in_force().estate
        site = site_asked(request, viewer, base)
        view = view_of(
            desk.present(base),
            site,
            on=base.on(web.parts.clock()).get(site.name, ()),
            looks=desk.looks(),
            drifts=[item.drift for item in web.in_part(viewer.person).drifts_in(site.name)],
        )
        return web.show(request, "hearing.html", title=f"Hearing at {site.title}", view=view)

    return [Route("/hearing/{site}", page, methods=["GET"])]


def view_of(
    estate: Estate,
    site: Site,
    *,
    on: tuple[str, ...],
    looks: Mapping[StationId, Looked],
    drifts: Collection[Drift],
) -> HearingView:
    """Put together how loud the ears of a site can get.

    Args:
        estate: The estate as it is now, with what is on and what is lent.
        site: One of its sites.
        on: What is on there.
        looks: The last look at every station.
        drifts: What stands.
    """
    stations = [
        left
        for station, left in sorted(estate.stations.items())
        if station.site == site.name and left.profile.ears
    ]
    return HearingView(
        site=site.name,
        title=site.title,
        ways=ways_at(site.name, "hearing"),
        on=on,
        ears=_ears(estate, site, stations),
        otherwise=tuple(_otherwise(stations, looks, drifts)),
        limits=_limits(estate),
        caution=CAUTION,
        counted=UNWEIGHTED,
    )


def _ears(estate: Estate, site: Site, stations: Sequence[AsLeft]) -> tuple[Ears, ...]:
    """Give the ears of some stations, those that are alike together, the loudest first."""
    alike: dict[tuple[str, tuple[Step, ...]], dict[str, list[str]]] = {}
    for left in stations:
        worn = worn_here(site.worn, left.worn)
        for ear in left.profile.ears:
            key = (
                limited(ear, left.profile, left.values).words,
                highest_levels(worn, ear, left.profile, left.values),
            )
            alike.setdefault(key, {}).setdefault(left.station.name, []).append(ear.name)
    ranked = sorted(alike.items(), key=lambda item: (-_loudest(item[0][1]), min(item[1])))
    return tuple(_group(estate, at, *key, ears) for at, (key, ears) in enumerate(ranked, 1))


def _loudest(steps: Sequence[Step]) -> float:
    """Give the level at the approved gain; where none is approved, the highest there is. What is not known comes first."""
    known = [step for step in steps if step.level is not None]
    if not known:
        return float("inf")
    return max(step.level or 0.0 for step in [one for one in known if one.approved] or known)


def _group(
    estate: Estate, at: int, held: str, steps: tuple[Step, ...], ears: Mapping[str, Sequence[str]]
) -> Ears:
    approved = next((step for step in steps if step.approved), None)
    gains = tuple(_gain(estate, step) for step in steps)
    return Ears(
        id=f"ears-{at}",
        stations=tuple((name, ", ".join(filter(None, named))) for name, named in ears.items()),
        approved=f"Approved gain {_gain_words(approved.gain)}" if approved else "No layer names the gain",
        held=held,
        known=bool(steps) and steps[0].level is not None,
        gains=gains,
        loud=any(gain.over and gain.approved for gain in gains),
    )


def _gain(estate: Estate, step: Step) -> Gain:
    level = step.level
    return Gain(
        gain=_gain_words(step.gain),
        approved=step.approved,
        level="" if level is None else f"{level:.1f} dB SPL",
        by_3_db=_NOT_KNOWN if level is None else f"{time_words(minutes_by_3_db(level))} a day",
        by_5_db=_NOT_KNOWN if level is None else f"{time_words(minutes_by_5_db(level))} a day",
        week=_NOT_KNOWN if level is None else _share(week_share(level, 1.0)),
        ratio=_NOT_KNOWN if step.rise is None else ratio_words(step.rise),
        over="" if level is None else _over(estate, level),
    )


def _gain_words(gain: float) -> str:
    """Say a gain with a true minus."""
    return gain_words(gain).replace("-", "\N{MINUS SIGN}")


def _share(share: float) -> str:
    """Give a share of the weekly allowance as a percentage, or as a number of weeks where it is more than one."""
    return f"{share * 100:.3g} % of a week" if share <= 1 else f"{share:,.1f} weeks"


def _over(estate: Estate, level: float) -> str:
    limits = estate.limits
    if limits.level is not None and level > limits.level:
        return f"over {limits.level:g} dB SPL"
    if limits.minutes is not None and minutes_by_3_db(level) < limits.minutes:
        return f"under {time_words(limits.minutes)} a day"
    return ""


def _limits(estate: Estate) -> str:
    limits = estate.limits
    said = [] if limits.level is None else [f"a highest level over {limits.level:g} dB SPL"]
    if limits.minutes is not None:
        said.append(f"a time by the 3 dB rule under {time_words(limits.minutes)} a day")
    return " or ".join(said)


def _otherwise(
    stations: Sequence[AsLeft], looks: Mapping[StationId, Looked], drifts: Collection[Drift]
) -> list[Otherwise]:
    """Name the stations for which what is approved says nothing sure about the ear now."""
    found: list[Otherwise] = []
    for left in stations:
        station = left.station
        look = looks.get(station)
        if look is None or not isinstance(look.last, AsFound):
            words = "never looked at" if look is None else str(look.last.state)
            found.append(
                Otherwise(station=station, unknown=True, what=f"{words}: how it is set is not known")
            )
            continue
        own = {
            name for ear in left.profile.ears for name in (ear.gain, ear.limiter, ear.limiter_level) if name
        }
        found.extend(
            Otherwise(station=station, unknown=True, what=f"{name} could not be read")
            for name in sorted(own.intersection(look.last.unread))
        )
        found.extend(
            Otherwise(station=station, unknown=False, what=drift.what)
            for drift in drifts
            if drift.key.station == station and (drift.key.setting in own or drift.concern is Concern.HEARING)
        )
    return found
