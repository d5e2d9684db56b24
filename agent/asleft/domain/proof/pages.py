"""The page of an order as a proof reads it: everything on it, and what is canonical beside it."""

import hashlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import jsonpointer
import rfc8785

from asleft.domain.canonical import canonical
from asleft.domain.journal import unscalar
from asleft.domain.names import harmless
from asleft.domain.orders import Event, NoMove, OrderState, Purpose, moved
from asleft.domain.stations import StationId

__all__ = ["Happened", "OrderText", "Unlike", "read_order", "unlike"]

Unlike = tuple[str, ...]
"""Sentences: each says in what something is not as it should be."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Happened:
    """One row of an order's life, with what of it may not change from one page to the next."""

    at: datetime
    event: Event
    by: str
    name: str
    why: str
    accepted: tuple[str, ...]
    signed: str
    proved: str
    over: str
    baseline: str

    @property
    def lasting(self) -> tuple[object, ...]:
        """All but the name, which is looked up anew for each page."""
        said = (self.at, self.event, self.by, self.why, self.accepted)
        return (*said, self.signed, self.proved, self.over, self.baseline)

    @property
    def confirms(self) -> bool:
        """Whether it is a confirmation that counts."""
        return self.event in {Event.AGREE, Event.CONFIRM}


@dataclass(frozen=True, kw_only=True, slots=True)
class OrderText:
    """An order's page.

    Args:
        top: The lines at its top, by name.
        life: What happened, the first thing first.
        writes: Its writes, each with `setting`, `from`, `to`, `outcome` and `read-back`.
        body: What is canonical, read.
    """

    top: Mapping[str, str]
    life: tuple[Happened, ...]
    writes: tuple[Mapping[str, str], ...]
    body: Mapping[str, Any]

    @property
    def id(self) -> str:
        """Its id."""
        return self.top["order"]

    @property
    def station(self) -> StationId:
        """The station that it is for."""
        return StationId(self.top["site"], self.top["station"])

    @property
    def state(self) -> OrderState:
        """Where it is in its life."""
        return OrderState(self.top["state"])

    @property
    def purpose(self) -> Purpose:
        """What it is for."""
        return Purpose(self.top["purpose"])

    @property
    def confirmed(self) -> tuple[Happened, ...]:
        """The confirmations that count, the first one first."""
        return tuple(row for row in self.life if row.confirms)

    @property
    def wrote(self) -> bool:
        """Whether anything may have been sent to the station."""
        return any(write.get("outcome") != "not begun" for write in self.writes)

    def ordered(self) -> dict[str, Any]:
        """Give what is canonical of its writes: the last value of each setting, in their order."""
        found: dict[str, Any] = {}
        for operation in self.body.get("patch", ()):
            if operation["op"] == "replace":
                found[jsonpointer.unescape(operation["path"].removeprefix("/"))] = operation["value"]
        return found


def read_order(data: bytes) -> OrderText:
    """Read an order's page.

    Raises:
        ValueError: It is no such page.
    """
    top: dict[str, str] = {}
    rows: dict[str, list[dict[str, Any]]] = {"life": [], "writes": []}
    within = ""
    for line in data.decode().split("\n"):
        if line.startswith("#") or not line:
            continue
        name, colon, said = line.strip().removeprefix("- ").partition(":")
        if line.startswith(" "):
            _row(line, rows.get(within))
        elif not colon or name in top:
            raise ValueError(f"this is no line of an order's page: {harmless(line)}")
        else:
            within = name
            top[name] = unscalar(said.strip())
    return _made(top, rows)


def _row(line: str, rows: list[dict[str, Any]] | None) -> None:
    """Take a line of a list into its last row; lists that are not read are passed over."""
    if rows is None:
        return
    if line.startswith("  - "):
        rows.append({})
    if not rows:
        raise ValueError("a list begins in the middle of a row")
    if line.startswith("      - "):
        rows[-1].setdefault("accepted", []).append(unscalar(line.strip()[2:]))
        return
    name, colon, said = line.strip().removeprefix("- ").partition(":")
    if not colon:
        raise ValueError(f"this is no line of an order's page: {harmless(line)}")
    if name != "accepted":
        rows[-1][name] = unscalar(said.strip())


def _made(top: dict[str, str], rows: Mapping[str, list[dict[str, Any]]]) -> OrderText:
    try:
        body = json.loads(top["canonical"])
        order = OrderText(
            top=top,
            life=tuple(
                Happened(
                    at=datetime.fromisoformat(row["at"]),
                    event=Event(row["event"]),
                    by=row.get("by", ""),
                    name=row.get("name", ""),
                    why=row.get("why", ""),
                    accepted=tuple(row.get("accepted", ())),
                    signed=row.get("signed", ""),
                    proved=row.get("proved", ""),
                    over=row.get("over", ""),
                    baseline=row.get("baseline", ""),
                )
                for row in rows["life"]
            ),
            writes=tuple(rows["writes"]),
            body=body,
        )
        # Asked once here, so that whoever reads on meets no page without them.
        _ = (order.id, order.station, order.state, order.purpose, top["digest"], order.ordered())
    except KeyError as wrong:
        raise ValueError(f"{wrong} is missing") from wrong
    except (TypeError, AttributeError) as wrong:
        raise ValueError("what is canonical is not an order") from wrong
    return order


_SAME = ("site", "station", "baseline", "drawn-up", "cannot-wait", "undoes", "action", "ends")


def unlike(order: OrderText, path: str) -> Iterator[str]:
    """Say where a page is not what its digest stands for (RFC 8785; SHA-256).

    Args:
        order: The page.
        path: Where it stands in the records.
    """
    text = order.top["canonical"]
    try:
        if canonical(order.body).decode() != text:
            yield "what it calls canonical is not in canonical form (RFC 8785)"
    except rfc8785.CanonicalizationError:
        yield "what it calls canonical cannot be put into canonical form (RFC 8785)"
    found = hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()
    if found != order.top["digest"]:
        yield f"its digest is {harmless(order.top['digest'][:12])}…, but that of its canonical text is {found[:12]}…"
    if found[:10] != order.id:
        yield f"it is called {harmless(order.id)}, but its digest begins with {found[:10]}"
    year = str(order.body.get("drawn-up", ""))[:4]
    if path != f"orders/{year}/{found[:10]}.yaml":
        yield f"it stands in {harmless(path)}, where its digest and its year do not belong"
    yield from _unlike_body(order)
    yield from _unlived(order)


def _unlike_body(order: OrderText) -> Iterator[str]:
    # Long texts are cut on the page, as everything foreign is.
    for name in _SAME:
        if harmless(str(order.body.get(name, "")), longest=500) != order.top.get(name, ""):
            yield f"'{name}' on the page is not what was signed for"
    if harmless(str(order.body.get("serial", ""))) != order.top.get("serial", ""):
        yield "'serial' on the page is not what was signed for"
    if order.body.get("purpose", str(Purpose.RESTORE)) != order.top["purpose"]:
        yield "'purpose' on the page is not what was signed for"
    if [write.get("setting") for write in order.writes] != [*order.ordered()]:
        yield "the writes on the page are not those that were signed for"


def _unlived(order: OrderText) -> Iterator[str]:
    """Say where a life is not one that an order can have."""
    if not order.life or order.life[0].event is not Event.DRAW_UP:
        yield "its life does not begin with its being drawn up"
        return
    state = OrderState.DRAWN_UP
    for row in order.life[1:]:
        try:
            state = moved(state, row.event)
        except NoMove as wrong:
            yield f"its life cannot be: {wrong}"
            return
    if state is not order.state:
        yield f"it says that it is {order.state}, and by its life it is {state}"
    if order.state is OrderState.RESTORED:
        undone = [write["setting"] for write in order.writes if write.get("outcome") != "written"]
        if undone:
            yield f"it says that it is restored, and {harmless(undone[0])} was not written"
    elif order.wrote and not any(row.event is Event.BEGIN for row in order.life):
        yield "it has writes, and was never begun"
