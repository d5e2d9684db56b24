"""The words of orders on the page; the command line says the same."""

from collections.abc import Callable, Sequence
from typing import Final

from asleft.domain.orders import ENDS, Event, OrderState, Purpose
from asleft.domain.profile import Stage
from asleft.ports.orders import KeptOrder, Step, StepState

__all__ = [
    "AIMS",
    "GOING",
    "HALTED",
    "HAPPENED",
    "STAGES",
    "STATES",
    "STEPS",
    "SUGGESTED",
    "gone_on_words",
    "outcome_words",
    "step_words",
    "taken_words",
    "todo_for_page",
]

AIMS: Final = {
    Purpose.RESTORE: "bring it back as left",
    Purpose.SET_UP: "set it up",
    Purpose.UNDO: "undo what was done",
    Purpose.LEND: "lend it",
    Purpose.GIVE_BACK: "give it back",
    Purpose.FACTORY: "return it to factory state",
}
STATES: Final = {
    OrderState.DRAWN_UP: "waiting",
    OrderState.CONFIRMED: "confirmed, waiting for its turn",
    OrderState.UNDER_WAY: "being carried out",
    OrderState.RESTORED: "restored",
    OrderState.REFUSED: "refused",
    OrderState.LAPSED: "lapsed",
    OrderState.HALTED: "halted",
}
GOING: Final = frozenset({OrderState.CONFIRMED, OrderState.UNDER_WAY})
"""States of an order that is being carried out."""
HAPPENED: Final = {
    Event.DRAW_UP: "drawn up",
    Event.AGREE: "confirmed, one of two",
    Event.TURN_AWAY: "a confirmation that does not count",
    Event.CONFIRM: "confirmed",
    Event.BEGIN: "begun",
    Event.FINISH: "finished",
    Event.REFUSE: "refused",
    Event.LAPSE: "lapsed",
    Event.WITHDRAW: "withdrawn",
    Event.PUT_BACK: "put back",
    Event.HALT: "halted",
    Event.LOOK: "the station looked at",
}
STAGES: Final = {
    Stage.REDUCE: "makes it quieter",
    Stage.PATCH: "patch",
    Stage.RAISE: "raises a level",
    Stage.ACCESS: "access and lights",
    Stage.ADDRESS: "address, last",
}
STEPS: Final = {
    StepState.WRITTEN: "written",
    StepState.REFUSED: "refused",
    StepState.PUT_BACK: "put back",
}
SUGGESTED: Final = {
    Purpose.RESTORE: (
        "back as approved",
        "back as approved, nobody asked for the change",
        "the player asked for it back",
        "before doors",
        "after line check",
    ),
    Purpose.SET_UP: ("after the unit was exchanged", "after factory state", "a unit that is new here"),
    Purpose.UNDO: ("back to what was there", "the player wants it as it was", "it was the wrong station"),
    Purpose.LEND: ("as it was asked for", "for a technician who works on it", "for the get-in"),
    Purpose.GIVE_BACK: ("it is no longer needed", "the time is over", "before doors"),
    Purpose.FACTORY: ("it is set up anew", "the unit leaves the house", "before its repair"),
}
"""Reasons that a person may take as they stand, by what an order is for; the first one is set.

What is set goes into the records of whoever confirms without looking: for a restore it claims no more than the order does.
"""
HALTED: Final = (
    "Read the sentence above to its end: it says what was being done, what stands now, and what could not be put back.",
    "Mute the station at its panel, or unplug the earphones. Tell the player.",
    "See the station's page: it puts as left beside as found, as far as the station still answers.",
    (
        "Where the sentence names two addresses, look for the station at both; if it is at neither, go there with a cable, or set"
        " the address at its panel. Racks, mains and ladders are for people trained for them; in a blackout wait for the light."
    ),
    "Set by hand what is not right, from the safe side: limiter and mutes first, levels last, from silence.",
    (
        "See that nothing stands any more: the next round reads it, and Now says when the last one was. What the agent cannot reach"
        " it says is unknown, never that it is fine."
    ),
    "Say below that you have looked, and what you found.",
)
"""As the guide for the technician on call has it, but that a page cannot have a round done."""
_NEW: Final = "draw up a new one at the station's page"


def outcome_words(state: OrderState, outcome: str) -> str:
    """Give what came of an order, without the state that stands beside it already."""
    return outcome.removeprefix(f"{state}: ")


def gone_on_words(kepts: Sequence[KeptOrder], me: str, name: Callable[[str], str]) -> str:
    """Say what became of orders that wait no more, to a person whose form still offered something.

    Args:
        kepts: The order, or those of a group, of which nothing is told but in which state they are.
        me: Key of the person.
        name: Gives a person's name by the key.
    """
    by = next((kept.by for kept in kepts if kept.by), "")
    confirmed = f"{name(by)} confirmed it before you. " if by else ""
    if by == me:
        confirmed = "You have confirmed it already. "
    kept = next((one for one in kepts if one.state is OrderState.UNDER_WAY), kepts[0])
    if kept.state not in GOING and any(one.state is not kept.state for one in kepts):
        return f"{confirmed}Below stands what became of each station. Nothing is done twice."
    withdrawn = [move for one in kepts for move in one.life if move.event is Event.WITHDRAW]
    if len({move.by for move in withdrawn}) == 1 and len(withdrawn) == len(kepts):
        who = withdrawn[0].by
        return f"{'You' if who == me else name(who)} withdrew it; nothing was written."
    if kept.state is OrderState.LAPSED:
        return "It lapsed; nothing was written."
    if kept.state is OrderState.REFUSED and len(kepts) == 1 and kept.outcome:
        return f"{confirmed}It is refused: {outcome_words(kept.state, kept.outcome)}."
    if kept.state is OrderState.REFUSED:
        return f"{confirmed}It is refused; every station is as it was found."
    if kept.state is OrderState.HALTED:
        return f"{confirmed}It is halted: below stands what to do. Nothing is done twice."
    return f"{confirmed}It is {STATES[kept.state]}. Nothing is done twice."


def taken_words(kepts: Sequence[KeptOrder]) -> str:
    """Say what came at once of a confirmation, to who gave it: who does not see the page hears that first.

    Args:
        kepts: The order, or those of a group, of which nothing is told but in which state they are.
    """
    states = {kept.state for kept in kepts}
    if OrderState.HALTED in states:
        return "It is halted: nobody plays there before a person has looked. Below stands what to do."
    if states & GOING:
        return "It is confirmed and being carried out. Below stands how far it has come."
    if OrderState.DRAWN_UP in states:
        return "Your confirmation counts. It waits for a second person."
    if states == {OrderState.RESTORED}:
        return "Done: every write was read back as ordered."
    return "It has ended. Below stands what came of it."


def todo_for_page(todo: str) -> str:
    """Give what to do in the page's own words, where the sentence was made for the command line."""
    if "--cannot-wait" in todo:
        return (
            "wait for its end; what cannot wait is drawn up anew with its reason, and two people confirm it"
        )
    if "asleft restore" in todo:
        return _NEW
    if "asleft orders" in todo or "--" in todo:
        return "load this page again, and look"
    return todo


def step_words(state: OrderState, step: Step | None) -> str:
    """Say how it stands with a write of an order that is in a state; empty while it waits for people."""
    if step is None:
        if state in ENDS:
            return "not written"
        return "to come" if state in GOING else ""
    if step.state is StepState.MEANT:
        going = f": {step.going}" if step.going else ""
        return (
            f"being written{going}"
            if state is OrderState.UNDER_WAY
            else "sent; whether it was taken is not known"
        )
    return STEPS[step.state]
