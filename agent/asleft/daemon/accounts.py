"""Accounts of a home: the desk that the agent has, and the one for a command where none runs."""

import os
import pwd
import secrets
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Final

from asleft.daemon.assembly import baseline_of
from asleft.daemon.clock import now
from asleft.daemon.home import Home
from asleft.daemon.logs import log_of
from asleft.daemon.settings.settings import read_settings
from asleft.domain.accounts import AccountEvent, AccountLimits, AccountMove
from asleft.domain.estate import Estate
from asleft.work.accounts.desk import AccountDesk
from asleft.work.accounts.passkeys import PasskeyPlace
from asleft.work.accounts.sending import Sending
from asleft.work.approved import in_force

if TYPE_CHECKING:
    from asleft.ledger.store import SqliteLedger

__all__ = ["accounts_of", "log_event", "own_accounts", "this_account"]

_log = log_of("accounts")
_REFUSALS: Final = frozenset(
    {
        AccountMove.LINK_REFUSED,
        AccountMove.SIGN_IN_REFUSED,
        AccountMove.TOKEN_REFUSED,
        AccountMove.PASSKEY_REFUSED,
    }
)


def log_event(event: AccountEvent) -> None:
    """Say in the log what happened to an account: who, what, from where; the time is the line's own (ASVS 16.2.1)."""
    say = _log.warning if event.move in _REFUSALS else _log.info
    say(
        str(event.move),
        person=event.person or None,
        by=event.by,
        address=event.whence.address,
        agent=event.whence.agent,
        detail=event.detail,
    )


def accounts_of(
    ledger: "SqliteLedger",
    estate: Callable[[], Estate],
    told: Callable[[AccountEvent], None],
    *,
    limits: AccountLimits | None = None,
    place: PasskeyPlace | None = None,
    link: str = "",
) -> AccountDesk:
    """Give the desk of the accounts in a ledger; people are told of what happens to their own, through its outbox.

    Args:
        ledger: The open ledger; whoever opened it closes it.
        estate: Gives the estate in force: its people, its name, and the routes by which people are told.
        told: Takes what happens.
        limits: Times and numbers; the usual ones where None.
        place: The page that passkeys belong to; None where the settings name no address for it.
        link: The address of the page; empty where the settings name none.
    """
    from asleft.ledger.account_events import SqliteAccountEvents  # noqa: PLC0415 as in the assembly
    from asleft.ledger.accounts import SqliteAccounts  # noqa: PLC0415 as in the assembly
    from asleft.ledger.outbox import SqliteOutbox  # noqa: PLC0415 as in the assembly

    send = Sending(SqliteOutbox(ledger), estate, link)

    def tell(event: AccountEvent) -> None:
        told(event)
        send(event)

    return AccountDesk(
        SqliteAccounts(ledger),
        SqliteAccountEvents(ledger),
        now,
        lambda: estate().people,
        secrets.token_bytes,
        tell,
        limits or AccountLimits(),
        estate=lambda: estate().name,
        place=place,
    )


@contextmanager
def own_accounts(folder: Path, what: str, told: Callable[[AccountEvent], None]) -> Iterator[AccountDesk]:
    """Own a home where no agent runs, and give the desk of its accounts.

    Args:
        folder: The home.
        what: What is done, for another process that is turned away.
        told: Takes what happens.

    Raises:
        HomeInUse: Another process owns it.
    """
    from asleft.ledger.store import SqliteLedger  # noqa: PLC0415 as in the assembly

    home = Home(folder)
    settings = read_settings(home.settings)
    with ExitStack() as stack:
        stack.enter_context(home.owned(what))
        ledger = SqliteLedger(home.ledger)
        stack.callback(ledger.close)
        baseline = baseline_of(home, settings)
        stack.callback(baseline.close)
        estate = in_force(baseline, ledger, refresh=False).estate
        yield accounts_of(ledger, lambda: estate, told, link=settings.pages_url)


def this_account() -> str:
    """Give who this process is on this computer, as events name it."""
    uid = os.getuid()
    try:
        return f"account {pwd.getpwuid(uid).pw_name}"
    except KeyError:
        return f"account {uid}"
