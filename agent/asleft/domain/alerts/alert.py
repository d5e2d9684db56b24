"""Alerts: what is told to whom, over which channel."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from asleft.domain.kinds import Json
from asleft.domain.profile import Priority

__all__ = ["Alert"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Alert:
    """One message to one receiver.

    Args:
        id: What makes it one message: the same id is never put into the outbox twice.
        receiver: Key of the receiver, as routes name it; deliveries to one receiver keep their order.
        channel: Name of the channel in the agent's settings: `mail`, `syslog`, a webhook's name.
        address: Where the channel sends it: a mail address, a URL; empty where the channel knows.
        subject: One line.
        text: What, where, since when, why it matters, what to do, link: a line each, plain words.
        data: The same for programs.
        priority: How soon a person should act.
        created: When, UTC.
        cause: What it is about, so that an all-clear reaches those who were told.
    """

    id: str
    receiver: str
    channel: str
    address: str
    subject: str
    text: str
    data: Mapping[str, Json] = field(default_factory=dict)
    priority: Priority
    created: datetime
    cause: str
