"""How orders are written down: one page each that tells its whole life, and the words of the commits."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from asleft.domain.canonical import canonical
from asleft.domain.journal import Message, Move, quoted, scalar, trailers
from asleft.domain.names import harmless
from asleft.domain.orders import Event, Moved, Order, OrderState, Purpose, confirmations

__all__ = [
    "Story",
    "WriteEnd",
    "drawn_message",
    "moved_message",
    "order_message",
    "order_page",
    "order_path",
    "signature_path",
    "signed_path",
]

_LONGEST = 500
_LISTED = 200
"""So many stations are named in the body of one commit."""


@dataclass(frozen=True, kw_only=True, slots=True)
class WriteEnd:
    """What became of one write: a word, and what the station holds now."""

    setting: str
    outcome: str
    read_back: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Story:
    """What became of an order so far.

    Args:
        state: Where it is in its life.
        life: What happened to it.
        names: Name of each person in it, by key.
        outcome: What came of it; empty until it ended.
        ended: When it ended, UTC; None until then.
        writes: What became of its writes.
        group: The group that it belongs to; empty where it is on its own.
    """

    state: OrderState
    life: tuple[Moved, ...]
    names: Mapping[str, str]
    outcome: str = ""
    ended: datetime | None = None
    writes: tuple[WriteEnd, ...] = ()
    group: str = ""

    def who(self, key: str) -> str:
        """Give a person as `Name (key)`, the agent where nobody is named."""
        if not key:
            return "the agent"
        name = self.names.get(key, "")
        return f"{name} ({key})" if name else harmless(key)


def order_path(order: Order) -> str:
    """Give the path of an order's page in the records."""
    return f"orders/{order.drawn_up:%Y}/{order.id}.yaml"


def signed_path(name: str, year: int) -> str:
    """Give the path of the bytes that were signed: of an order or a group, in canonical form (RFC 8785)."""
    return f"signed/{year:04}/{name}.json"


def signature_path(name: str, year: int, person: str) -> str:
    """Give the path of a person's signature under those bytes, beside them, as OpenSSH wrote it."""
    return f"signed/{year:04}/{name}.{person}.sig"


def order_page(order: Order, story: Story) -> bytes:
    """Write an order down with all that became of it; its digest can be checked from the page alone."""
    lines = [
        f"# Order {order.id}. The digest is the SHA-256 of the text in canonical (RFC 8785).",
        f"order: {scalar(order.id)}",
        f"digest: {order.digest}",
        f"purpose: {order.purpose}",
        f"state: {story.state}",
        f"outcome: {scalar(story.outcome)}",
        f"site: {scalar(order.station.site)}",
        f"station: {scalar(order.station.name)}",
        f"serial: {scalar(harmless(order.serial))}",
        f"baseline: {scalar(order.baseline)}",
        f"drawn-up: {scalar(_stamp(order.drawn_up))}",
    ]
    lines += [f"{name}: {scalar(text)}" for name, text in _more(order, story) if text]
    lines += ["life:", *(line for move in story.life for line in _life(move, story))]
    lines += ["writes:" if order.writes else "writes: []", *_writes(order, story)]
    if order.left_alone:
        lines.append("left-alone:")
        lines += [f"  {scalar(name)}: {scalar(why)}" for name, why in order.left_alone]
    lines.append(f"canonical: {quoted(canonical(order.body()).decode())}")
    return ("\n".join(lines) + "\n").encode()


def _more(order: Order, story: Story) -> Iterator[tuple[str, str]]:
    yield "ended", _stamp(story.ended) if story.ended else ""
    yield "group", story.group
    yield "cannot-wait", harmless(order.cannot_wait, longest=_LONGEST)
    yield "undoes", order.undoes
    yield "action", order.action
    yield "ends", _stamp(order.ends) if order.ends else ""


def _life(move: Moved, story: Story) -> Iterator[str]:
    yield f"  - at: {scalar(_stamp(move.at))}"
    yield f"    event: {move.event}"
    if move.by:
        yield f"    by: {scalar(harmless(move.by))}"
        yield f"    name: {scalar(story.names.get(move.by, ''))}"
    if move.why:
        yield f"    why: {scalar(harmless(move.why, longest=_LONGEST))}"
    if move.accepted:
        yield "    accepted:"
        yield from (f"      - {scalar(harmless(hazard))}" for hazard in move.accepted)
    if move.signed:
        yield f"    signed: {scalar(harmless(move.signed))}"
    if move.proved:
        yield f"    proved: {scalar(harmless(move.proved))}"
    if move.over:
        yield f"    over: {scalar(move.over)}"
    if move.baseline:
        yield f"    baseline: {scalar(move.baseline)}"


def _writes(order: Order, story: Story) -> Iterator[str]:
    ends = {write.setting: write for write in story.writes}
    for write in order.writes:
        became = ends.get(write.setting)
        before, after = write.shown
        yield f"  - setting: {write.setting}"
        yield f"    from: {scalar(before)}"
        yield f"    to: {scalar(after)}"
        yield f"    outcome: {scalar(became.outcome if became else 'not begun')}"
        yield f"    read-back: {scalar(became.read_back if became else '')}"


_DONE = {
    Purpose.RESTORE: "restored",
    Purpose.SET_UP: "set up",
    Purpose.UNDO: "undone",
    Purpose.LEND: "lent",
    Purpose.GIVE_BACK: "given back",
    Purpose.FACTORY: "returned to factory state",
}


def order_message(order: Order, story: Story, moved: Sequence[Move]) -> Message:
    """Say how an order ended."""
    done = [f"{write.setting} {write.shown[0]} → {write.shown[1]}" for write in order.writes]
    if story.state is OrderState.RESTORED:
        what = done[0] if len(done) == 1 else f"{len(done)} settings"
        subject = f"{order.station}: {_DONE[order.purpose]}{f' {what}' if done else ''}"
    else:
        subject = f"{order.station}: order {order.id} {story.state}"
    body = "\n".join(
        [story.outcome, "", *(f"ordered: {line}" for line in done), *(f"found: {move}" for move in moved)]
    )
    settings = [write.setting for write in order.writes]
    return Message(
        subject=subject, body=body, trailers=trailers([order.station], settings, *_signs([order], story))
    )


_ACTS = frozenset({Event.LOOK, Event.WITHDRAW})
"""What a person does to an order besides confirming it."""


def _signs(orders: Iterable[Order], story: Story) -> Iterator[tuple[str, str]]:
    listed = [*orders]
    yield from (("Order", order.id) for order in listed)
    if story.group:
        yield ("Group", story.group)
    confirmed = confirmations(story.life)
    last = story.life[-1] if story.life else None
    if last is not None and last.event in _ACTS:
        yield ("By", story.who(last.by))
    yield from (("Confirmed-By", story.who(move.by)) for move in confirmed)
    yield from (("Reason", reason) for reason in dict.fromkeys(move.why for move in confirmed) if reason)
    yield from (("Baseline", baseline) for baseline in sorted({order.baseline for order in listed}))


def drawn_message(orders: Sequence[Order], story: Story) -> Message:
    """Say that orders were drawn up together."""
    by = story.life[0].by if story.life else ""
    who = f" by {story.who(by)}" if by else ""
    return _together(orders, story, f"drawn up{who}", story.life[0].why if story.life else "")


_WORDS = {
    Event.AGREE: "confirmed by {who}, one of two",
    Event.CONFIRM: "confirmed by {who}",
    Event.TURN_AWAY: "not confirmed, for a confirmation by {who} does not count",
    Event.LOOK: "looked at by {who}, after it was halted",
}


def moved_message(orders: Sequence[Order], story: Story) -> Message:
    """Say what happened to orders that have not ended, by the last move of their life."""
    move = story.life[-1]
    return _together(orders, story, _WORDS[move.event].format(who=story.who(move.by)), move.why)


def _together(orders: Sequence[Order], story: Story, did: str, why: str) -> Message:
    stations = [order.station for order in orders]
    if len(orders) == 1:
        subject = f"{stations[0]}: order {orders[0].id} {did}"
    else:
        sites = sorted({station.site for station in stations})
        subject = f"{', '.join(sites[:4])}: {len(orders)} orders {did}"
    lines = [
        f"{order.station}: {order.purpose}, order {order.id}, {_writes_words(order)}"
        for order in orders[:_LISTED]
    ]
    lines += [f"and {len(orders) - _LISTED} more"] if len(orders) > _LISTED else []
    settings = sorted({write.setting for order in orders for write in order.writes})
    body = "\n".join([*([harmless(why, longest=_LONGEST), ""] if why else []), *lines])
    return Message(subject=subject, body=body, trailers=trailers(stations, settings, *_signs(orders, story)))


def _writes_words(order: Order) -> str:
    return "1 write" if len(order.writes) == 1 else f"{len(order.writes)} writes"


def _stamp(at: datetime) -> str:
    return at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
