"""How a simulated station misbehaves: every device met or imagined that a controller must live with.

Source: aes70.md section 4 (what devices really answer) and 12 (surprises to design for); the faults are our own.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

__all__ = ["EV2_AS_EV1", "Ev2", "Lie", "Manners", "RolePath"]

RolePath = tuple[str, ...]
"""Roles from below the root block down to an object, as `Point.path` has them; empty for the device manager."""

Ev2 = Literal["yes", "refused", "accepted but sent as EV1 with target 0"]
EV2_AS_EV1: Ev2 = "accepted but sent as EV1 with target 0"

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
        repeat_subscription_status: Status of a subscription that stands already.
        notify_after_response: The setter hears of its change after the response, not before.
        most_sessions: A further session connects and is never answered.
        silent: It takes connections and answers nothing.
        missing_paths: Objects it does not offer; a block takes what is in it along.
        locked_paths: Objects that another controller seems to hold with LockTotal.
        refuse_writes_to: Status by which writes to an object are refused.
        keeps_old_value: Objects whose write is answered OK while the value stays.
        clamps: Objects whose value goes only half the way to what was written, in whole steps of 1.
        disturbs: A write to an object sets another object's main property to a wire value.
        drop_after_commands: It closes the connection after so many commands were answered, once.
        cut_after_write_to: A write to such an object is done, and the connection closed before the response, once.
        lies: What it sends in the place of answers: half a PDU and then the end, a PDU longer than any reader takes, a PDU that
            begins with another byte, or one that announces more messages than it holds.
    """

    header_version: int = 1
    one_pdu_per_response: bool = False
    omit_min_max: bool = False
    switch_base: int = 0
    ev2: Ev2 = "yes"
    unsupported_status: int = 8
    repeat_subscription_status: int = 0
    notify_after_response: bool = False
    most_sessions: int | None = None
    silent: bool = False
    missing_paths: frozenset[RolePath] = frozenset()
    locked_paths: frozenset[RolePath] = frozenset()
    refuse_writes_to: Mapping[RolePath, int] = field(default_factory=dict)
    keeps_old_value: frozenset[RolePath] = frozenset()
    clamps: frozenset[RolePath] = frozenset()
    disturbs: Mapping[RolePath, tuple[RolePath, Any]] = field(default_factory=dict)
    drop_after_commands: int | None = None
    cut_after_write_to: frozenset[RolePath] = frozenset()
    lies: Lie = ""

    def offers(self, path: RolePath) -> bool:
        """Whether an object at a path is there at all."""
        return not any(path[:length] in self.missing_paths for length in range(1, len(path) + 1))
