"""Every page in each state that it has: an agent over an estate where all of it stands at once, and the way round its pages."""

import asyncio
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
from playwright.sync_api import Browser, BrowserContext, Dialog, Page

from asleft.daemon.home import Home
from asleft.daemon.proposing import proposals_of
from asleft.daemon.settings.settings import read_settings
from asleft.domain.account_events import KeptEvent, kept_of
from asleft.domain.accounts import AccountEvent, AccountMove, Mark, Passkey, Whence
from asleft.domain.drawing import Wish
from asleft.domain.orders import OrderState
from asleft.ledger.account_events import SqliteAccountEvents
from asleft.ledger.accounts import SqliteAccounts
from asleft.ports.orders import KeptOrder
from asleft.simulator.manners import Manners
from asleft.work.desk import OwnerDesk
from browser.conftest import PASSWORD, Served, an_agent
from estates import HALL, IDRIS, WREN, Bench, a_bench, commit
from stage import LEVEL, Time, calendar

__all__ = ["FILES", "FIXED", "PAGES", "Tour", "a_tour", "complaints"]

YARD, CHAPEL = "tarnwick-yard", "brackle-chapel"
DRUMS, BASS = f"{HALL}/drums", f"{HALL}/bass"
FILES = frozenset({"/history.csv", "/accounting.csv", "/orders/{name}/canonical"})
"""Routes that give a file to be saved, which no browser shows."""
UNFOLD = "document.querySelectorAll('details').forEach((one) => { one.open = true })"
"""What is folded away is hidden from every judge."""
FIXED: dict[str, tuple[str, ...]] = {
    "/": ("/",),
    "/sites/{site}": (f"/sites/{HALL}", f"/sites/{YARD}", f"/sites/{CHAPEL}"),
    "/stations/{site}/{name}": (
        *(f"/stations/{HALL}/{name}" for name in ("drums", "keys-left", "second-voice", "gallery")),
        f"/stations/{YARD}/lead-voice",
        f"/stations/{YARD}/trumpet",
    ),
    "/stations/{site}/{name}/{setting}": (f"/stations/{DRUMS}/headphones.gain",),
    "/alarms/{site}": (f"/alarms/{CHAPEL}", f"/alarms/{HALL}?cause=panel.menus", f"/alarms/{YARD}"),
    "/alarms/{site}/{name}": (
        f"/alarms/{DRUMS}",
        f"/alarms/{HALL}/lead-voice",
        f"/alarms/{HALL}/second-voice",
        f"/alarms/{YARD}/lead-voice",
        f"/alarms/{YARD}/trumpet",
    ),
    "/alarms/{site}/{name}/{setting}": (
        f"/alarms/{DRUMS}/headphones.gain",
        f"/alarms/{DRUMS}/panel.menus",
        f"/alarms/{HALL}/choir-left/panel.menus",
    ),
    "/orders": ("/orders",),
    "/history": ("/history", "/history?kind=found&from=7d"),
    "/state": ("/state",),
    "/state/{site}/{name}": (f"/state/{DRUMS}",),
    "/who/{setting}": (f"/who/headphones.gain?site={HALL}",),
    "/accounting": ("/accounting", f"/accounting?site={HALL}"),
    "/figures": ("/figures",),
    "/baseline": ("/baseline",),
    "/people": ("/people",),
    "/account": ("/account",),
    "/account/passkeys": ("/account/passkeys",),
    "/help": ("/help",),
    "/agenda/{site}": (f"/agenda/{HALL}", f"/agenda/{YARD}"),
    "/addresses/{site}": (f"/addresses/{HALL}",),
    "/patch/{site}": (f"/patch/{HALL}",),
    "/hearing/{site}": (f"/hearing/{HALL}",),
}
"""Pages whose path does not depend on what happened, by their route."""
PAGES = tuple(path for some in FIXED.values() for path in some)
WRONG = {
    "/no-such-page": 404,
    f"/stations/{HALL}/nobody": 404,
    "/orders/0123456789": 404,
    "/history?from=never": 422,
    f"/state/{DRUMS}?at=never": 422,
    "/accounting?from=never": 422,
    "/who/headphones.gain?site=nowhere": 404,
}
"""Pages that say what is wrong with what was asked for, and their status."""
EVENING = (
    "BEGIN:VEVENT\r\nUID:{uid}@quillfen.example\r\nDTSTAMP:20260601T000000Z\r\nSUMMARY:Evening\r\n"
    "CATEGORIES:performance\r\nDTSTART:{start:%Y%m%dT%H%M%SZ}\r\nDTEND:{end:%Y%m%dT%H%M%SZ}\r\nEND:VEVENT\r\n"
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Refused:
    """A form that is sent as it must not be.

    Args:
        path: Its page.
        form: A selector of it.
        status: What it is answered with.
        fields: What is typed into it, by name.
    """

    path: str
    form: str
    status: int
    fields: tuple[tuple[str, str], ...] = ()


def _act(path: str, act: str) -> Refused:
    return Refused(path=path, form=f"details form:has(input[name=act][value='{act}'])", status=422)


@dataclass(frozen=True, kw_only=True, slots=True)
class Tour:
    """An agent of whose pages each has something to show.

    Args:
        served: The agent.
        pages: Paths by their route, for who is signed in.
        outside: The same for who is not.
        refused: Forms that are refused, for who is signed in.
        cookies: What signs Wren Halloway in.
    """

    served: Served
    pages: dict[str, tuple[str, ...]]
    outside: dict[str, tuple[str, ...]]
    refused: tuple[Refused, ...]
    cookies: dict[str, str]

    @property
    def paths(self) -> list[str]:
        """All paths for who is signed in."""
        return [path for some in self.pages.values() for path in some]

    def context(self, browser: Browser, **how: Any) -> BrowserContext:
        """Give a browser in which Wren Halloway is signed in."""
        context = browser.new_context(reduced_motion="reduce", **how)
        context.add_cookies(
            [{"name": name, "value": value, "url": self.served.url} for name, value in self.cookies.items()]
        )
        return context

    def everywhere(
        self, browser: Browser, *, hear: dict[Page, list[str]] | None = None, **how: Any
    ) -> Iterator[tuple[str, Page]]:
        """Go to every page, to pages that say what is wrong, and to refused forms, in one context for each person.

        Args:
            browser: The browser.
            hear: Takes down what the browser complains of at each page.
            how: How its contexts are, as Playwright names it.

        Returns:
            The name of each page and the page, all folds open.
        """
        context = self.context(browser, **how)
        page = context.new_page()
        if hear is not None:
            hear[page] = complaints(page)
        yield from self.inside(page)
        context.close()
        stranger = browser.new_context(reduced_motion="reduce", **how)
        page = stranger.new_page()
        if hear is not None:
            hear[page] = complaints(page)
        yield from self.beside(page)
        stranger.close()

    def inside(self, page: Page) -> Iterator[tuple[str, Page]]:
        """Give the same for the page of a person who is signed in."""
        for path, status in {**dict.fromkeys(self.paths, 200), **WRONG}.items():
            yield self._go(page, path, status)
        for one in self.refused:
            yield self._send(page, one)

    def beside(self, page: Page) -> Iterator[tuple[str, Page]]:
        """Give the same for the page of somebody who is not signed in."""
        for some in self.outside.values():
            for path in some:
                yield self._go(page, path, 200)
        path, page = self._go(page, "/no-such-page", 404)
        yield f"{path} from outside", page
        (link,) = self.outside["/first/{token}"]
        differ = (("password", PASSWORD), ("again", "another one"))
        yield self._send(page, Refused(path=link, form="form.sheet", status=422, fields=differ))
        guess = (("name", "nobody-here"), ("password", "a guess"))
        yield self._send(page, Refused(path="/sign-in", form="form.sheet", status=422, fields=guess))

    def _go(self, page: Page, path: str, status: int) -> tuple[str, Page]:
        answer = page.goto(f"{self.served.url}{path}")
        assert answer is not None
        assert answer.status == status, (path, answer.status)
        page.evaluate(UNFOLD)
        return path, page

    def _send(self, page: Page, one: Refused) -> tuple[str, Page]:
        page.goto(f"{self.served.url}{one.path}")
        page.evaluate(UNFOLD)
        form = page.locator(one.form).first
        for name, value in one.fields:
            form.locator(f"[name={name}]").fill(value)
        # The browser would keep it back; `submit()` asks nobody (HTML standard §4.10.21.3).
        with page.expect_navigation() as answered:
            form.evaluate("(form) => { HTMLFormElement.prototype.submit.call(form) }")
        assert answered.value is not None
        told = answered.value.status
        # Who guesses passwords is told to wait, from some guess on.
        guessed = any(name in {"password", "current"} for name, _ in one.fields)
        assert told == one.status or (guessed and told == 429), (one, told)
        assert page.locator("[role=alert].wrong").count(), one
        page.evaluate(UNFOLD)
        kind = re.search(r"value='([a-z-]+)'", one.form)
        return f"{one.path} refused {kind[1] if kind else one.form}", page


def complaints(page: Page) -> list[str]:
    """Give a list that takes down whatever the browser complains of."""
    said: list[str] = []

    def told(dialog: Dialog) -> None:
        said.append(f"dialog: {dialog.message}")
        dialog.dismiss()

    page.on("console", lambda one: said.append(f"console: {one.text}"))
    page.on("pageerror", lambda one: said.append(f"error: {one}"))
    page.on("dialog", told)
    return said


def _send(client: httpx.Client, path: str, **fields: str) -> None:
    found = re.search(r'name="form-token" value="([0-9a-f]{64})"', client.get(path).text)
    assert found is not None
    answer = client.post(path, data={"form-token": found[1], **fields})
    assert answer.status_code == 303, answer.text


async def _happenings(bench: Bench, desk: OwnerDesk, clock: Time) -> dict[str, KeptOrder]:
    """Let all happen that a page can show; gives orders by what became of them."""
    for name in ("choir-left", "choir-right", "keys-left", "lead-voice", "second-voice"):
        bench.meddle(f"{HALL}/{name}", "panel.menus", "open")
    bench.meddle(DRUMS, "headphones.gain", "+12 dB")
    bench.meddle(BASS, "headphones.limiter-level", "-20 dB")
    bench.meddle(f"{HALL}/keys-right", "headphones.limiter-level", "-1 dB")
    bench.meddle(f"{HALL}/director", "panel.key-dim", "60 %")
    bench.meddle(f"{YARD}/lead-voice", "outputs.line", "local input")
    bench.fleet.call(lambda: bench.fleet.fleet.exchange(f"{YARD}/trumpet", serial="QS41-9001"))
    for station in bench.estate.stations:
        if station.site == CHAPEL or str(station) == f"{HALL}/gallery":
            bench.fleet.call(bench.station(str(station)).switch_off)
    await desk.round()
    await clock.sleep(10)
    await desk.round()
    orders = {
        "waiting": await _drawn(desk, DRUMS),
        "half": await _drawn(desk, BASS),
        "ended": await _drawn(desk, f"{HALL}/keys-left"),
        "halted": await _drawn(desk, f"{HALL}/keys-right"),
        "grouped": await _drawn(desk, f"{HALL}/choir-left", f"{HALL}/choir-right"),
    }
    for what, state in (
        ("half", OrderState.DRAWN_UP),
        ("ended", OrderState.RESTORED),
        ("halted", OrderState.HALTED),
    ):
        order = orders[what].order
        accepted = [hazard.id for hazard in order.hazards]
        orders[what] = await desk.confirm(order.id, by=WREN, reason="before doors", accepted=accepted)
        if orders[what].state is OrderState.DRAWN_UP and state is not OrderState.DRAWN_UP:
            orders[what] = await desk.confirm(order.id, by=IDRIS, reason="heard it, too", accepted=accepted)
        assert orders[what].state is state, orders[what]
    later = clock() + timedelta(days=1)
    desk.shelve(f"{HALL}/lead-voice", "panel.menus", WREN, "they are wanted open tonight", later)
    desk.out_of_service(f"{HALL}/second-voice", WREN, "at the workshop")
    await desk.lending.lend(
        f"{HALL}/lead-voice",
        "panel.pages",
        "all",
        lasting=timedelta(hours=8),
        by=WREN,
        reason="she sets her mix up herself",
    )
    await desk.proposing.adopt(f"{HALL}/director", ["panel.key-dim"], by=WREN, reason="easier to read")
    return orders


async def _drawn(desk: OwnerDesk, *names: str) -> KeptOrder:
    """Have orders drawn up; gives the first of them as it is kept."""
    items = await desk.restore(list(names), wish=Wish(by=WREN))
    assert all(item.order is not None for item in items), items
    kept = items[0].order
    assert kept is not None
    return next(one for one in desk.orders() if one.order.id == kept.id)


def _perform(bench: Bench, now: datetime) -> None:
    """Have a performance on at the yard for hours, so that nothing may be written there."""
    events = EVENING.format(uid="evening", start=now - timedelta(hours=2), end=now + timedelta(hours=6))
    (bench.repository / "sites" / YARD / "calendar.ics").write_bytes(calendar(events).encode())
    commit(bench.repository, "A performance at the yard")


@contextmanager
def a_tour(folder: Path) -> Iterator[Tour]:
    """Let all happen over an hour that lies behind, and serve the pages of it."""
    manners = {f"{HALL}/keys-right": Manners(clamps=frozenset({LEVEL}))}
    rules = "{rise-pause-seconds: 0, lapse-minutes: 240}"
    with a_bench(folder, manners, orders=rules) as bench:
        now = datetime.now(UTC).replace(microsecond=0)
        _perform(bench, now)
        clock = Time(now - timedelta(hours=1))
        with bench.desk(clock=clock) as desk:
            home = Home(bench.home)
            desk._trials = trials = proposals_of(home, read_settings(home.settings))
            try:
                orders = asyncio.run(_happenings(bench, desk, clock))
                proposal = desk.proposals(9)[0].revision.commit
            finally:
                trials.close()
        with an_agent(bench, name="localhost") as url:
            served = Served(bench=bench, url=url)
            with httpx.Client(base_url=url, headers={"Sec-Fetch-Site": "same-origin"}) as client:
                _send(client, served.link(WREN).removeprefix(url), password=PASSWORD, again=PASSWORD)
                cookies = dict(client.cookies.items())
            with bench.ledger() as ledger:
                accounts = SqliteAccounts(ledger)
                for number, name in enumerate(("phone", "key ring")):
                    accounts.put_passkey(
                        Passkey(id=f"id-{number}", person=WREN, name=name, public_key="", uses=0, made=now)
                    )
                for event in _own_events(now):
                    SqliteAccountEvents(ledger).keep(event, most=200)
            yield _planned(served, orders, proposal, cookies)


def _own_events(now: datetime) -> Iterator[KeptEvent]:
    """Give what Wren Halloway has not seen of her own sign-in, so that every page tells of it."""
    whence = Whence("2001:db8:1234:5678:9abc:def0:1234:5678", f"Browser/{'1' * 150}")
    for move, by, detail, marks in (
        (AccountMove.PASSKEY_REFUSED, WREN, "nothing was asked for, or too long ago", ()),
        (
            AccountMove.TOKEN_MADE,
            "account root",
            "'the display at the wall' (look) until 2027-03-01 12:00 UTC",
            (),
        ),
        (AccountMove.SIGNED_OUT, IDRIS, "everywhere: 3 sessions", ()),
        (AccountMove.SIGNED_IN, WREN, "password", (Mark.AFTER_WRONG, Mark.NEW_ADDRESS)),
        (AccountMove.SIGN_IN_REFUSED, "somebody", "wrong password", (Mark.LIMIT,)),
    ):
        event = AccountEvent(
            at=now - timedelta(minutes=9), move=move, person=WREN, by=by, whence=whence, detail=detail, marks=frozenset(marks)
        )  # fmt: skip
        yield replace(kept_of(event), count=41 if marks == (Mark.LIMIT,) else 1, elsewhere=True)


def _planned(served: Served, orders: dict[str, KeptOrder], proposal: str, cookies: dict[str, str]) -> Tour:
    commits = served.bench.records("log", "--format=%H").split()
    kinds = set(served.bench.subjects())
    shown = tuple(f"/orders/{orders[what].order.id}" for what in ("waiting", "half", "ended", "halted"))
    waiting, *_ = shown
    assert orders["grouped"].group
    pages = {
        **FIXED,
        "/orders/{name}": (*shown, f"/orders/{orders['grouped'].group}"),
        "/history/{commit}": tuple(f"/history/{one}" for one in commits[:: max(1, len(kinds) // 3)][:4]),
        "/baseline/proposals/{commit}": (f"/baseline/proposals/{proposal}",),
    }
    alarm, station = f"/alarms/{HALL}/choir-left/panel.menus", f"/stations/{DRUMS}"
    refused = (
        *(_act(alarm, act) for act in ("shelve", "concede", "out-of-service")),
        _act(f"/alarms/{DRUMS}/headphones.gain", "adopt"),
        _act(station, "adopt"),
        _act(f"/stations/{YARD}/trumpet", "exchange"),
        Refused(path=waiting, form="form.confirm", status=409),
        Refused(
            path="/account",
            form="form.sheet",
            status=422,
            fields=(("current", "x"), ("new", PASSWORD), ("again", "another")),
        ),
        Refused(path="/account/passkeys", form="form.sheet", status=422, fields=(("password", "x"),)),
        Refused(path="/account/passkeys", form="table form", status=422, fields=(("password", "x"),)),
    )
    link = served.link(IDRIS).removeprefix(served.url)
    outside: dict[str, tuple[str, ...]] = {"/sign-in": ("/sign-in",), "/first/{token}": (link,)}
    return Tour(served=served, pages=pages, outside=outside, refused=refused, cookies=cookies)
