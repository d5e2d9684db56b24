"""How orders are shown: as drawn up, what they wait for, how they ended; one by one and together."""

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from shlex import quote
from typing import TYPE_CHECKING

from asleft.cli.output import clock_time, note, paint, safe, say, table
from asleft.domain.names import listed

if TYPE_CHECKING:
    from asleft.domain.hazards import Hazard
    from asleft.domain.orders import Moved, Order, Write
    from asleft.ports.orders import KeptOrder
    from asleft.work.outlook import Outlook

__all__ = [
    "confirm_with",
    "order_json",
    "outlook_json",
    "rises",
    "tell_end",
    "tell_ends",
    "tell_full",
    "tell_group",
    "tell_order",
    "tell_waiting",
]

_FEW_STEPS = 8
# By their words, for the house is loaded only where it is needed.
_AIMS = {
    "restore": "bring it back as left",
    "set up": "set it up",
    "undo": "undo what was done",
    "lend": "lend it",
    "give back": "give it back",
    "factory state": "return it to factory state",
}
_HAPPENED = {
    "draw up": "drawn up",
    "agree": "confirmed, one of two",
    "turn away": "a confirmation that does not count",
    "confirm": "confirmed",
    "begin": "begun",
    "finish": "finished",
    "refuse": "refused",
    "lapse": "lapsed",
    "withdraw": "withdrawn",
    "put back": "put back",
    "halt": "halted",
    "look": "the station looked at",
}


def order_json(kept: "KeptOrder") -> dict[str, object]:
    """Give an order and what became of it as JSON holds it."""
    from asleft.work.order_data import order_data  # noqa: PLC0415 keeps --help quick

    return order_data(kept)


def outlook_json(outlook: "Outlook | None") -> dict[str, object]:
    """Give how an order or a group goes on as JSON holds it; nothing where that is not known."""
    from asleft.work.order_data import group_data  # noqa: PLC0415 keeps --help quick

    if outlook is None:
        return {}
    group = outlook.group
    return {
        "waits": outlook.together,
        "may-confirm": outlook.able,
        "group": None if group is None else group_data(group),
    }


# As drawn up.


def tell_order(
    kept: "KeptOrder", home: Path, outlook: "Outlook | None" = None, *, waited: bool = False
) -> None:
    """Say what an order would do, what can go wrong, what it waits for, and how it is confirmed.

    `waited` says that it waited already, so that none was drawn up.
    """
    if waited:
        say(f"This order for {kept.order.station} waits already, and none was drawn up anew.")
    _tell_head(kept)
    _tell_writes(kept.order)
    _tell_hazards([kept.order])
    if outlook is not None:
        tell_waiting(outlook)
    say(f"Confirm with: {confirm_with(kept.id, [kept.order], home)}", "")


def _tell_head(kept: "KeptOrder") -> None:
    order = kept.order
    say(
        f"Order {paint(order.id, 'strong')} for {order.station}, serial {safe(order.serial)}, to"
        f" {_AIMS.get(order.purpose, order.purpose)}{f' (order {order.undoes})' if order.undoes else ''};"
        f" lapses {clock_time(order.lapses)}"
    )
    if order.cannot_wait:
        say(f"  cannot wait: {safe(order.cannot_wait)}")
    if order.action:
        say(f"  the station is told to do: {safe(order.action)}")


def _tell_writes(order: "Order") -> None:
    rows = [(write.setting, write.shown[0], "→", write.shown[1], _way(write)) for write in order.writes]
    say(*table(rows, indent="  "))
    for name, reason in order.left_alone:
        say(f"  left alone: {name}, {safe(reason)}")


def _way(write: "Write") -> str:
    """Say by which values a rise goes; they are in the unit of the two ends."""
    if not write.through:
        return ""
    values = [f"{value:g}" if isinstance(value, float) else str(value) for value in write.through]
    shown = values if len(values) <= _FEW_STEPS else [*values[:3], "…", values[-1]]
    return f"in {len(write.path)} steps, by {', '.join(shown)}"


def _tell_hazards(orders: "Sequence[Order]") -> None:
    """Say each hazard once, and how often it is there."""
    for name, places in _hazards(orders):
        hazard = places[0][1]
        at = f" at {len(places)} stations; at {places[0][0].station}" if len(places) > 1 else ""
        say(f"  hazard {paint(name, 'high')}{at}: {safe(hazard.words)}", f"      {safe(hazard.caution)}")


def _hazards(orders: "Sequence[Order]") -> "Iterator[tuple[str, tuple[tuple[Order, Hazard], ...]]]":
    from asleft.domain.groups import hazards_together  # noqa: PLC0415 keeps --help quick

    return hazards_together(orders)


def tell_waiting(outlook: "Outlook") -> None:
    """Say what an order or a group waits for, and who can confirm it."""
    for words in outlook.together:
        say(f"Waits for {safe(words)}.")
    if any(kept.state == "drawn up" for kept in outlook.kepts):
        able = safe(listed(outlook.able, "person", "people", longest=1800))
        say(f"Who may confirm: {able}." if able else "Nobody else in people.yaml may confirm it.")


def confirm_with(name: str, orders: "Sequence[Order]", home: Path) -> str:
    """Give the command that confirms an order or a group."""
    accepts = "".join(f" --accept {quote(hazard)}" for hazard, _ in _hazards(orders))
    return f"asleft confirm {name} --home {quote(str(home))} --by NAME --reason TEXT{accepts}"


def tell_group(outlook: "Outlook", home: Path) -> None:
    """Say what the orders of a group would do, station by station, and how they are confirmed together."""
    group = outlook.group
    if group is None:
        return
    orders = [kept.order for kept in outlook.kepts]
    lapses = min(order.lapses for order in orders)
    say(
        f"Group {paint(group.id, 'strong')}: {len(orders)} orders, each to {_AIMS.get(orders[0].purpose, orders[0].purpose)};"
        f" lapses {clock_time(lapses)}"
    )
    if orders[0].cannot_wait:
        say(f"  cannot wait: {safe(orders[0].cannot_wait)}")
    rows = [
        (
            str(kept.order.station),
            kept.id,
            _count(len(kept.order.writes), "write"),
            _count(len(kept.order.hazards), "hazard") if kept.order.hazards else "no hazard",
            "" if kept.outcome == "" else str(kept.state),
            "first, and alone" if place == 0 else "",
        )
        for place, kept in enumerate(outlook.kepts)
    ]
    say(*table(rows, indent="  "))
    _tell_hazards(orders)
    share = group.stop_share
    stops = (
        f"once {100 * share:.0f} % of the stations went wrong"
        if share
        else "at the first station that goes wrong"
    )
    say(f"The first station is looked at before the others follow. It stops {stops}.")
    tell_waiting(outlook)
    say(
        f"One order in full: asleft orders {orders[0].id} --home {quote(str(home))}",
        f"Confirm all with: {confirm_with(group.id, orders, home)}",
        "",
    )


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


# On the way.


def rises(outlook: "Outlook") -> list[str]:
    """Say what goes up at the ear, and how; nothing where nothing does."""
    if not outlook.last:
        return []
    lines: list[str] = []
    stepwise = False
    for kept in outlook.kepts:
        order = kept.order
        raised = {hazard.setting for hazard in order.hazards if hazard.is_hearing}
        for write in order.writes if kept.state == "drawn up" else ():
            if write.setting in raised:
                stepwise = stepwise or bool(write.through)
                steps = f"in {len(write.path)} steps" if write.through else "in one step"
                change = f"{write.shown[0]} → {write.shown[1]}"
                lines.append(f"  {order.station}: {write.setting} goes {change} {steps}")
    if lines:
        rest = outlook.rest.total_seconds()
        pause = f", with a pause of {rest:g} s between two steps" if stepwise and rest else ""
        more = [f"  and {len(lines) - _FEW_STEPS} more"] if len(lines) > _FEW_STEPS else []
        return [f"Have the earphones out now: it goes up{pause}.", *lines[:_FEW_STEPS], *more]
    if any(kept.order.action and kept.state == "drawn up" for kept in outlook.kepts):
        return ["Have the earphones out now: the station comes up as the factory left it."]
    return []


# As it ended.


def tell_end(kept: "KeptOrder") -> None:
    """Say how an order ended."""
    order = kept.order
    say(f"{order.station}: order {order.id} is {paint(kept.state, 'strong')}: {safe(_outcome(kept))}")
    rows = [(step.setting, str(step.state), f"reads {step.note}" if step.note else "") for step in kept.steps]
    say(*table(rows, indent="  "))
    _tell_halted([kept])


def tell_ends(kepts: "Iterable[KeptOrder]") -> None:
    """Say how the orders of a group ended, in one line, and name those that did not end well."""
    listed = list(kepts)
    counts: dict[str, int] = {}
    for kept in listed:
        counts[str(kept.state)] = counts.get(str(kept.state), 0) + 1
    said = ", ".join(f"{count} {state}" for state, count in counts.items())
    say(f"{len(listed)} orders: {said}.")
    _tell_halted(listed)


def _tell_halted(kepts: "Sequence[KeptOrder]") -> None:
    halted = [str(kept.order.station) for kept in kepts if kept.state == "halted"]
    if halted:
        note(
            f"asleft: HALTED at {', '.join(halted)}. Nobody should play there before a person has looked at it."
        )


def tell_full(outlook: "Outlook", home: Path) -> None:
    """Say all that is known of one order."""
    (kept,) = outlook.kepts
    order = kept.order
    _tell_head(kept)
    say(f"  is {paint(kept.state, 'strong')}{f': {safe(_outcome(kept))}' if kept.outcome else ''}")
    if kept.group:
        say(f"  one of group {kept.group}")
    if kept.due is not None:
        say(f"  it has until {clock_time(kept.due)} to answer at its new address, or this is undone")
    _tell_writes(order)
    _tell_hazards([order])
    say("Its life:", *(f"  {line}" for move in kept.life for line in _life(move)))
    if kept.steps:
        rows = [(step.setting, str(step.state), step.note) for step in kept.steps]
        say("Its writes so far:", *table(rows, indent="  "))
    tell_waiting(outlook)
    if kept.state == "drawn up":
        say(f"It waits until {clock_time(order.lapses)}, then it lapses.")
        name = outlook.group.id if outlook.group else order.id
        orders = [order]
        if not outlook.group:
            say(f"Confirm with: {confirm_with(name, orders, home)}")
        else:
            say(f"It is confirmed with its group: asleft orders {name} --home {quote(str(home))}")


def _outcome(kept: "KeptOrder") -> str:
    """Give what came of an order, without the state that stands beside it already."""
    return kept.outcome.removeprefix(f"{kept.state}: ")


def _life(move: "Moved") -> Iterator[str]:
    who = f" by {safe(move.by)}" if move.by else ""
    happened = _HAPPENED.get(move.event, move.event)
    why = f": {safe(move.why.removeprefix(f'{happened}: '))}" if move.why else ""
    yield f"{clock_time(move.at)}  {happened}{who}{why}"
    if move.accepted:
        yield f"    took on {safe(', '.join(move.accepted))}"
    if move.signed:
        yield f"    signed with {safe(move.signed)}"
    if move.proved:
        yield f"    proved by {safe(move.proved)}"
