"""What one commit made of an order's page and of as-found pages: nothing disappears, nothing changes unsaid."""

import re
from collections.abc import Iterator, Sequence
from datetime import timedelta

from asleft.domain.journal import Page, moves
from asleft.domain.names import harmless
from asleft.domain.orders import ENDS, Event, OrderState
from asleft.domain.proof.links import Link
from asleft.domain.proof.pages import OrderText
from asleft.domain.stations import StationId

__all__ = ["grown", "key_of", "out_of_time", "told", "trailers_unlike", "untold", "without_order"]

_GROWS = frozenset({"state", "outcome", "ended", "life", "writes"})
_DONE = re.compile(": (?:restored|set up|undone|lent|given back|returned to factory state)")
_SHOWN = 100
"""So many characters of a line are looked for in a message, whose subject is cut."""
_MORE = "more lines)"
_SECOND = timedelta(seconds=1)


def grown(before: OrderText | None, after: OrderText) -> Iterator[str]:
    """Say where an order's page is not what its last page may become."""
    if before is None:
        if after.wrote or any(row.event is Event.BEGIN for row in after.life):
            yield "it was written without being on record before: nobody's confirmation came first"
    else:
        if [row.lasting for row in after.life[: len(before.life)]] != [row.lasting for row in before.life]:
            yield "what had happened to it before was changed afterwards"
        elif before.state in ENDS:
            yield f"it was changed after it had ended as {before.state}"
        fixed = (
            {name: text for name, text in one.top.items() if name not in _GROWS} for one in (before, after)
        )
        if next(fixed) != next(fixed):
            yield "what is fixed when an order is drawn up was changed afterwards"
        begun = after.wrote or any(row.event is Event.BEGIN for row in after.life)
        was_begun = before.wrote or any(row.event is Event.BEGIN for row in before.life)
        if begun and not was_begun and before.state is not OrderState.CONFIRMED:
            yield "it was written, and no commit before this one has it confirmed"


def out_of_time(order: OrderText, link: Link) -> Iterator[str]:
    """Say where time runs backwards in an order's life, or beyond the commit that tells of it."""
    times = [row.at for row in order.life]
    if times != sorted(times):
        yield "time runs backwards in its life"
    if times and times[-1] > link.when + _SECOND:
        yield f"its life goes on until {times[-1]:%Y-%m-%d %H:%M:%S} UTC, after this commit was made"


def key_of(who: str) -> str:
    """Give the key of a person out of `Name (key)`; the text itself where it is nothing but a key."""
    return who[who.rfind("(") + 1 : -1] if who.endswith(")") and "(" in who else who


def trailers_unlike(link: Link, orders: Sequence[OrderText]) -> Iterator[str]:
    """Say where the trailers of a commit are not what the orders in it say."""
    if not orders and not link.named("Order"):
        return
    named, there = set(link.named("Order")), {order.id for order in orders}
    for one in sorted(named - there):
        yield f"its trailer names order {harmless(one)}, whose page it does not have"
    for one in sorted(there - named):
        yield f"it changed the page of order {harmless(one)}, and no trailer says so"
    if not orders:
        return
    said = [key_of(value) for value in link.named("Confirmed-By")]
    reasons = link.named("Reason")
    if not any(
        said == [row.by for row in order.confirmed]
        and reasons == list(dict.fromkeys(row.why for row in order.confirmed if row.why))
        for order in orders
    ):
        yield "its trailers Confirmed-By and Reason are not what the order's page says"
    if sorted(link.named("Baseline")) != sorted({order.top["baseline"] for order in orders}):
        yield "its trailer Baseline is not the revision that the order's page names"
    settings = {str(write["setting"]) for order in orders for write in order.writes}
    if settings != set(link.named("Setting")):
        yield "its trailers Setting are not what the order writes"
    if {str(order.station) for order in orders} != set(link.named("Station")):
        yield "its trailers Station are not where the order writes"


def without_order(link: Link) -> Iterator[str]:
    """Say where a commit tells of a write and names no order."""
    subject = link.told.partition("\n")[0]
    if _DONE.search(subject) and not link.named("Order") and link.named("Setting"):
        yield "it tells of a write, and no order stands behind it"


def told(order: OrderText, page: Page, station: StationId) -> Iterator[str]:
    """Say where a page that was changed together with an order's end does not have what the order wrote."""
    if order.station != station or order.state is not OrderState.RESTORED:
        return
    for write in order.writes:
        name, wanted = str(write["setting"]), write.get("to", "")
        found = page.settings.get(name)
        if found is not None and found != wanted:
            yield f"order {order.id} says that it wrote {harmless(name)} as {harmless(wanted)}, and as found is {harmless(found)}"


def untold(link: Link, station: StationId, before: Page | None, after: Page) -> Iterator[str]:
    """Say what changed on an as-found page without the commit telling of it."""
    if str(station) not in link.named("Station"):
        yield f"it changed the page of {station}, and no trailer says so"
    moved = moves(before, after)
    settings = {*link.named("Setting")} if moved and not link.named("Order") else None
    for move in moved:
        if settings is not None and "." in move.name and move.name not in settings:
            yield f"it changed {harmless(move.name)} of {station}, and no trailer Setting says so"
        line = harmless(str(move), longest=10_000)[:_SHOWN]
        if line not in link.told and _MORE not in link.told:
            yield f"it changed {harmless(move.name)} of {station} without saying so"
