"""Orders and groups, in the shapes of `asleft orders`, `asleft restore`, `asleft undo` and `asleft confirm`."""

from collections.abc import Iterable
from datetime import datetime
from typing import Annotated, Literal

from pydantic import Field, JsonValue

from asleft.domain.estate import StationId
from asleft.domain.groups import Group
from asleft.domain.orders import Event, OrderState, Purpose
from asleft.ports.orders import KeptOrder, StepState
from asleft.web.api.shapes import (
    WHOLE,
    Answer,
    AnyPlace,
    OrderId,
    PageQuery,
    PlaceName,
    Reason,
    Request,
    SettingName,
    Shape,
    StationName,
)
from asleft.work.order_data import group_data, order_data
from asleft.work.outlook import Outlook
from asleft.work.restores import DrawnUp

__all__ = [
    "Accepted",
    "ClearErrors",
    "Cleared",
    "Confirm",
    "DrawnUps",
    "GroupShape",
    "HazardShape",
    "Identified",
    "Identify",
    "LeftAlone",
    "LookedAt",
    "MoveShape",
    "OrderPart",
    "OrderRow",
    "OrderShape",
    "Orders",
    "OrdersQuery",
    "ReadBack",
    "Restore",
    "SetUp",
    "Stop",
    "Stopped",
    "Undo",
    "UndoneBy",
    "Withdraw",
    "WriteShape",
    "drawn_of",
    "group_of",
    "order_of",
    "row_of",
    "undone_of",
    "waiting_data",
]

Places = Annotated[
    tuple[AnyPlace, ...],
    Field(min_length=1, max_length=50, description="Stations as site/station; a site for all of its."),
]
CannotWait = Annotated[
    Reason,
    Field(description="Why it is to be written even beside a performance; two people confirm it."),
]
Accepted = Annotated[
    tuple[Annotated[str, Field(max_length=200)], ...],
    Field(
        max_length=1000,
        description="Ids of the hazards that are taken on: each of them, once a person saw to it.",
    ),
]


class WriteShape(Shape):
    """One setting that an order writes."""

    setting: str
    from_: str
    to: str
    through: tuple[JsonValue, ...] = Field(description="Values in between: a rise goes step by step.")
    stage: str
    outcome: StepState | None
    read_back: str | None
    going: str | None = Field(
        description="While a rise goes on, which of its steps is made and where to, as `step 3 of 5, to -11 dB`."
    )


class HazardShape(Shape):
    """What an order can do to people, and what to see to before; whoever confirms takes it on by its id."""

    id: str
    words: str
    caution: str
    accepted: bool


class MoveShape(Shape):
    """One thing that happened to an order."""

    at: datetime
    event: Event
    by: str | None
    why: str | None
    accepted: tuple[str, ...]
    signed: str | None
    proved: str | None


class OrderShape(Shape):
    """An order and what became of it."""

    station: str
    order: str
    digest: str
    group: str | None
    purpose: Purpose
    action: str | None
    state: OrderState
    outcome: str | None
    drawn_up_by: str | None
    confirmed_by: str | None
    reason: str | None
    cannot_wait: str | None
    undoes: str | None
    lapses: datetime
    due: datetime | None
    writes: tuple[WriteShape, ...]
    hazards: tuple[HazardShape, ...]
    life: tuple[MoveShape, ...]
    left_alone: dict[str, str]
    canonical: dict[str, JsonValue] = Field(
        description="What a signed confirmation signs: its canonical form (RFC 8785)."
    )


class OrderRow(OrderShape):
    """An order in a list, with what it waits for."""

    waits: tuple[str, ...]


class GroupShape(Shape):
    """Orders that were drawn up and are confirmed together."""

    id: str
    orders: tuple[str, ...]
    drawn_up: datetime
    by: str | None
    stop_share: float
    canonical: dict[str, JsonValue]


class OrdersQuery(PageQuery):
    """Which orders."""

    all_: Literal["true", "false"] = Field(default="false", description="Also those that ended.")
    site: PlaceName | None = Field(default=None, description="Only those at this site.")


class Orders(Answer):
    """Orders, the newest first."""

    schema_: Literal["asleft-orders"] = "asleft-orders"
    orders: tuple[OrderRow, ...]
    halted: tuple[OrderRow, ...] = Field(
        description="Those that were halted, and nobody has said since that they looked at the station."
    )
    next: str | None = Field(description="Cursor of what comes after; null at the end.")


class OrderPart(Answer):
    """One order, or the orders of a group as far as they may be looked at, with how they go on."""

    schema_: Literal["asleft-orders"] = "asleft-orders"
    orders: tuple[OrderShape, ...]
    waits: tuple[str, ...] = Field(description="What all of them wait for.")
    may_confirm: tuple[str, ...]
    group: GroupShape | None = Field(
        description="Null for an order by itself, and where some of it may not be looked at."
    )
    next: str | None = Field(description="Cursor of the further orders of a group; null at the end.")


class LeftAlone(Shape):
    """A station for which no order was drawn up, and why."""

    station: str
    order: None
    why_not: str


class DrawnUps(Answer):
    """What was drawn up; nothing is written yet."""

    schema_: Literal["asleft-orders"] = "asleft-orders"
    orders: tuple[OrderShape | LeftAlone, ...]
    waits: tuple[str, ...]
    may_confirm: tuple[str, ...]
    group: GroupShape | None
    more: int = Field(description="How many are left out here; the orders of the group have them.")


class UndoneBy(OrderShape):
    """The order that would undo another one; nothing is written yet."""

    schema_: Literal["asleft-order"] = "asleft-order"
    version: Literal[1] = 1
    waits: tuple[str, ...]
    may_confirm: tuple[str, ...]


class Restore(Request):
    """For which stations orders are drawn up."""

    names: Places
    role: PlaceName | None = Field(default=None, description="Only stations with this role.")
    settings: Annotated[tuple[SettingName, ...], Field(max_length=50)] = Field(
        default=(), description="Only these settings; all that drifted where none is named."
    )
    cannot_wait: CannotWait = ""
    stop_share: Annotated[float, Field(ge=0, le=1)] = Field(
        default=0.0, description="Share of the stations that may go wrong before the rest is left."
    )


class SetUp(Request):
    """Which stations are new at their place."""

    names: Places
    cannot_wait: CannotWait = ""


class Undo(Request):
    """Which order is undone."""

    order: Annotated[str, Field(pattern="^[0-9a-f]{10}$")]
    cannot_wait: Reason = ""


class Confirm(Request):
    """A confirmation of an order, or of a whole group."""

    order: OrderId = Field(description="Id of the order, or of the group.")
    reason: Reason = Field(min_length=1)
    accept: Accepted = ()
    signature: Annotated[str, Field(max_length=65536)] = Field(
        default="", description="Armored OpenSSH signature over the canonical order."
    )


class Withdraw(Request):
    """Which order, or group, is taken back."""

    order: OrderId = Field(description="Id of the order, or of the group.")
    reason: Reason = ""


class LookedAt(Request):
    """After which halted order a person has looked at the station, and what they found and did."""

    order: Annotated[str, Field(pattern="^[0-9a-f]{10}$")]
    reason: Reason = Field(min_length=1)


class Stop(Request):
    """Of which group no further station is begun."""

    group: Annotated[str, Field(pattern="^g[0-9a-f]{9}$")]


class Stopped(Answer):
    """What a stop leaves under way."""

    schema_: Literal["asleft-stop"] = "asleft-stop"
    group: str
    going: bool = Field(description="Whether it was being carried out.")
    finished_first: tuple[str, ...] = Field(description="Stations that are under way, and are finished.")


class Identify(Request):
    """Whose lamp is lit, and for how long."""

    name: StationName
    seconds: Annotated[int, Field(ge=1, le=120), WHOLE] = 10


class ClearErrors(Request):
    """Whose error count is cleared, and why."""

    name: StationName
    reason: Reason = Field(min_length=1)


class Cleared(Answer):
    """How an error count was cleared; a count is null where it cannot be read."""

    schema_: Literal["asleft-clear-errors"] = "asleft-clear-errors"
    station: str
    serial: str
    before: str | None
    after: str | None


class ReadBack(Shape):
    """What the station said of its lamp; null where it cannot be read."""

    while_on: bool | None
    afterwards: bool | None


class Identified(Answer):
    """A lamp that was lit, or is being lit: it goes out by itself."""

    schema_: Literal["asleft-identify"] = "asleft-identify"
    station: str
    serial: str | None = Field(description="Null while it is being lit.")
    seconds: float
    read_back: ReadBack | None = Field(description="Null while it is being lit.")


def order_of(kept: KeptOrder) -> OrderShape:
    """Give an order and what became of it."""
    return OrderShape.model_validate(_given(kept))


def row_of(kept: KeptOrder, waits: Iterable[str]) -> OrderRow:
    """Give an order in a list."""
    return OrderRow.model_validate({**_given(kept), "waits": tuple(waits)})


def undone_of(kept: KeptOrder, outlook: Outlook) -> UndoneBy:
    """Give the order that would undo another one."""
    return UndoneBy.model_validate(waiting_data(kept, outlook))


def waiting_data(kept: KeptOrder, outlook: Outlook) -> dict[str, object]:
    """Give an order that was just drawn up, with how it goes on."""
    return {**_given(kept), "waits": outlook.together, "may-confirm": outlook.able}


def _given(kept: KeptOrder) -> dict[str, object]:
    return {"station": str(kept.order.station), **order_data(kept)}


def group_of(group: Group | None) -> GroupShape | None:
    """Give a group."""
    return None if group is None else GroupShape.model_validate(group_data(group))


def drawn_of(item: DrawnUp) -> OrderShape | LeftAlone:
    """Give what drawing up gave for one station."""
    if item.order is not None:
        return order_of(item.order)
    station: StationId = item.station
    return LeftAlone(station=str(station), order=None, why_not=item.why_not.what if item.why_not else "")
