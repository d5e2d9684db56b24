"""What is done about accounts from the command line: by a running agent over its socket, or by a command that owns the home."""

from collections.abc import Mapping, Sequence
from contextlib import nullcontext
from datetime import timedelta
from typing import Any

from asleft.daemon.local.handling import handler_of
from asleft.daemon.local.people_calls import (
    CountSent,
    LinkSent,
    NothingAsked,
    PersonAsked,
    TokenAsked,
    TokenNamed,
    TokenSent,
    TokensSent,
    ViewsSent,
)
from asleft.daemon.local.server import Caller, Handler
from asleft.domain.accounts import ApiToken, Whence
from asleft.domain.names import harmless
from asleft.domain.people import Right
from asleft.work.accounts.desk import AccountDesk, AccountView, MadeLink
from asleft.work.accounts.refusals import NoAccount
from asleft.work.accounts.tokens import MadeToken
from asleft.work.ordering import MayNot

__all__ = ["OwnPeople", "people_handlers"]

_LINE = Whence("command line")


class OwnPeople:
    """Sees to accounts in this process, for whoever owns the home.

    Args:
        desk: Does it.
        by: Who asks, as events name it.
    """

    def __init__(self, desk: AccountDesk, by: str) -> None:
        self._desk = desk
        self._by = by

    async def make_link(self, person: str) -> MadeLink:
        """Make a one-time link."""
        return self._desk.make_link(person, _LINE, by=self._by)

    async def views(self) -> Sequence[AccountView]:
        """Give how it stands with everybody."""
        return self._desk.views()

    async def sign_out(self, person: str) -> int:
        """End all sessions of a person; give how many there were."""
        self._known(person)
        return self._desk.sessions.sign_out_everywhere(person, _LINE, by=self._by)

    async def remove(self, person: str) -> None:
        """Remove an account."""
        self._desk.remove(person, _LINE, by=self._by)

    async def make_token(self, person: str, name: str, rights: Sequence[Right], *, days: int) -> MadeToken:
        """Make a token."""
        lasting = timedelta(days=days)
        return self._desk.tokens.make(person, name, rights, lasting=lasting, whence=_LINE, by=self._by)

    async def tokens(self, person: str) -> Sequence[ApiToken]:
        """Give the tokens of a person."""
        self._known(person)
        return self._desk.tokens.of(person)

    async def revoke_token(self, person: str, name: str) -> None:
        """Revoke a token."""
        self._desk.tokens.revoke(person, name, _LINE, by=self._by)

    def _known(self, person: str) -> None:
        if not any(one.person == person for one in self._desk.views()):
            raise NoAccount(f"'{harmless(person)}' is nobody in people.yaml", todo="see asleft people list")


def people_handlers(desk: AccountDesk) -> dict[str, Handler]:
    """Give what the agent does about accounts for the command line.

    A link opens an account to whoever has it: only root and the agent's own account have one made, or an account removed. Others
    see to their own sessions and tokens.

    Args:
        desk: Does it.
    """

    def of(caller: Caller) -> OwnPeople:
        trusted = caller.person is None or caller.trusted
        return OwnPeople(desk, f"account {caller.account}" if trusted else f"{caller.person}")

    async def add(caller: Caller, asked: PersonAsked) -> LinkSent:
        _trusted(caller)
        return LinkSent(link=await of(caller).make_link(asked.person))

    async def views(caller: Caller, asked: NothingAsked) -> ViewsSent:
        del asked
        _trusted(caller)
        return ViewsSent(views=tuple(await of(caller).views()))

    async def sign_out(caller: Caller, asked: PersonAsked) -> CountSent:
        _own(caller, asked.person)
        return CountSent(count=await of(caller).sign_out(asked.person))

    async def remove(caller: Caller, asked: PersonAsked) -> CountSent:
        _trusted(caller)
        await of(caller).remove(asked.person)
        return CountSent(count=1)

    async def make(caller: Caller, asked: TokenAsked) -> TokenSent:
        _own(caller, asked.person)
        made = await of(caller).make_token(asked.person, asked.name, asked.rights, days=asked.days)
        return TokenSent(made=made)

    async def tokens(caller: Caller, asked: PersonAsked) -> TokensSent:
        _own(caller, asked.person)
        return TokensSent(tokens=tuple(await of(caller).tokens(asked.person)))

    async def revoke(caller: Caller, asked: TokenNamed) -> CountSent:
        _own(caller, asked.person)
        await of(caller).revoke_token(asked.person, asked.name)
        return CountSent(count=1)

    doing: dict[str, tuple[Any, type, type]] = {
        "people-add": (add, PersonAsked, LinkSent),
        "people-list": (views, NothingAsked, ViewsSent),
        "people-sign-out": (sign_out, PersonAsked, CountSent),
        "people-remove": (remove, PersonAsked, CountSent),
        "token-make": (make, TokenAsked, TokenSent),
        "token-list": (tokens, PersonAsked, TokensSent),
        "token-revoke": (revoke, TokenNamed, CountSent),
    }
    return {command: _handler(*row) for command, row in doing.items()}


def _handler(do: Any, asked: type, sent: type) -> Handler:
    async def handle(arguments: Mapping[str, Any], caller: Caller) -> Any:
        async def work(given: Any) -> Any:
            return await do(caller, given)

        return await handler_of(nullcontext(), work, asked, sent)(arguments, caller)

    return handle


def _trusted(caller: Caller) -> None:
    if not caller.trusted:
        raise MayNot(
            f"the account {harmless(caller.account)} may not see to the accounts of others",
            todo="ask as root or as the agent's own account",
        )


def _own(caller: Caller, person: str) -> None:
    if caller.person != person:
        _trusted(caller)
