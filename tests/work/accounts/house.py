"""A desk of accounts on a real ledger, with a clock that the test turns and people who come and go."""

import secrets
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

from argon2 import Parameters
from argon2.low_level import Type

from asleft.domain.accounts import AccountEvent, AccountLimits, AccountMove, Whence
from asleft.domain.people import Person, Right
from asleft.ledger.account_events import SqliteAccountEvents
from asleft.ledger.accounts import SqliteAccounts
from asleft.ledger.store import SqliteLedger
from asleft.work.accounts.desk import AccountDesk
from asleft.work.accounts.hashing import Hashing
from asleft.work.accounts.passkeys import PasskeyPlace
from asleft.work.accounts.sessions import SignedIn

NOON = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)
WREN, IDRIS, PELL = "wren-halloway", "idris-quill", "pell-osgood"
PASSWORD = "kelp under seven lanterns"
PHONE = Whence("192.0.2.7", "a phone")
STRANGER = Whence("198.51.100.66", "somebody")
QUICK = Parameters(
    type=Type.ID, version=19, salt_len=16, hash_len=32, time_cost=1, memory_cost=8, parallelism=1
)
"""Costs next to nothing: what a hash costs is looked at in the tests of hashing."""
PLACE = PasskeyPlace(
    id="monitors.quillfen.example",
    name="Quillfen monitors",
    origins=("https://monitors.quillfen.example",),
)


def a_person(key: str, *rights: Right) -> Person:
    """Give somebody in people.yaml."""
    name = key.replace("-", " ").title()
    return Person(key=key, name=name, rights=frozenset(rights or Right), sites=frozenset())


@dataclass(kw_only=True)
class House:
    """What a test works with."""

    ledger: SqliteLedger
    limits: AccountLimits = field(default_factory=AccountLimits)
    place: PasskeyPlace | None = PLACE
    chance: Callable[[int], bytes] = secrets.token_bytes
    hashing: Hashing | None = None
    now: datetime = NOON
    people: dict[str, Person] = field(
        default_factory=lambda: {
            WREN: a_person(WREN),
            IDRIS: a_person(IDRIS, Right.LOOK, Right.ACKNOWLEDGE, Right.CONFIRM),
            PELL: a_person(PELL, Right.LOOK),
        }
    )
    events: list[AccountEvent] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.store = SqliteAccounts(self.ledger)
        self.kept = SqliteAccountEvents(self.ledger)
        self.desk = self.another()

    def another(self) -> AccountDesk:
        """Give a desk on the same ledger, as the next start of the agent has it."""
        return AccountDesk(
            self.store,
            self.kept,
            lambda: self.now,
            lambda: self.people,
            self.chance,
            self.events.append,
            self.limits,
            estate=lambda: "Quillfen Stages",
            hashing=self.hashing or Hashing(self.chance, parameters=QUICK),
            place=self.place,
        )

    def later(self, **by: float) -> None:
        """Turn the clock."""
        self.now += timedelta(**by)

    def moves(self) -> list[AccountMove]:
        """Give what was told since this was last asked, and forget it."""
        told = [event.move for event in self.events]
        self.events.clear()
        return told

    def link(self, person: str = WREN) -> str:
        """Make a link, and give its token."""
        return self.desk.make_link(person, Whence("command line"), by="account test").path.removeprefix(
            "/first/"
        )

    async def settled(self, person: str = WREN, password: str = PASSWORD) -> SignedIn:
        """Give somebody who has just set a password."""
        return await self.desk.set_password(self.link(person), password, PHONE)


@contextmanager
def a_house(
    folder: Path,
    *,
    limits: AccountLimits | None = None,
    place: PasskeyPlace | None = PLACE,
    chance: Callable[[int], bytes] = secrets.token_bytes,
) -> Iterator[House]:
    """Give a house on a ledger of its own."""
    ledger = SqliteLedger(folder / "ledger.sqlite")
    try:
        yield House(ledger=ledger, limits=limits or AccountLimits(), place=place, chance=chance)
    finally:
        ledger.close()
