"""Orders: the exact, guarded writes that bring a station where a person wants it, and how an order lives."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from enum import StrEnum

from asleft.domain.canonical import digest, replacement
from asleft.domain.hazards import Hazard
from asleft.domain.kinds import Found, Json, Value, to_json
from asleft.domain.profile import Concern, Stage
from asleft.domain.stations import StationId

__all__ = [
    "ENDS",
    "Event",
    "Moved",
    "NoMove",
    "Order",
    "OrderState",
    "Purpose",
    "Write",
    "confirmations",
    "guard_document",
    "moved",
]


class Purpose(StrEnum):
    """What an order is for."""

    RESTORE = "restore"
    SET_UP = "set up"
    """Everything that is ours is written, whatever is found: the unit is new at its place."""
    UNDO = "undo"
    LEND = "lend"
    GIVE_BACK = "give back"
    FACTORY = "factory state"


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
    """What happens to an order."""

    DRAW_UP = "draw up"
    AGREE = "agree"
    """The first of two people confirms."""
    TURN_AWAY = "turn away"
    """Somebody's confirmation does not count."""
    CONFIRM = "confirm"
    BEGIN = "begin"
    FINISH = "finish"
    REFUSE = "refuse"
    LAPSE = "lapse"
    WITHDRAW = "withdraw"
    """A person takes it back before it is confirmed."""
    PUT_BACK = "put back"
    HALT = "halt"
    LOOK = "look"
    """A person has looked at the station after it was halted, and says so."""


_MOVES: Mapping[tuple[OrderState, Event], OrderState] = {
    (OrderState.DRAWN_UP, Event.AGREE): OrderState.DRAWN_UP,
    (OrderState.DRAWN_UP, Event.TURN_AWAY): OrderState.DRAWN_UP,
    (OrderState.DRAWN_UP, Event.CONFIRM): OrderState.CONFIRMED,
    (OrderState.DRAWN_UP, Event.REFUSE): OrderState.REFUSED,
    (OrderState.DRAWN_UP, Event.LAPSE): OrderState.LAPSED,
    (OrderState.DRAWN_UP, Event.WITHDRAW): OrderState.REFUSED,
    (OrderState.CONFIRMED, Event.BEGIN): OrderState.UNDER_WAY,
    (OrderState.CONFIRMED, Event.REFUSE): OrderState.REFUSED,
    (OrderState.CONFIRMED, Event.LAPSE): OrderState.LAPSED,
    (OrderState.UNDER_WAY, Event.FINISH): OrderState.RESTORED,
    (OrderState.UNDER_WAY, Event.PUT_BACK): OrderState.REFUSED,
    (OrderState.UNDER_WAY, Event.HALT): OrderState.HALTED,
    (OrderState.HALTED, Event.LOOK): OrderState.HALTED,
}
ENDS = frozenset({OrderState.RESTORED, OrderState.REFUSED, OrderState.LAPSED, OrderState.HALTED})
"""The states that no move leaves; what happens in one of them leaves it what it is."""


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
class Moved:
    """One thing that happened to an order.

    Args:
        at: When, UTC.
        event: What.
        by: Key of the person; empty for the agent itself.
        why: A person's reason, or the agent's sentence.
        accepted: Ids of the hazards that the person took on.
        signed: The key of a signed confirmation, as OpenSSH shows it; empty where it is not signed.
        proved: The passkey by which the person proved a confirmation; empty where none was given.
        baseline: Revision in force by which a confirmation was judged; empty where nothing was.
        signature: The armored signature itself; empty where it is not signed.
        over: Id of the group under which it stands; empty where that is the order itself.
    """

    at: datetime
    event: Event
    by: str = ""
    why: str = ""
    accepted: tuple[str, ...] = ()
    signed: str = ""
    proved: str = ""
    baseline: str = ""
    signature: str = ""
    over: str = ""


def confirmations(life: Iterable[Moved]) -> tuple[Moved, ...]:
    """Give the confirmations that count, the first one first."""
    return tuple(move for move in life if move.event in {Event.AGREE, Event.CONFIRM})


@dataclass(frozen=True, kw_only=True, slots=True)
class Write:
    """One guarded write.

    Args:
        setting: Dotted name.
        before: What must still be found for the write to be made.
        after: What is written.
        stage: Its place in the safe order.
        shown: Both values as text, from and to.
        concern: Why the setting matters.
        through: Values in between, in the order in which they are written: a rise goes step by step.
    """

    setting: str
    before: Found
    after: Value
    stage: Stage
    shown: tuple[str, str]
    concern: Concern = Concern.HEARING  # the strictest, where an order was kept before this was
    through: tuple[Value, ...] = ()

    @property
    def path(self) -> tuple[Value, ...]:
        """Every value that is written, in order."""
        return (*self.through, self.after)


@dataclass(frozen=True, kw_only=True, slots=True)
class Order:
    """An order as drawn up. It never changes; what becomes of it is kept beside it.

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
        purpose: What it is for.
        by: Who had it drawn up; empty where nobody is named.
        cannot_wait: Why it cannot wait for the end of a freeze; empty where it can.
        undoes: Id of the order that it undoes; empty where it undoes none.
        action: The action of the profile that is done first; empty where there is none.
        ends: When what is lent goes back, UTC; None where nothing is lent.
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
    purpose: Purpose = Purpose.RESTORE
    by: str = ""
    cannot_wait: str = ""
    undoes: str = ""
    action: str = ""
    ends: datetime | None = None

    def patch(self) -> list[dict[str, Json]]:
        """Give the writes as RFC 6902 pairs of `test` and `replace`, in safe order."""
        operations: list[dict[str, Json]] = []
        for write in self.writes:
            before = to_json(write.before)
            for value in write.path:
                operations += replacement(write.setting, before, value)
                before = value
        return operations

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
            **{name: text for name, text in self._more() if text},
        }

    def _more(self) -> Iterator[tuple[str, str]]:
        """Give what most orders do not have; it stands in the body only where it is there."""
        yield "purpose", "" if self.purpose is Purpose.RESTORE else str(self.purpose)
        yield "drawn-up-by", self.by
        yield "cannot-wait", self.cannot_wait
        yield "undoes", self.undoes
        yield "action", self.action
        yield "ends", _stamp(self.ends) if self.ends else ""

    @property
    def digest(self) -> str:
        """SHA-256 over the canonical form (RFC 8785) of the body."""
        return digest(self.body())

    @property
    def id(self) -> str:
        """The short form of the digest that people type."""
        return self.digest[:10]

    @property
    def concerns(self) -> frozenset[Concern]:
        """Why what it does matters: hearing, too, where anything gets louder; an action moves settings of every concern."""
        if self.action:
            return frozenset(Concern)
        hearing = {Concern.HEARING} if any(hazard.is_hearing for hazard in self.hazards) else set[Concern]()
        return frozenset({write.concern for write in self.writes} | hearing)


def _stamp(at: datetime) -> str:
    return at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def guard_document(values: Mapping[str, Found]) -> dict[str, Json]:
    """Give found values as the document that an order's patch is applied to."""
    return {name: to_json(value) for name, value in values.items()}
