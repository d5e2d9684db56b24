"""Halted orders: what nobody has looked at since, what ends that without a person's word, and how it is told."""

from datetime import datetime

from asleft.domain.drift import Drift, DriftKey, DriftKind
from asleft.domain.names import harmless
from asleft.domain.orders import Order, Purpose
from asleft.domain.profile import Concern, Priority

__all__ = ["NOBODY_PLAYS", "WAITS", "halted_drift", "settles"]

NOBODY_PLAYS = "nobody plays on this station before a person has looked at it, with the earphones out"
WAITS = f"a person who looks at the station, for it was halted; {NOBODY_PLAYS}"
"""What a halted order waits for."""
_LONGEST = 300
_WHOLE = frozenset({Purpose.RESTORE, Purpose.SET_UP, Purpose.UNDO})
"""Purposes by which a station is brought where somebody wants all of it; a loan, or its end, is about one setting."""


def settles(later: Order, halted: Order, ended: datetime) -> bool:
    """Tell whether a later order, restored and read back, leaves nothing of a halted one for a person to look at.

    It has read every managed setting, and each that the halted order was to write it wrote itself, or found as that order wanted
    it, or as it was before. After an action nobody knows what moved: only a set-up, which writes everything, will do then.

    Args:
        later: An order for the same station that was restored.
        halted: The order that was halted.
        ended: When that was, UTC.
    """
    # Both are kept to the second: drawn up in the second of the halt it may have read what came before it.
    if later.drawn_up <= ended or later.purpose not in _WHOLE or later.left_alone:
        return False
    if halted.action or later.serial != halted.serial:
        return later.purpose is Purpose.SET_UP
    written = {write.setting for write in later.writes}
    return all(
        write.setting in written or later.found.get(write.setting) in {write.before, write.after}
        for write in halted.writes
    )


def halted_drift(order: Order, outcome: str) -> Drift:
    """Give what stands at a station while nobody has looked at it after an order was halted there."""
    return Drift(
        key=DriftKey(order.station, DriftKind.HALTED, ""),
        concern=Concern.HEARING,
        priority=Priority.HIGH,
        as_left="looked at by a person",
        as_found=f"order {order.id} was halted",
        what=f"order {order.id} was {harmless(outcome, longest=_LONGEST)}",
        matters=f"nobody knows how loud it is: {NOBODY_PLAYS}",
    )
