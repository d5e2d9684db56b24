"""Accounts over the local socket: who may ask for what, and that the answers are the desk's."""

from collections.abc import AsyncIterator, Awaitable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

from asleft.daemon.local.client import ask_at
from asleft.daemon.local.people_calls import RemotePeople
from asleft.daemon.local.people_handlers import people_handlers
from asleft.daemon.local.server import Caller, answering
from asleft.domain.accounts import AccountMove
from asleft.domain.errors import AsleftError
from asleft.domain.people import Right
from work.accounts.house import IDRIS, NOON, PASSWORD, PELL, PHONE, WREN, House, a_house

ROOT = Caller(account="root", person=None, trusted=True)
OTHER = Caller(account="idris", person=IDRIS, trusted=False)


@asynccontextmanager
async def an_agent(folder: Path) -> AsyncIterator[tuple[House, RemotePeople]]:
    path = folder / "agent.sock"
    with a_house(folder) as house:
        async with answering(path, people_handlers(house.desk), accounts=dict):
            yield house, RemotePeople(path)


async def test_accounts_are_seen_to_over_the_socket(tmp_path: Path) -> None:
    """A link that works, tokens and sessions as the agent's desk has them; told with the account that asked."""
    async with an_agent(tmp_path) as (house, remote):
        link = await remote.make_link(WREN)
        assert (link.person, link.ends, link.again) == (WREN, NOON + house.limits.link, False)
        await house.desk.set_password(link.path.removeprefix("/first/"), PASSWORD, PHONE)
        assert [*await remote.views()] == house.desk.views()
        made = await remote.make_token(WREN, "wall display", [Right.LOOK], days=7)
        assert house.desk.tokens.bearer(made.text, PHONE).person.rights == {Right.LOOK}
        assert [*await remote.tokens(WREN)] == [*house.desk.tokens.of(WREN)]
        await remote.revoke_token(WREN, "wall display")
        assert [*await remote.tokens(WREN)] == []
        assert await remote.sign_out(WREN) == 1
        await remote.remove(WREN)
        assert house.store.accounts() == ()
        by = {event.by for event in house.events if event.whence.address == "command line"}
        assert len(by) == 1
        assert by.pop().startswith("account ")


async def test_refusals_come_through(tmp_path: Path) -> None:
    """By the names of their classes, for the exit codes; nothing strange is taken as an argument."""
    async with an_agent(tmp_path) as (_, remote):
        path = tmp_path / "agent.sock"
        asked: list[Awaitable[Any]] = [
            remote.make_link("nobody-here"),
            remote.sign_out("nobody-here"),
            remote.remove(PELL),
            remote.make_token(PELL, "x", [Right.LOOK], days=7),
            remote.revoke_token(PELL, "x"),
            ask_at(path, "token-make", {"person": WREN, "name": "x", "rights": ["rule"], "days": 7}),
            ask_at(path, "token-make", {"person": WREN, "name": "x", "rights": ["look"], "days": 400}),
            ask_at(path, "people-add", {"person": WREN, "password": "x"}),
        ]
        kinds = []
        for one in asked:
            with pytest.raises(AsleftError) as caught:
                await one
            kinds.append(type(caught.value).__name__)
    assert kinds == ["NoAccount", "NoAccount", "NoAccount", "NoAccount", "NoToken"] + ["BadRequest"] * 3


TOKEN = {"name": "wall", "rights": ["look"], "days": 7}


@pytest.mark.parametrize(
    "command, arguments",
    [
        ("people-add", {"person": IDRIS}),
        ("people-add", {"person": WREN}),
        ("people-list", {}),
        ("people-remove", {"person": IDRIS}),
        ("people-sign-out", {"person": WREN}),
        ("token-make", {"person": WREN, **TOKEN}),
        ("token-list", {"person": WREN}),
        ("token-revoke", {"person": WREN, "name": "wall"}),
    ],
)
async def test_others_do_not_see_to_accounts(tmp_path: Path, command: str, arguments: dict[str, Any]) -> None:
    """ASVS 8.2.1: an account of the computer that is one person makes no links, and touches nobody else's sessions and tokens."""
    with a_house(tmp_path) as house:
        await house.settled(WREN)
        await house.settled(IDRIS)
        house.events.clear()
        handler = people_handlers(house.desk)[command]
        with pytest.raises(AsleftError, match="may not see to the accounts of others") as caught:
            await handler(arguments, OTHER)
        assert type(caught.value).__name__ == "MayNot"
        assert house.events == []


async def test_a_person_sees_to_their_own_tokens_and_sessions(tmp_path: Path) -> None:
    """It is told as done by that person; root does it for anybody."""
    with a_house(tmp_path) as house:
        await house.settled(IDRIS)
        handlers = people_handlers(house.desk)
        house.events.clear()
        for caller in (OTHER, ROOT):
            made = await handlers["token-make"]({"person": IDRIS, **TOKEN}, caller)
            assert made["made"]["text"].startswith("asleft_")
            assert len((await handlers["token-list"]({"person": IDRIS}, caller))["tokens"]) == 1
            await handlers["token-revoke"]({"person": IDRIS, "name": "wall"}, caller)
        assert await handlers["people-sign-out"]({"person": IDRIS}, OTHER) == {"count": 1}
        assert [(event.move, event.by) for event in house.events] == [
            (AccountMove.TOKEN_MADE, IDRIS),
            (AccountMove.TOKEN_REVOKED, IDRIS),
            (AccountMove.TOKEN_MADE, "account root"),
            (AccountMove.TOKEN_REVOKED, "account root"),
            (AccountMove.SIGNED_OUT, IDRIS),
        ]
