"""The page over a bench: a real home, real stations, real accounts; asked by a client in the process or over a socket."""

import re
import secrets
import traceback
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from contextlib import asynccontextmanager, contextmanager, nullcontext
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import httpx
from argon2 import Parameters, Type

from asleft.daemon.evidence import open_evidence
from asleft.domain.accounts import AccountEvent, AccountLimits, Whence
from asleft.domain.alarms.times import Watch
from asleft.ledger.account_events import SqliteAccountEvents
from asleft.ledger.accounts import SqliteAccounts
from asleft.web.app import make_web
from asleft.web.gathered import Gathered
from asleft.web.live import Live
from asleft.web.parts import Parts
from asleft.work.accounts.desk import AccountDesk
from asleft.work.accounts.hashing import Hashing
from asleft.work.accounts.passkeys import PasskeyPlace
from asleft.work.accounts.proxy import ProxyTrust
from asleft.work.desk import OwnerDesk
from asleft.work.evidence.bounds import FEW, Bounds
from estates import WREN, Bench
from stage import Time, a_stage

__all__ = ["GOOD", "HERE", "Elements", "Page", "Said", "a_page", "form_token"]

HERE = "http://localhost"
GOOD = "seven wet lanterns over brine"
"""A password that is good enough."""
_CHEAP = Parameters(
    type=Type.ID, version=19, salt_len=16, hash_len=32, time_cost=1, memory_cost=64, parallelism=1
)


@dataclass(slots=True)
class Said:
    """A log that keeps what was said."""

    lines: list[tuple[str, str, dict[str, Any]]] = field(default_factory=list)

    def info(self, event: str, **about: Any) -> None:
        """Keep an everyday line."""
        self.lines.append(("info", event, about))

    def warning(self, event: str, **about: Any) -> None:
        """Keep a warning."""
        self.lines.append(("warning", event, about))

    def exception(self, event: str, **about: Any) -> None:
        """Keep an error."""
        self.lines.append(("error", event, {**about, "trace": traceback.format_exc()}))


@dataclass(slots=True)
class Page:
    """The page and what stands behind it."""

    bench: Bench
    desk: OwnerDesk
    accounts: AccountDesk
    parts: Parts
    clock: Time
    log: Said
    events: list[AccountEvent]
    app: Any

    @asynccontextmanager
    async def client(self, base: str = HERE, **more: Any) -> AsyncIterator[httpx.AsyncClient]:
        """Give a browser of sorts, which says where its forms come from."""
        given = {"headers": {"Sec-Fetch-Site": "same-origin"}, "base_url": base, **more}
        async with httpx.AsyncClient(
            transport=httpx.ASGITransport(app=self.app, client=("127.0.0.1", 50_000)), **given
        ) as client:
            yield client

    @asynccontextmanager
    async def signed_in(self, key: str = WREN, base: str = HERE) -> AsyncIterator[httpx.AsyncClient]:
        """Give a browser in which somebody is signed in, by a first link."""
        link = self.accounts.make_link(key, Whence("command line"), by="a test")
        async with self.client(base) as client:
            token = await form_token(client, link.path)
            answer = await client.post(link.path, data={"form-token": token, "password": GOOD, "again": GOOD})
            assert answer.status_code == 303, answer.text
            yield client


async def form_token(client: httpx.AsyncClient, path: str) -> str:
    """Give the form token that stands on a page."""
    answer = await client.get(path)
    found = re.search(r'name="form-token" value="([0-9a-f]{64})"', answer.text)
    assert found is not None, answer.text
    return found[1]


class Elements(HTMLParser):
    """What a page is made of: every element with its attributes, and its text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.all: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Take an element."""
        self.all.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        """Take text."""
        self.words.append(data)

    def of(self, tag: str) -> list[dict[str, str | None]]:
        """Give the attributes of all elements of a kind."""
        return [attributes for name, attributes in self.all if name == tag]

    @property
    def text(self) -> str:
        """All text, as a person reads it."""
        return " ".join(" ".join(self.words).split())


@contextmanager
def a_page(
    folder: Path,
    names: Sequence[str] = ("drums",),
    *,
    url: str = "",
    proxy: ProxyTrust | None = None,
    hosts: Sequence[str] = (),
    limits: AccountLimits | None = None,
    rounds: dict[str, datetime] | None = None,
    beat: float = 15.0,
    place: PasskeyPlace | None = None,
    bounds: Bounds = FEW,
    health: Callable[[], Sequence[str]] = tuple,
    watch: Callable[[], Watch] = Watch,
    **stage: Any,
) -> Iterator[Page]:
    """Set a page up over a small stage."""
    clock = Time()
    with a_stage(folder, names, **stage) as bench, bench.desk(clock=clock, patience=clock.patience) as desk:
        events: list[AccountEvent] = []
        log = Said()
        chance = secrets.token_bytes
        accounts = AccountDesk(
            SqliteAccounts(desk._ledger),  # type: ignore[arg-type]  # it is the SQLite one
            SqliteAccountEvents(desk._ledger),  # type: ignore[arg-type]  # as above
            clock,
            lambda: desk.in_force().estate.people,
            chance,
            events.append,
            limits or AccountLimits(),
            hashing=Hashing(chance, parameters=_CHEAP),
            place=place,
        )
        ended = rounds if rounds is not None else {site: clock() for site in bench.estate.sites}
        parts = Parts(
            desk=desk,
            accounts=accounts,
            clock=clock,
            chance=chance,
            log=log,
            gathered=Gathered(log.warning, clock),
            live=Live("test", beat=beat),
            evidence=lambda: open_evidence(bench.home, clock=clock, bounds=bounds),
            turn=nullcontext,
            rounds=lambda: ended,
            version="0.1.0",
            url=url,
            hosts=frozenset(hosts),
            proxy=proxy,
            health=health,
            watch=watch,
        )
        yield Page(
            bench=bench,
            desk=desk,
            accounts=accounts,
            parts=parts,
            clock=clock,
            log=log,
            events=events,
            app=make_web(parts),
        )


SOON = timedelta(minutes=5)
