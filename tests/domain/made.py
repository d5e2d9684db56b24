"""Small estates, looks and orders for the tests of several modules."""

from collections.abc import Mapping
from datetime import UTC, datetime
from functools import cache

from asleft.domain.drawing import draw_up
from asleft.domain.estate import AsLeft, StationId
from asleft.domain.kinds import Found, Value
from asleft.domain.layers import Origin
from asleft.domain.order_rules import OrderRules
from asleft.domain.orders import Order
from asleft.domain.profile import Profile
from asleft.domain.snapshot import AsFound, NotRead, ReadState, Unread
from asleft.source.profiles import shipped_profiles

NOON = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)
DRUMS = StationId("quay", "drums")
COMMIT = "c" * 40
LEFT: Mapping[str, Value] = {
    "label": "Drums",
    "network.address": "127.20.1.11/24",
    "network.gateway": "127.20.1.1",
    "mix.heard": "Mix 1",
    "headphones.gain": -12.0,
    "headphones.limiter": True,
    "headphones.limiter-level": -9.0,
    "panel.menus": "locked",
    "panel.display-dim": 40,
}


@cache
def profile() -> Profile:
    """Give the shipped profile of a station on stage."""
    return shipped_profiles()["stage-station"]


def as_left(
    values: Mapping[str, Value] = LEFT, *, serial: str = "QS41-2107", firmware: tuple[str, ...] = ("2.4.1",)
) -> AsLeft:
    """Give the approved settings of the drummer's station."""
    file = "sites/quay/stations/drums.yaml"
    return AsLeft(
        station=DRUMS,
        serial=serial,
        role="",
        profile=profile(),
        firmware=firmware,
        values=values,
        origins={
            name: Origin(layer="station drums", file=file, line=at) for at, name in enumerate(values, 2)
        },
        layers=(),
        file=file,
    )


def as_found(
    changed: Mapping[str, Found] | None = None,
    *,
    unread: Mapping[str, Unread] | None = None,
    serial: str = "QS41-2107",
    firmware: str = "2.4.1",
    readings: Mapping[str, Found] | None = None,
) -> AsFound:
    """Give a look that found everything as left, but for what is named."""
    values = {**LEFT, **(changed or {})}
    return AsFound(
        at=NOON,
        address="127.20.1.11",
        serial=serial,
        model="stage-station",
        firmware=firmware,
        values={name: value for name, value in values.items() if name not in (unread or {})},
        unread=unread or {},
        readings=readings or {},
    )


def not_read(state: ReadState) -> NotRead:
    """Give a look that read nothing."""
    return NotRead(at=NOON, address="127.20.1.11", state=state, why="nothing answers at 127.20.1.11")


def order(found: AsFound, left: AsLeft | None = None) -> Order:
    """Draw up the order that a look asks for."""
    drawn = draw_up(left or as_left(), found, baseline=COMMIT, now=NOON, rules=OrderRules())
    assert drawn is not None
    return drawn
