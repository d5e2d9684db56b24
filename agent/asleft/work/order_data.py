"""Orders and groups as data for programs, under the names that `asleft … --json` and `/api` give them; keys are only ever added."""

from asleft.domain.groups import Group
from asleft.ports.orders import KeptOrder

__all__ = ["group_data", "order_data"]


def order_data(kept: KeptOrder) -> dict[str, object]:
    """Give an order and what became of it."""
    order = kept.order
    steps = {step.setting: step for step in kept.steps}
    return {
        "order": order.id,
        "digest": order.digest,
        "group": kept.group or None,
        "purpose": order.purpose,
        "action": order.action or None,
        "state": kept.state,
        "outcome": kept.outcome or None,
        "drawn-up-by": order.by or None,
        "confirmed-by": kept.by or None,
        "reason": kept.reason or None,
        "cannot-wait": order.cannot_wait or None,
        "undoes": order.undoes or None,
        "lapses": order.lapses,
        "due": kept.due,
        "writes": [
            {
                "setting": write.setting,
                "from": write.shown[0],
                "to": write.shown[1],
                "through": [*write.through],
                "stage": write.stage.name.lower(),
                "outcome": steps[write.setting].state if write.setting in steps else None,
                "read-back": steps[write.setting].note if write.setting in steps else None,
                "going": (steps[write.setting].going or None) if write.setting in steps else None,
            }
            for write in order.writes
        ],
        "hazards": [
            {
                "id": hazard.id,
                "words": hazard.words,
                "caution": hazard.caution,
                "accepted": hazard.id in kept.accepted,
            }
            for hazard in order.hazards
        ],
        "life": [
            {
                "at": move.at,
                "event": move.event,
                "by": move.by or None,
                "why": move.why or None,
                "accepted": move.accepted,
                "signed": move.signed or None,
                "proved": move.proved or None,
            }
            for move in kept.life
        ],
        "left-alone": dict(order.left_alone),
        "canonical": order.body(),
    }


def group_data(group: Group) -> dict[str, object]:
    """Give a group of orders that are confirmed together."""
    return {
        "id": group.id,
        "orders": group.orders,
        "drawn-up": group.drawn_up,
        "by": group.by or None,
        "stop-share": group.stop_share,
        "canonical": group.body(),
    }
