"""What a change of the rules about orders does: what is asked of people from now on, and what may be written when."""

from collections.abc import Iterator
from datetime import timedelta

from asleft.domain.order_rules import OrderRules, Two

__all__ = ["moves_of_rules"]

_TWO = {
    Two.HEARING: "a hearing rise",
    Two.ADDRESS: "another address of a station",
    Two.MANY: "an order over many stations",
    Two.CANNOT_WAIT: "what cannot wait",
    Two.FACTORY: "a factory state",
}


def moves_of_rules(before: OrderRules, after: OrderRules) -> Iterator[str]:
    """Say what changes between the rules of two revisions, a sentence each.

    Args:
        before: The rules before.
        after: The rules after.
    """
    yield from _moved(
        "the time in which a restore order must be confirmed", _time(before.lapse), _time(after.lapse)
    )
    for two in Two:
        if before.asks_two(two) != after.asks_two(two):
            people = "two people" if after.asks_two(two) else "one person"
            yield f"{_TWO[two]} is confirmed by {people} from now on; until now by {'one' if after.asks_two(two) else 'two'}"
    yield from _moved(
        "the number of stations above which an order is one over many", str(before.many), str(after.many)
    )
    yield from _moved(
        "the time before and after a performance in which nothing is written",
        _time(before.margin),
        _time(after.margin),
    )
    if before.lights != after.lights:
        yield (
            "lights may be written during performances from now on"
            if after.lights
            else "lights may no longer be written during performances"
        )
    if before.signed != after.signed:
        yield (
            "only signed confirmations count from now on"
            if after.signed
            else "confirmations need no signature any more"
        )
    yield from _moved(
        "what asks whoever confirms for a passkey or a signature", before.second_factor, after.second_factor
    )
    yield from _moved("the highest step of a rise", f"{before.rise:g} dB", f"{after.rise:g} dB")
    yield from _moved("the pause after each step of a rise", _time(before.rest), _time(after.rest))
    yield from _moved(
        "the time in which a station must be reached at a new address",
        _time(before.reach),
        _time(after.reach),
    )
    yield from _moved("the number of stations that are written at once", str(before.wave), str(after.wave))


def _time(span: timedelta) -> str:
    seconds = span.total_seconds()
    return f"{seconds:g} s" if seconds % 60 else f"{seconds / 60:g} min"


def _moved(what: str, before: str, after: str) -> Iterator[str]:
    if before != after:
        yield f"{what} is now {after}; until now {before}"
