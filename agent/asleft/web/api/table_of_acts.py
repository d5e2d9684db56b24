"""What is done, a row each: alarms, lamp, error count, orders, loans, proposals."""

from typing import Final

from asleft.domain.people import Right
from asleft.web.api import acts, lending, ordering, proposing
from asleft.web.api import alarm_shapes as alarm
from asleft.web.api import lending_shapes as loan
from asleft.web.api import order_shapes as order
from asleft.web.api import proposal_shapes as proposal
from asleft.web.api.operations import Operation
from asleft.web.api.rows import act

__all__ = ["ACTS"]

_ACK: Final = (Right.ACKNOWLEDGE,)
_CONFIRM: Final = (Right.CONFIRM,)

ACTS: Final[tuple[Operation, ...]] = (
    act(
        "acknowledge",
        "acknowledge",
        "Say that the person has seen the alarms of a station, or one of them.",
        acts.acknowledge,
        alarm.AboutAlarms,
        alarm.AlarmChanges,
        rights=_ACK,
    ),
    act(
        "shelve",
        "shelve",
        "Put alarms off until a time; then they come back by themselves.",
        acts.shelve,
        alarm.Shelve,
        alarm.AlarmChanges,
        rights=_ACK,
    ),
    act(
        "unshelve",
        "unshelve",
        "Take alarms from the shelf before their time.",
        acts.unshelve,
        alarm.AboutAlarms,
        alarm.AlarmChanges,
        rights=_ACK,
    ),
    act(
        "outOfService",
        "out-of-service",
        "Take a station out of service while it is worked on.",
        acts.out_of_service,
        alarm.ServiceReason,
        alarm.AlarmChanges,
        rights=_ACK,
    ),
    act(
        "inService",
        "in-service",
        "Put a station back in service; what stands there is an alarm again.",
        acts.in_service,
        alarm.ServiceAct,
        alarm.AlarmChanges,
        rights=_ACK,
    ),
    act(
        "identify",
        "identify",
        "Light a station's lamp, to find it; 202 while it is still on.",
        acts.identify,
        order.Identify,
        order.Identified,
        rights=_ACK,
        statuses=(200, 202),
    ),
    act(
        "restore",
        "restore",
        "Read stations and draw up the orders that bring them back as left; nothing is written yet.",
        ordering.restore,
        order.Restore,
        order.DrawnUps,
        rights=ordering.ACTING,
    ),
    act(
        "undo",
        "undo",
        "Draw up the order that takes a station back to what an earlier order found; nothing is written yet.",
        ordering.undo,
        order.Undo,
        order.UndoneBy,
        rights=ordering.ACTING,
    ),
    act(
        "confirm",
        "confirm",
        "Confirm an order or a group, and have it carried out; 202 while it goes on.",
        ordering.confirm,
        order.Confirm,
        order.OrderPart,
        rights=_CONFIRM,
        statuses=(200, 202),
    ),
    act(
        "stop",
        "stop",
        "Begin no further station of a group that is being carried out.",
        ordering.stop,
        order.Stop,
        order.Stopped,
        rights=ordering.ACTING,
    ),
    act(
        "withdraw",
        "withdraw",
        "Take back an order or a group that waits for a confirmation, as who had it drawn up or may confirm it.",
        ordering.withdraw,
        order.Withdraw,
        order.OrderPart,
        rights=ordering.ACTING,
    ),
    act(
        "lookedAt",
        "looked-at",
        "Say that the person has looked at the station of a halted order, and what they found there.",
        ordering.looked_at,
        order.LookedAt,
        order.OrderPart,
        rights=_CONFIRM,
    ),
    act(
        "setUp",
        "set-up",
        "Draw up the orders that write everything that is ours, also what is as left already; nothing is written yet.",
        ordering.set_up,
        order.SetUp,
        order.DrawnUps,
        rights=ordering.ACTING,
    ),
    act(
        "clearErrors",
        "clear-errors",
        "Clear a station's error count, and read it.",
        acts.clear_errors,
        order.ClearErrors,
        order.Cleared,
        rights=_CONFIRM,
    ),
    act(
        "lend",
        "lend",
        "Draw up the order that changes a setting for a stated time; whoever confirms it confirms its end, too.",
        lending.lend,
        loan.Lend,
        loan.LentBy,
        rights=ordering.ACTING,
    ),
    act(
        "giveBack",
        "give-back",
        "Give back what is lent, as a person who may confirm; 202 while it goes on.",
        lending.give_back,
        loan.GiveBack,
        order.OrderPart,
        rights=_CONFIRM,
        statuses=(200, 202),
    ),
    act(
        "adopt",
        "adopt",
        "Propose that a station is left as it was found; nothing is approved by it.",
        proposing.adopt,
        proposal.Adopt,
        proposal.Proposal,
        rights=proposing.PROPOSING,
    ),
    act(
        "concede",
        "concede",
        "Propose an exception with a holder, a reason and an end; nothing is approved by it.",
        proposing.concede,
        proposal.Concede,
        proposal.Proposal,
        rights=proposing.PROPOSING,
    ),
    act(
        "exchange",
        "exchange",
        "Propose another unit for a station; nothing is approved by it.",
        proposing.exchange,
        proposal.Exchange,
        proposal.Proposal,
        rights=proposing.PROPOSING,
    ),
    act(
        "enrol",
        "enrol",
        "Propose a new station for a unit that answers; it is only read, and nothing is approved by it.",
        proposing.enrol,
        proposal.Enrol,
        proposal.Proposal,
        rights=proposing.PROPOSING,
    ),
)
