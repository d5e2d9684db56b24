"""Restore orders: the exact, guarded writes that would bring a station back as left."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from enum import StrEnum

from asleft.domain.canonical import digest, replacement
from asleft.domain.comparison import differing
from asleft.domain.estate import AsLeft, StationId
from asleft.domain.hazards import Hazard, hazards_of
from asleft.domain.kinds import Found, Json, Value, to_json
from asleft.domain.profile import Stage
from asleft.domain.snapshot import AsFound

__all__ = ["ENDS", "Event", "NoMove", "Order", "OrderState", "Write", "draw_up", "guard_document", "moved"]


class OrderState(StrEnum):
    """Where an order is in its life."""

    DRAWN_UP = "drawn up"
    CONFIRMED = "confirmed"
    UNDER_WAY = "under way"
    RESTORED = "restored"
    REFUSED = "refused"
    """Ended with the station as it was found."""
    LAPSED = "lapsed"
    HALTED = "halted"
    """Ended with the station neither as found nor as left, or not known to be: a person must look."""


class Event(StrEnum):
    """What moves an order on."""

    CONFIRM = "confirm"
    BEGIN = "begin"
    FINISH = "finish"
    REFUSE = "refuse"
    LAPSE = "lapse"
    PUT_BACK = "put back"
    HALT = "halt"


_MOVES: Mapping[tuple[OrderState, Event], OrderState] = {
    (OrderState.DRAWN_UP, Event.CONFIRM): OrderState.CONFIRMED,
    (OrderState.DRAWN_UP, Event.REFUSE): OrderState.REFUSED,
    (OrderState.DRAWN_UP, Event.LAPSE): OrderState.LAPSED,
    (OrderState.CONFIRMED, Event.BEGIN): OrderState.UNDER_WAY,
    (OrderState.CONFIRMED, Event.REFUSE): OrderState.REFUSED,
    (OrderState.CONFIRMED, Event.LAPSE): OrderState.LAPSED,
    (OrderState.UNDER_WAY, Event.FINISH): OrderState.RESTORED,
    (OrderState.UNDER_WAY, Event.PUT_BACK): OrderState.REFUSED,
    (OrderState.UNDER_WAY, Event.HALT): OrderState.HALTED,
}
ENDS = frozenset({OrderState.RESTORED, OrderState.REFUSED, OrderState.LAPSED, OrderState.HALTED})
"""The states that no move leaves."""


class NoMove(ValueError):
    """An order in this state does not take this event."""

    def __init__(self, state: OrderState, event: Event) -> None:
        super().__init__(f"an order that is {state} cannot be moved on by '{event}'")
        self.state = state
        self.event = event


def moved(state: OrderState, event: Event) -> OrderState:
    """Give the state that follows.

    Raises:
        NoMove: None does.
    """
    try:
        return _MOVES[state, event]
    except KeyError:
        raise NoMove(state, event) from None


@dataclass(frozen=True, kw_only=True, slots=True)
class Write:
    """One guarded write.

    Args:
        setting: Dotted name.
        before: What must still be found for the write to be made.
        after: What is written.
        stage: Its place in the safe order.
        shown: Both values as text, from and to.
    """

    setting: str
    before: Found
    after: Value
    stage: Stage
    shown: tuple[str, str]


@dataclass(frozen=True, kw_only=True, slots=True)
class Order:
    """A restore order as drawn up. It never changes; what becomes of it is kept beside it.

    Args:
        station: Which station.
        serial: The unit that it was drawn up for.
        address: Where that unit answered.
        profile: Name of its profile.
        baseline: Revision of the baseline that says as left.
        drawn_up: When, UTC, whole seconds.
        lapses: When it lapses unless it is confirmed, UTC.
        writes: In safe order.
        hazards: In the order of the writes.
        found: All managed settings as they were found: the order holds only while none of them moves.
        left_alone: Settings that are unknown and therefore not written, with why.
    """

    station: StationId
    serial: str
    address: str
    profile: str
    baseline: str
    drawn_up: datetime
    lapses: datetime
    writes: tuple[Write, ...]
    hazards: tuple[Hazard, ...]
    left_alone: tuple[tuple[str, str], ...]
    found: Mapping[str, Found] = field(default_factory=dict)

    def patch(self) -> list[dict[str, Json]]:
        """Give the writes as RFC 6902 pairs of `test` and `replace`, in safe order."""
        return [
            operation
            for write in self.writes
            for operation in replacement(write.setting, to_json(write.before), write.after)
        ]

    def body(self) -> dict[str, Json]:
        """Give all that the order's digest is taken over."""
        patch: list[Json] = [dict(operation) for operation in self.patch()]
        return {
            "format": "asleft-order-1",
            "site": self.station.site,
            "station": self.station.name,
            "serial": self.serial,
            "address": self.address,
            "profile": self.profile,
            "baseline": self.baseline,
            "drawn-up": _stamp(self.drawn_up),
            "lapses": _stamp(self.lapses),
            "as-found": guard_document(self.found),
            "patch": patch,
            "hazards": [hazard.id for hazard in self.hazards],
            "left-alone": dict(self.left_alone),
        }

    @property
    def digest(self) -> str:
        """SHA-256 over the canonical form (RFC 8785) of the body."""
        return digest(self.body())

    @property
    def id(self) -> str:
        """The short form of the digest that people type."""
        return self.digest[:10]


def _stamp(at: datetime) -> str:
    return at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def guard_document(values: Mapping[str, Found]) -> dict[str, Json]:
    """Give found values as the document that an order's patch is applied to."""
    return {name: to_json(value) for name, value in values.items()}


def draw_up(
    as_left: AsLeft, found: AsFound, *, baseline: str, now: datetime, lapse_after: timedelta
) -> Order | None:
    """Draw up the order that would bring a station back as left; None where nothing is to be written.

    The order holds for the unit that was found; whether that unit may be written at all is asked elsewhere.
    """
    profile = as_left.profile
    writes: list[Write] = []
    for name in differing(profile, as_left.values, found.values):
        setting, before, after = profile.settings[name], found.values[name], as_left.values[name]
        writes.append(
            Write(
                setting=name,
                before=before,
                after=after,
                stage=setting.stage(before, after),
                shown=(setting.show(before), setting.show(after)),
            )
        )
    if not writes:
        return None
    writes.sort(key=lambda write: write.stage)
    drawn_up = now.replace(microsecond=0)
    return Order(
        station=as_left.station,
        serial=found.serial,
        address=found.address,
        profile=profile.name,
        baseline=baseline,
        drawn_up=drawn_up,
        lapses=drawn_up + lapse_after,
        writes=tuple(writes),
        hazards=tuple(
            hazard
            for write in writes
            for hazard in hazards_of(profile.settings[write.setting], write.before, write.after)
        ),
        found=dict(found.values),
        left_alone=tuple((name, str(unread.why)) for name, unread in found.unread.items()),
    )
