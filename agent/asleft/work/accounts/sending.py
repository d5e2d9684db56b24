"""Sends people what happened to their own sign-in, by the ways that the routes of the estate know to them."""

from collections.abc import Callable

from asleft.domain.account_events import matters
from asleft.domain.accounts import AccountEvent
from asleft.domain.alerts.sign_in import sign_in_alerts
from asleft.domain.estate import Estate
from asleft.ports.alerts import Outbox

__all__ = ["Sending"]


class Sending:
    """Puts into the outbox what a person is told of (ASVS 6.3.5, 6.3.7), at any hour and once an event.

    Tries that fail are told when the limit is reached, once: a flood of them is one message.

    Args:
        outbox: Where alerts wait; where no agent runs now, until one does.
        estate: Gives the estate in force.
        link: Address of the agent's pages; empty where it has none.
    """

    def __init__(self, outbox: Outbox, estate: Callable[[], Estate], link: str = "") -> None:
        self._outbox = outbox
        self._estate = estate
        self._link = link

    def __call__(self, event: AccountEvent) -> None:
        """Tell the person of an event, where it matters and a route leads to them."""
        if matters(event):
            self._outbox.put(sign_in_alerts(self._estate(), event, link=self._link))
