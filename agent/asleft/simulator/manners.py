"""How a simulated station misbehaves: every device met or imagined that a controller must live with.

Source: aes70.md section 4 (what devices really answer) and 12 (surprises to design for); the faults are our own.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final, Literal

__all__ = [
    "EV2_AS_EV1",
    "FIRST_INDEPENDENT",
    "SECOND_INDEPENDENT",
    "TRIAL_DEVICE",
    "Ev2",
    "Factory",
    "Keeps",
    "Lie",
    "Manners",
    "Moves",
    "RolePath",
]

RolePath = tuple[str, ...]
"""Roles from below the root block down to an object, as `Point.path` has them; empty for the device manager."""

Ev2 = Literal["yes", "refused", "accepted but sent as EV1 with target 0"]
EV2_AS_EV1: Ev2 = "accepted but sent as EV1 with target 0"

Moves = Literal["goes", "goes back unless met", "stays", "is lost"]
Keeps = Literal["everything", "all but that write", "nothing since power on"]
Factory = Literal["at once", "restarts after answering", "restarts without answering"]

Lie = Literal["", "torn", "oversized", "bad sync", "lying count"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Manners:
    """What a station does otherwise than a good one; by default nothing.

    Args:
        header_version: Protocol version in the header of every PDU it sends.
        one_pdu_per_response: Responses come one by one, whatever way the commands came.
        omit_min_max: Getters leave out min and max; switch positions then run from 1.
        switch_base: The first position of every switch.
        ev2: What becomes of subscriptions in the form of EV2.
        unsupported_status: Status by which it says that it does not have a method.
        unknown_index_status: The same for a method that no class of that level has; None where that makes no difference.
        unknown_level_status: The same for a method of a level that the object does not have.
        bad_params_status: Status of parameters that are too short, or not as many as the method has.
        takes_long_params: Bytes after the last parameter do no harm.
        repeat_subscription_status: Status of a subscription that stands already.
        repeat_removal_status: Status of the removal of a subscription that does not stand.
        notifies_unchanged: A write of the value that stands already is notified like a change.
        notify_after_response: The setter hears of its change after the response, not before.
        most_sessions: How many sessions it has to give.
        further_session: What becomes of one more: it connects and is never answered, or is dropped at once.
        largest_pdu: The longest PDU it takes and sends, in bytes; one response alone may be longer. None for any length.
        nonsense: What it does about a longer PDU, and one that is none: it drops the connection, or never answers over it again.
        only_get_members: Its blocks list what stands in them, and nothing deeper.
        silent: It takes connections and answers nothing.
        missing_paths: Objects it does not offer; a block takes what is in it along.
        locked_paths: Objects that another controller seems to hold with LockTotal, until `Station.unlock_elsewhere`.
        write_locked_paths: Objects that another controller seems to hold with LockReadonly, as long.
        total_lock_lets_read: Others may read what is held with LockTotal.
        locks_totally_only: LockReadonly is not supported.
        refuse_writes_to: Status by which writes to an object are refused.
        keeps_old_value: Objects whose write is answered OK while the value stays.
        clamps: Objects whose value goes only half the way to what was written, in whole steps of 1.
        disturbs: A write to an object sets another object's main property to a wire value.
        drop_after_commands: It closes the connection after so many commands were answered, once.
        cut_after_write_to: A write to such an object is done, and the connection closed before the response, once.
        write_answers_late: Seconds by which the answers to writes come late; the write is done at once.
        restart_after_writes: With so many writes taken it restarts, before the last of them is answered; once.
        restart_keeps: What it has then: all that was written, all but the last write, or what it had when it was switched on.
        restart_lasts: Seconds for which it cannot be reached while it restarts, here or in factory state.
        when_moved: What it does when told to apply its network settings, which it always answers with OK: it goes to the new
            address; goes there and, unless somebody connects within `met_within`, back to the old settings; has the old
            settings after all; or can be reached nowhere any more, until somebody sets its address at its panel.
        met_within: Seconds for `when_moved`.
        factory: How it returns to factory state: at once, or by a restart, after the answer or in its place.
        factory_address: Where it comes up by the restart; empty for where it was.
        lies: What it sends in the place of answers: half a PDU and then the end, a PDU longer than any reader takes, a PDU that
            begins with another byte, or one that announces more messages than it holds.
    """

    header_version: int = 1
    one_pdu_per_response: bool = False
    omit_min_max: bool = False
    switch_base: int = 0
    ev2: Ev2 = "yes"
    unsupported_status: int = 8
    unknown_index_status: int | None = None
    unknown_level_status: int = 11
    bad_params_status: int = 4
    takes_long_params: bool = False
    repeat_subscription_status: int = 0
    repeat_removal_status: int = 0
    notifies_unchanged: bool = False
    notify_after_response: bool = False
    most_sessions: int | None = None
    further_session: Literal["unanswered", "dropped"] = "unanswered"
    largest_pdu: int | None = None
    nonsense: Literal["drops", "falls silent"] = "drops"
    only_get_members: bool = False
    silent: bool = False
    missing_paths: frozenset[RolePath] = frozenset()
    locked_paths: frozenset[RolePath] = frozenset()
    write_locked_paths: frozenset[RolePath] = frozenset()
    total_lock_lets_read: bool = False
    locks_totally_only: bool = False
    refuse_writes_to: Mapping[RolePath, int] = field(default_factory=dict)
    keeps_old_value: frozenset[RolePath] = frozenset()
    clamps: frozenset[RolePath] = frozenset()
    disturbs: Mapping[RolePath, tuple[RolePath, Any]] = field(default_factory=dict)
    drop_after_commands: int | None = None
    cut_after_write_to: frozenset[RolePath] = frozenset()
    write_answers_late: float = 0.0
    restart_after_writes: int | None = None
    restart_keeps: Keeps = "everything"
    restart_lasts: float = 0.0
    when_moved: Moves = "goes"
    met_within: float = 30.0
    factory: Factory = "at once"
    factory_address: str = ""
    lies: Lie = ""

    @property
    def unknown_index(self) -> int:
        """The status for a method that no class of its level has."""
        return self.unsupported_status if self.unknown_index_status is None else self.unknown_index_status

    def offers(self, path: RolePath) -> bool:
        """Whether an object at a path is there at all."""
        return not any(path[:length] in self.missing_paths for length in range(1, len(path) + 1))


FIRST_INDEPENDENT: Final = Manners(
    one_pdu_per_response=True,
    ev2="refused",
    unsupported_status=8,
    unknown_index_status=11,
    unknown_level_status=2,
    bad_params_status=6,
    takes_long_params=True,
    repeat_subscription_status=9,
    repeat_removal_status=6,
    locks_totally_only=True,
    refuse_writes_to={(): 8},
    most_sessions=4,
    largest_pdu=4096,
    nonsense="falls silent",
)
"""As the device of the first column of aes70.md section 4 answered in trials.

Section 4: 2 on an unknown level, 11 on an unknown index, 6 on short parameters and wrong counts, long ones taken, 9 on a
second subscription and 6 on a second removal. Section 1: one response a PDU, silence after what is no PDU. Section 6: 11 on
subscriptions of EV2, 8 on SetDeviceName. Section 7: 8 on LockReadonly. Section 9: 4 KiB, four sessions and a fifth that is
never answered.
"""

SECOND_INDEPENDENT: Final = Manners(
    header_version=4,
    ev2=EV2_AS_EV1,
    unsupported_status=8,
    unknown_level_status=11,
    bad_params_status=4,
    takes_long_params=True,
    notifies_unchanged=True,
    total_lock_lets_read=True,
    most_sessions=4,
    largest_pdu=2048,
)
"""As the device of the second column of aes70.md section 4 answered in trials.

Section 4: 11 on an unknown level, 8 on an unknown index, 4 on short parameters and wrong counts, long ones taken, repeated
subscriptions and removals taken, what is held with LockTotal read. Section 1: header version 4. Section 6: subscriptions of EV2
taken and served in the form of EV1, every write notified. Section 9: 2 KiB, a longer PDU ends the connection; four sessions;
that a fifth is never answered is our own guess.
"""

TRIAL_DEVICE: Final = Manners()
"""As the trial device of the third column of aes70.md section 4 answered: so a station behaves by default."""
