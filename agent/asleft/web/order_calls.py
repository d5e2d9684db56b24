"""Orders that call a person: halted ones of which nobody has said that they looked since, and those that wait to be confirmed."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from asleft.domain.alarms.alarm import Alarm
from asleft.domain.drift import DriftKind
from asleft.domain.orders import OrderState
from asleft.domain.site import Site
from asleft.domain.stations import StationId
from asleft.web.order_words import outcome_words
from asleft.work.order_desk import OrderView

__all__ = ["Halted", "Waiting", "beside_halts", "halted_at", "halted_in", "waiting_of"]

_MOST_NAMES: Final = 6


@dataclass(frozen=True, kw_only=True, slots=True)
class Halted:
    """An order that was halted, and nobody has looked at its station since."""

    id: str
    station: StationId
    outcome: str
    zone: str
    ended: datetime | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Waiting:
    """An order, or a group of them, that waits for a confirmation."""

    id: str
    stations: tuple[str, ...]
    others: int
    purpose: str
    zone: str
    drawn_up: datetime
    lapses: datetime
    waits: tuple[str, ...]
    hearing: bool


def halted_in(views: Sequence[OrderView], sites: Mapping[str, Site]) -> tuple[Halted, ...]:
    """Give the halted orders at some sites that need a person, the newest first."""
    return tuple(
        Halted(
            id=view.kept.id,
            station=view.kept.order.station,
            outcome=outcome_words(view.kept.state, view.kept.outcome),
            zone=sites[view.kept.order.station.site].time_zone,
            ended=view.kept.ended,
        )
        for view in reversed(views)
        if view.kept.state is OrderState.HALTED and view.kept.order.station.site in sites
    )


def halted_at(views: Iterable[OrderView], station: StationId) -> tuple[str, ...]:
    """Give the ids of the halted orders at a station that need a person."""
    return tuple(
        view.kept.id
        for view in views
        if view.kept.state is OrderState.HALTED and view.kept.order.station == station
    )


def beside_halts(alarms: Iterable[Alarm]) -> list[Alarm]:
    """Give alarms without those that only say once more that an order is halted, where that stands above them."""
    return [alarm for alarm in alarms if alarm.drift.key.kind is not DriftKind.HALTED or not alarm.active]


def waiting_of(views: Sequence[OrderView], sites: Mapping[str, Site]) -> tuple[Waiting, ...]:
    """Give what waits for a confirmation, groups as one, what lapses first on top."""
    open_ones = [view for view in views if view.kept.state is OrderState.DRAWN_UP]
    together: dict[str, list[OrderView]] = {}
    for view in open_ones:
        together.setdefault(view.kept.group or view.kept.id, []).append(view)
    made: list[Waiting] = []
    for name, members in together.items():
        first = members[0].kept.order
        names = tuple(str(view.kept.order.station) for view in members)
        made.append(
            Waiting(
                id=name,
                stations=names[:_MOST_NAMES],
                others=max(0, len(names) - _MOST_NAMES),
                purpose=str(first.purpose),
                zone=sites[first.station.site].time_zone,
                drawn_up=first.drawn_up,
                lapses=min(view.kept.order.lapses for view in members),
                waits=tuple(dict.fromkeys(wait for view in members for wait in view.waits)),
                hearing=any(hazard.is_hearing for view in members for hazard in view.kept.order.hazards),
            )
        )
    # What lapses in the same second stays in the order in which it was drawn up.
    return tuple(sorted(made, key=lambda waiting: waiting.lapses))
