"""What the page tells of orders and groups, as values: frozen, ready to be shown, with no question left open."""

from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Self

from asleft.domain.withheld import Withheld
from asleft.work.handing import Handed

__all__ = [
    "Confirm",
    "Ears",
    "First",
    "Given",
    "GroupPage",
    "Happened",
    "Ice",
    "Member",
    "OrderPage",
    "PasskeyAsk",
    "Rise",
    "Row",
    "Tick",
    "Trouble",
    "Waits",
]


@dataclass(frozen=True, kw_only=True, slots=True)
class Given:
    """What a person typed and ticked.

    Args:
        reason: Why, in own words.
        accepted: Ids of the hazards that were ticked.
        signature: What stands in the field for a signature.
        suggested: Which of the suggested reasons was chosen; empty where none was.
    """

    reason: str = ""
    accepted: tuple[str, ...] = ()
    signature: str = ""
    suggested: str = ""

    @property
    def why(self) -> str:
        """The reason that counts: own words where there are some, else the chosen ones exactly as they were shown."""
        return self.reason if self.reason.strip() else self.suggested


@dataclass(frozen=True, kw_only=True, slots=True)
class Trouble:
    """Why a confirmation was not taken, or what went wrong behind it.

    Args:
        what: What is wrong.
        todo: What to do; may be empty.
        at: The field that it is about: `reason`, `hazards`, `signature`, `passkey`, or nothing for all of it.
        late: Whether the order had gone on by then.
    """

    what: str
    todo: str = ""
    at: str = ""
    late: bool = False

    def told(self, withheld: Withheld) -> Self:
        """Give it as far as it may be told."""
        return replace(self, what=withheld.say(self.what), todo=withheld.say(self.todo))

    @property
    def stop(self) -> str:
        """The full stop behind it; none where it ends in a question."""
        return "" if (self.todo or self.what).endswith(("?", ".")) else "."


@dataclass(frozen=True, kw_only=True, slots=True)
class Tick:
    """A hazard with the box that takes it on; the sentence is the box's label, the caution stands beside it."""

    field: str
    id: str
    words: str
    caution: str
    hearing: bool
    ticked: bool
    missing: bool
    at: str
    others: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Rise:
    """What goes up at the ear."""

    station: str
    setting: str
    before: str
    after: str
    steps: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Ears:
    """Why the earphones must be out.

    Args:
        now: Whether the next confirmation is enough, so that it goes up at once.
        factory: Whether the station comes up as the factory left it.
        rises: What goes up.
        rest: Seconds of pause between two steps; 0 where nothing goes by steps.
    """

    now: bool
    factory: bool
    rises: tuple[Rise, ...]
    rest: float


@dataclass(frozen=True, kw_only=True, slots=True)
class PasskeyAsk:
    """A passkey that is asked for with a confirmation.

    Args:
        name: Id by which the orders are confirmed.
        why: For what the estate asks for it.
        begin: Where a script asks what the passkey is to sign.
        count: How many passkeys the person has; None where the page can have none.
    """

    name: str
    why: str
    begin: str
    count: int | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Confirm:
    """The form of a confirmation.

    Args:
        to: Where it is sent.
        words: What the button says.
        hazards: Each with its box.
        given: What was typed before.
        trouble: Why that was not taken; None where nothing was given yet.
        suggestions: Short reasons.
        signed: Whether only signed confirmations count.
        canonical: Where the bytes are that a signature signs.
        file: How those bytes are called once they are saved.
        passkey: The passkey that is asked for; None where none is.
    """

    to: str
    words: str
    hazards: tuple[Tick, ...]
    given: Given
    trouble: Trouble | None
    suggestions: tuple[str, ...]
    signed: bool
    canonical: str
    file: str
    passkey: PasskeyAsk | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Ice:
    """Until when nothing is written, and why."""

    site: str
    until: datetime
    why: str
    on: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class First:
    """Somebody who has confirmed."""

    name: str
    at: datetime
    why: str
    accepted: tuple[str, ...]
    signed: str
    proved: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Waits:
    """What an order waits for, and who can move it on.

    Args:
        things: What it waits for.
        able: Who may confirm.
        first: Who has confirmed.
        frozen: Freezes that keep it from being written now.
        lapses: When it lapses.
        ears: Why the earphones must be out; None where nothing goes up.
        hands: What the station hands to who confirms now, as `id` and `password`; mostly nothing.
        form: The form; None where this person cannot confirm it now.
        why_not: Why not; empty where there is a form.
        anew: Path of the station at which the viewer may have it drawn up anew; empty where nothing is to be.
    """

    things: tuple[str, ...]
    able: tuple[str, ...]
    first: tuple[First, ...]
    frozen: tuple[Ice, ...]
    lapses: datetime
    ears: Ears | None
    hands: tuple[str, ...]
    form: Confirm | None
    why_not: str
    anew: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Row:
    """One write, and how far it has come."""

    number: int
    setting: str
    meaning: str
    before: str
    after: str
    through: tuple[str, ...]
    stage: str
    rise: bool
    state: str
    read: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Happened:
    """One thing in the life of an order."""

    at: datetime
    what: str
    by: str
    why: str
    accepted: tuple[str, ...]
    signed: str
    proved: str


@dataclass(frozen=True, kw_only=True, slots=True)
class OrderPage:
    """One order.

    Args:
        going: Whether it is confirmed or under way.
        taking: Whether a confirmation is being taken just now.
        done: How many writes are written.
        progress: Which step of a rise is being made, setting by setting; mostly nothing.
        hands: What the station hands to who confirms it; mostly nothing.
        handed: What it has just handed to this person, for this one answer; None in every other.
        open_now: Whether what it lent is lent still.
        waits: What it waits for; None where it does not.
        undoable: Whether an order that undoes it can be drawn up, and the viewer may have it.
        trouble: What went wrong behind a confirmation, where the order had gone on.
        undo_trouble: Why no order that undoes it could be drawn up.
        cannot_wait: What was typed there.
        behind: Id of the set-up that was drawn up behind a factory state.
        after_halt: What to do where it was halted.
        calls: Whether it was halted, and nobody has looked at the station since.
        look: Whether the viewer may say that they have.
        look_trouble: Why that was not taken.
        look_given: What was typed there.
        withdrawable: Whether the viewer may take it back.
        history: Path of the history of its station in those days.
    """

    id: str
    station: str
    zone: str
    purpose: str
    aim: str
    serial: str
    state: str
    words: str
    outcome: str
    ended: datetime | None
    by: str
    drawn_up: datetime
    cannot_wait_why: str
    action: str
    action_state: str
    undoes: str
    lent_until: datetime | None
    group: str
    rows: tuple[Row, ...]
    hazards: tuple[Tick, ...]
    left_alone: tuple[tuple[str, str], ...]
    life: tuple[Happened, ...]
    going: bool
    taking: bool
    done: int
    progress: tuple[str, ...]
    hands: tuple[str, ...]
    handed: Handed | None = field(repr=False)
    open_now: bool
    due: datetime | None
    waits: Waits | None
    undoable: bool
    trouble: Trouble | None
    undo_trouble: Trouble | None
    cannot_wait: str
    behind: str
    after_halt: tuple[str, ...]
    calls: bool
    look: bool
    look_trouble: Trouble | None
    look_given: str
    withdrawable: bool
    history: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Member:
    """One order of a group."""

    id: str
    station: str
    place: str
    rows: tuple[Row, ...]
    hazards: int
    state: str
    words: str
    outcome: str
    done: int


@dataclass(frozen=True, kw_only=True, slots=True)
class GroupPage:
    """A group.

    Args:
        hidden: How many of its stations stand where the viewer may not look.
        counts: States in words, each with how many orders are in it.
        stops: When it stops by itself.
        stoppable: Whether something is left that the viewer may keep from being begun.
        waits: What it waits for; None where nothing of it does.
        trouble: What went wrong behind a confirmation, where the group had gone on.
        halted: Stations at which an order was halted, and nobody has looked since.
        withdrawable: Whether the viewer may take back what of it waits.
    """

    id: str
    zone: str
    purpose: str
    aim: str
    by: str
    drawn_up: datetime
    cannot_wait_why: str
    members: tuple[Member, ...]
    hidden: int
    counts: tuple[tuple[str, int], ...]
    ended: int
    stops: str
    going: bool
    taking: bool
    stoppable: bool
    waits: Waits | None
    trouble: Trouble | None
    halted: tuple[str, ...]
    withdrawable: bool
