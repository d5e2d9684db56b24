"""Accounts over the local socket: how it is asked for and answered, and who asks in the place of the agent's desk."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ConfigDict, Field
from pydantic.dataclasses import dataclass as checked

from asleft.daemon.local.asking import ask_for
from asleft.domain.accounts import ApiToken
from asleft.domain.people import Right
from asleft.work.accounts.desk import AccountView, MadeLink
from asleft.work.accounts.tokens import MadeToken

__all__ = [
    "CountSent",
    "LinkSent",
    "NothingAsked",
    "PersonAsked",
    "RemotePeople",
    "TokenAsked",
    "TokenNamed",
    "TokenSent",
    "TokensSent",
    "ViewsSent",
]

_STRICT = ConfigDict(extra="forbid")
_Value = TypeVar("_Value")


@checked(frozen=True, kw_only=True, config=_STRICT)
class NothingAsked:
    """Nothing needs to be said."""


@checked(frozen=True, kw_only=True, config=_STRICT)
class PersonAsked:
    """Something about the account of a person."""

    person: str


@checked(frozen=True, kw_only=True, config=_STRICT)
class TokenAsked:
    """A token for a person."""

    person: str
    name: str
    rights: tuple[Right, ...]
    days: int = Field(ge=1, le=366)


@checked(frozen=True, kw_only=True, config=_STRICT)
class TokenNamed:
    """A token of a person, by its name."""

    person: str
    name: str


@dataclass(frozen=True, kw_only=True, slots=True)
class LinkSent:
    """A new link."""

    link: MadeLink


@dataclass(frozen=True, kw_only=True, slots=True)
class ViewsSent:
    """How accounts stand."""

    views: tuple[AccountView, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class CountSent:
    """How many it were."""

    count: int


@dataclass(frozen=True, kw_only=True, slots=True)
class TokenSent:
    """A new token."""

    made: MadeToken


@dataclass(frozen=True, kw_only=True, slots=True)
class TokensSent:
    """The tokens of a person."""

    tokens: tuple[ApiToken, ...]


class RemotePeople:
    """Has the agent that runs see to accounts, over its local socket; errors are those of `ask_at`.

    Args:
        path: The socket.
    """

    def __init__(self, path: Path) -> None:
        self._path = path

    async def make_link(self, person: str) -> MadeLink:
        """Have a one-time link made."""
        return (await self._ask("people-add", {"person": person}, LinkSent)).link

    async def views(self) -> Sequence[AccountView]:
        """Give how it stands with everybody."""
        return (await self._ask("people-list", {}, ViewsSent)).views

    async def sign_out(self, person: str) -> int:
        """Have all sessions of a person ended; give how many there were."""
        return (await self._ask("people-sign-out", {"person": person}, CountSent)).count

    async def remove(self, person: str) -> None:
        """Have an account removed."""
        await self._ask("people-remove", {"person": person}, CountSent)

    async def make_token(self, person: str, name: str, rights: Sequence[Right], *, days: int) -> MadeToken:
        """Have a token made."""
        arguments = {"person": person, "name": name, "rights": [*rights], "days": days}
        return (await self._ask("token-make", arguments, TokenSent)).made

    async def tokens(self, person: str) -> Sequence[ApiToken]:
        """Give the tokens of a person."""
        return (await self._ask("token-list", {"person": person}, TokensSent)).tokens

    async def revoke_token(self, person: str, name: str) -> None:
        """Have a token revoked."""
        await self._ask("token-revoke", {"person": person, "name": name}, CountSent)

    async def _ask(self, command: str, arguments: Mapping[str, Any], sent: type[_Value]) -> _Value:
        return await ask_for(self._path, command, arguments, sent)
