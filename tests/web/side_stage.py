"""What tests of the pages about sites, stations and alarms share: a drift that is an alarm, and forms that are sent."""

import html
import re
from collections.abc import Iterator
from contextlib import contextmanager

import httpx

from asleft.daemon.home import Home
from asleft.daemon.proposing import proposals_of
from asleft.daemon.settings.settings import read_settings
from stage import DRUMS
from web.page import Page

__all__ = ["HOSTILE", "PELL", "alarmed", "plain", "proposing", "send", "shown_on", "token"]

PELL = "pell-osgood"
"""Somebody who may only look."""
HOSTILE = "<img src=x onerror=alert(1)>\u202e\x1b]0;x\x07"
_BLOCKS = re.compile(
    r"</?(?:p|h[1-6]|dt|dd|li|td|th|div|section|title|desc|text|summary|label|button|option|figcaption|legend)\b[^>]*>"
)
_TOKEN = re.compile(r'name="form-token" value="([0-9a-f]{64})"')


def plain(text: str) -> str:
    """Give a page's main part as a person reads it."""
    main = text.partition("<main")[2].partition("</main>")[0].partition(">")[2]
    apart = _BLOCKS.sub(" ", main)
    return " ".join(html.unescape(re.sub(r"<[^>]*>", "", apart)).split())


async def token(client: httpx.AsyncClient) -> str:
    """Give the token that stands in every form of a session."""
    found = _TOKEN.search((await client.get("/help")).text)
    assert found is not None
    return found[1]


def shown_on(text: str, act: str, cause: str = "") -> str:
    """Give what a page says that it shows, from its form for an act, at a cause where one is named; empty where it has none."""
    for form in re.findall(r"<form\b.*?</form>", text, re.DOTALL):
        hidden: dict[str, str] = dict(
            re.findall(r'<input type="hidden" name="([^"]*)" value="([^"]*)">', form)
        )
        if (hidden.get("act"), hidden.get("cause", "")) == (act, cause):
            return hidden["shown"]
    return ""


async def send(client: httpx.AsyncClient, path: str, act: str, **fields: str | list[str]) -> httpx.Response:
    """Send one of a page's forms; one that is for what the page shows is that of the page as it is now, unless `shown` is given."""
    given = {name.replace("_", "-"): value for name, value in fields.items()}
    if act in {"acknowledge", "shelve"} and "shown" not in given:
        given["shown"] = shown_on((await client.get(path)).text, act, str(given.get("cause", "")))
    return await client.post(path, data={"form-token": await token(client), "act": act, **given})


async def alarmed(page: Page, setting: str, value: str, station: str = DRUMS) -> None:
    """Have somebody change a setting at a station, and let the on-delay go by."""
    page.bench.meddle(station, setting, value)
    await page.desk.round()
    await page.clock.sleep(10)
    await page.desk.round()


@contextmanager
def proposing(page: Page) -> Iterator[None]:
    """Let the page's desk propose changes of the baseline."""
    home = Home(page.bench.home)
    trials = proposals_of(home, read_settings(home.settings))
    page.desk._trials = trials
    try:
        yield
    finally:
        trials.close()
