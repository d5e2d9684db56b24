"""Which drifts of a look at stations are only a changeover that is due."""

from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta

from asleft.domain.alarms.changeover import changeover_due
from asleft.domain.drift import Drift, DriftKey, DriftKind
from asleft.domain.estate import Estate, StationId, under
from asleft.domain.occasions import changes, on_at
from asleft.domain.snapshot import AsFound, NotRead

__all__ = ["LOOK_BACK", "due_among"]

LOOK_BACK = timedelta(days=14)
"""So far back the last change of occasions is looked for (common practice, no source)."""


def due_among(
    estate: Estate, now: datetime, drifts: Iterable[Drift], looks: Mapping[StationId, AsFound | NotRead]
) -> frozenset[DriftKey]:
    """Tell which drifts are there only because an occasion began or ended.

    Args:
        estate: In force, without the occasions that are on: not `estate.at(now)`.
        now: The time.
        drifts: What stands.
        looks: The look at each station that was just looked at; what stands elsewhere is passed over.
    """
    by_site: dict[str, dict[StationId, list[Drift]]] = {}
    for drift in drifts:
        station = drift.key.station
        if drift.key.kind is DriftKind.SETTING and station in estate.stations:
            by_site.setdefault(station.site, {}).setdefault(station, []).append(drift)
    found: set[DriftKey] = set()
    named = {occasion.name: occasion for occasion in estate.occasions}
    order = list(named)
    for name, stations in by_site.items():
        site = estate.sites[name]
        if site.calendar is None:
            continue
        # Only these stations: laying occasions over a whole site costs more than looking at a few.
        few = {station: estate.stations[station] for station in stations}
        past = changes(site.calendar, order, now - LOOK_BACK, now + timedelta.resolution)
        befores = [few, *([under(few, [named[one] for one in past[-1].before])] if past else [])]
        here = under(few, [named[one] for one in on_at(site.calendar, order, now)])
        for station, listed in stations.items():
            look = looks.get(station)
            if isinstance(look, AsFound):
                earlier = [before[station] for before in befores]
                found |= changeover_due(listed, here[station], earlier, look)
    return frozenset(found)
