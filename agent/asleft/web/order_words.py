"""The words of orders on the page; the command line says the same."""

from typing import Final

from asleft.domain.orders import ENDS, Event, OrderState, Purpose
from asleft.domain.profile import Stage
from asleft.ports.orders import Step, StepState

__all__ = [
    "AIMS",
    "GOING",
    "HALTED",
    "HAPPENED",
    "STAGES",
    "STATES",
    "STEPS",
    "SUGGESTED",
    "outcome_words",
    "step_words",
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
        "Have a round done, and see that nothing stands any more. What the agent cannot reach it says is unknown, never that it is"
        " fine."
    ),
    "Say below that you have looked, and what you found.",
)
"""As the guide for the technician on call has it."""
_NEW: Final = "draw up a new one at the station's page"


def outcome_words(state: OrderState, outcome: str) -> str:
    """Give what came of an order, without the state that stands beside it already."""
    return outcome.removeprefix(f"{state}: ")


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
