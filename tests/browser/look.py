"""Starts the page over the example estate, with a few things that need a person, and takes pictures of it in a real browser.

    python tests/browser/look.py [PATH ...] [--quiet] [--stay] [--as wren-halloway]

Each path (the first page where none is named) is taken at 360 x 740 and 1280 x 800, light and dark, into a new folder under
the temporary folder, whose name is printed; ORDER in a path stands for the order that waits. `--quiet` leaves all stations as they are; `--stay` goes on serving, and prints
an address with a first link. It needs Debian's chromium and the Python package playwright.
"""

import argparse
import asyncio
import contextlib
import secrets
import sys
import tempfile
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager, nullcontext
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import uvicorn
from playwright.async_api import Browser, Page, async_playwright

from asleft.daemon.evidence import open_evidence
from asleft.daemon.logs import log_of
from asleft.domain.accounts import AccountEvent, AccountLimits, Whence
from asleft.domain.drawing import Wish
from asleft.ledger.account_events import SqliteAccountEvents
from asleft.ledger.accounts import SqliteAccounts
from asleft.web.app import make_web
from asleft.web.gathered import Gathered
from asleft.web.live import Live
from asleft.web.parts import Parts
from asleft.work.accounts.desk import AccountDesk
from asleft.work.desk import OwnerDesk
from browser.judges import CUT, SMALL
from estates import WREN, Bench, a_bench

SIZES = {"phone": (360, 740), "desk": (1280, 800)}
CHROMIUM = "/usr/bin/chromium"
PASSWORD = "seven wet lanterns over brine"


async def happenings(bench: Bench, desk: OwnerDesk) -> None:
    """Let a few things happen at the stations, and have an order drawn up."""
    bench.meddle("quillfen-hall/drums", "panel.menus", "open")
    bench.meddle("quillfen-hall/drums", "headphones.gain", "+12 dB")
    bench.meddle("quillfen-hall/bass", "panel.menus", "open")
    bench.meddle("quillfen-hall/keys-left", "panel.menus", "open")
    bench.meddle("tarnwick-yard/lead-voice", "outputs.line", "local input")
    bench.fleet.call(bench.station("tarnwick-yard/trumpet").switch_off)
    await desk.round()
    await desk.restore(["quillfen-hall/drums"], wish=Wish(by=WREN))


@asynccontextmanager
async def a_served_page(folder: Path, *, quiet: bool) -> AsyncIterator[tuple[str, AccountDesk, Parts]]:
    """Serve the page over a bench; gives its address, its accounts and its parts."""
    with a_bench(folder) as bench, bench.desk() as desk:
        chance = secrets.token_bytes
        events: list[AccountEvent] = []
        clock = desk._clock
        accounts = AccountDesk(
            SqliteAccounts(desk._ledger),  # type: ignore[arg-type]  # it is the SQLite one
            SqliteAccountEvents(desk._ledger),  # type: ignore[arg-type]  # as above
            clock,
            lambda: desk.in_force().estate.people,
            chance,
            events.append,
            AccountLimits(),
        )
        await desk.round()
        if not quiet:
            await happenings(bench, desk)
        ended = clock()
        parts = Parts(
            desk=desk,
            accounts=accounts,
            clock=clock,
            chance=chance,
            log=log_of("pages"),
            gathered=Gathered(log_of("pages").warning, clock),
            live=Live(secrets.token_hex(4)),
            evidence=lambda: open_evidence(bench.home),
            turn=nullcontext,
            rounds=lambda: dict.fromkeys(bench.estate.sites, ended),
            version="0.1.0",
        )
        config = uvicorn.Config(
            make_web(parts), host="127.0.0.1", port=0, ws="none", lifespan="off", log_config=None
        )
        server = uvicorn.Server(config)
        bound = config.bind_socket()
        task = asyncio.create_task(server.serve(sockets=[bound]))
        try:
            yield f"http://127.0.0.1:{bound.getsockname()[1]}", accounts, parts
        finally:
            parts.live.close()
            server.should_exit = True
            await task
            bound.close()


async def sign_in(page: Page, url: str, accounts: AccountDesk, key: str) -> None:
    """Sign somebody in by a first link, as a person does."""
    link = accounts.make_link(key, Whence("command line"), by="a test")
    await page.goto(f"{url}{link.path}")
    await page.fill("#password", PASSWORD)
    await page.fill("#again", PASSWORD)
    await page.click("button.main")
    await page.wait_for_url(f"{url}/")


def listen(page: Page, wrong: list[str]) -> None:
    """Take down whatever the browser complains of."""
    page.on("console", lambda said: wrong.append(f"console: {said.text}"))
    page.on("pageerror", lambda error: wrong.append(f"error: {error}"))


async def pictures(
    browser: Browser, url: str, accounts: AccountDesk, key: str, paths: Sequence[str], into: Path
) -> list[str]:
    """Take every page at both sizes in both looks; gives what is wrong with them that can be measured."""
    wrong: list[str] = []
    for size, (width, height) in SIZES.items():
        for look in ("light", "dark"):
            context = await browser.new_context(
                viewport={"width": width, "height": height}, color_scheme=look, reduced_motion="reduce"
            )
            page = await context.new_page()
            listen(page, wrong)
            await sign_in(page, url, accounts, key)
            for path in paths:
                await page.goto(f"{url}{path}")
                name = path.strip("/").replace("/", "_") or "now"
                await page.screenshot(path=into / f"{name}-{size}-{look}.png")
                await page.screenshot(path=into / f"{name}-{size}-{look}-whole.png", full_page=True)
                wrong += await measured(page, f"{path} at {size}, {look}")
            await context.close()
    return wrong


async def measured(page: Page, where: str) -> list[str]:
    """Say what of a page is cut off or beyond the edge, or on a phone too small for a finger; tests ask the same of every page."""
    wide: bool = await page.evaluate("document.documentElement.scrollWidth > innerWidth")
    cut: list[str] = await page.evaluate(CUT)
    small: list[str] = await page.evaluate(f"innerWidth > 640 ? [] : ({SMALL})()")
    said = [f"{where}: wider than the screen"] if wide else []
    said += [f"{where}: cut off: {one}" for one in cut]
    return said + [f"{where}: smaller than a finger: {one}" for one in small]


async def main() -> int:
    """Do it."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("paths", nargs="*", default=["/"])
    parser.add_argument("--quiet", action="store_true")
    parser.add_argument("--stay", action="store_true")
    parser.add_argument("--as", dest="key", default=WREN)
    given = parser.parse_args()
    into = Path(tempfile.mkdtemp(prefix="asleft-look-"))
    with tempfile.TemporaryDirectory(prefix="asleft-bench-") as folder:
        async with a_served_page(Path(folder), quiet=given.quiet) as (url, accounts, parts):
            waiting = next((view.kept.id for view in parts.desk.order_views()), "")
            paths = [path.replace("ORDER", waiting) for path in given.paths]
            async with async_playwright() as playwright:
                browser = await playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
                wrong = await pictures(browser, url, accounts, given.key, paths, into)
                await browser.close()
            sys.stdout.write("".join(f"{one}\n" for one in dict.fromkeys(wrong)))
            sys.stdout.write(f"{into}\n")
            if given.stay:
                link = accounts.make_link(given.key, Whence("command line"), by="a test")
                sys.stdout.write(f"{url}{link.path}\n")
                sys.stdout.flush()
                with contextlib.suppress(asyncio.CancelledError):
                    await asyncio.Event().wait()
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(asyncio.run(main()))
