"""Every page, while stations say the worst of themselves: markup, escapes, direction marks, 10,000 characters (ASVS 1.2.1)."""

import re
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

from asleft.web.app import _pages
from asleft.web.web import Web
from estates import HALL, WREN
from stage import DRUMS, drawn
from web.order_forms import post, settled
from web.page import Elements, Page, a_page
from web.side_stage import HOSTILE, proposing, send

BASS = f"{HALL}/bass"
WORST = HOSTILE + "\u2066\u200f\x00\x1b[2J\r\n<script>alert(2)</script>' onmouseover='alert(3)" + "a" * 10_000
_PARAMETER = re.compile(r"\{([a-z_]+)\}")


def say(page: Page, station: str, setting: str, words: str) -> None:
    """Have a station say something of itself that its panel would not take."""

    async def write() -> None:
        page.bench.station(station)._binding(setting).write(words)

    page.bench.fleet.call(write)


async def the_worst(page: Page) -> dict[str, list[str]]:
    """Let two stations say the worst, and people act on it; gives what stands for each part of a path."""
    await page.desk.round()
    page.bench.fleet.call(lambda: page.bench.fleet.fleet.exchange(DRUMS, serial=WORST, firmware=f"2{WORST}"))
    say(page, BASS, "label", WORST)
    page.bench.meddle(BASS, "panel.key-dim", "60 %")
    await page.desk.round()
    await page.clock.sleep(600)
    await page.desk.round()
    (order,) = await drawn(page.desk, BASS)
    await page.desk.proposing.adopt(BASS, ["panel.key-dim"], by=WREN, reason=WORST[:480].replace("\x00", ""))
    alarms = page.desk.alarms().alarms
    settings = {alarm.drift.key.setting or alarm.drift.key.kind.value for alarm in alarms}
    return {
        "site": [HALL],
        "name": ["drums", "bass"],
        "setting": sorted({*settings, "label"}),
        "commit": [one.commit for one in page.desk.entries()],
        "order": [order.id],
        "proposal": [one.revision.commit for one in page.desk.proposals(9)],
    }


def ways(route: str, parts: dict[str, list[str]]) -> Iterator[str]:
    """Give every path of a route; a part that is not known is an error, so that no new page is passed over."""
    if route.startswith("/orders/"):
        parts = {**parts, "name": parts["order"]}
    if route.startswith("/baseline/proposals/"):
        parts = {**parts, "commit": parts["proposal"]}
    found = _PARAMETER.search(route)
    if found is None:
        yield route
        return
    for value in parts[found[1]]:
        yield from ways(route.replace(found[0], quote(value), 1), parts)


def wrong_with(path: str, text: str, kind: str) -> Iterator[str]:
    """Say what of a page a browser would take for more than text, or what fills the screen.

    What is signed is a file that a browser keeps (`Content-Disposition`): in it a name stands as it is (RFC 8785).
    """
    if kind == "application/json":
        return
    for what, bad in (("markup", "<img"), ("markup", "<script>alert"), ("an escape", "\x1b")):
        if bad in text and (kind != "text/csv" or what != "markup"):
            yield f"{path}: {what} as it is"
    if set(text) & set("\u202e\u2066\u200f\x00\x07"):
        yield f"{path}: what turns lines round, or commands a terminal"
    if "a" * 2_100 in text:
        yield f"{path}: all of a name of 10,000 characters"
    if kind == "text/html":
        acting = [name for _, some in Elements(text).all for name in some if name.startswith("on")]
        if acting or "img" in {tag for tag, _ in Elements(text).all}:
            yield f"{path}: {acting} of an element"


def shown_routes(page: Page) -> list[str]:
    """Give the paths of all pages that show something to who is signed in."""
    paths = [route.path for route in _pages(Web(page.parts)) if "GET" in (route.methods or ())]
    return [path for path in paths if not path.startswith(("/api", "/first", "/sign-in"))]


async def test_the_worst_is_text_on_every_page(tmp_path: Path) -> None:
    """Each page of each route, before and after an order that writes a hostile value away, is harmless and not endless."""
    with a_page(tmp_path, ("drums", "bass")) as page, proposing(page):
        parts = await the_worst(page)
        routes = shown_routes(page)
        assert len(routes) > 20
        wrong: list[str] = []
        said = ""
        async with page.signed_in() as client:
            for again in (False, True):
                for route in routes:
                    for path in ways(route, parts):
                        answer = await client.get(path)
                        # A setting that does not drift has no page of an alarm.
                        fine = {200, 404} if "{setting}" in route else {200}
                        if answer.status_code not in fine:
                            wrong.append(f"{path}: answered {answer.status_code}")
                        kind = answer.headers["content-type"].partition(";")[0]
                        wrong += wrong_with(path, answer.text, kind)
                        said += answer.text
                if not again:
                    (order,) = parts["order"]
                    await send(client, f"/alarms/{DRUMS}", "acknowledge", reason=WORST[:400])
                    await post(client, f"/orders/{order}", accept=[])
                    await settled(client, f"/orders/{order}")
                    parts["commit"] = [one.commit for one in page.desk.entries()]
    assert not wrong, "\n".join(wrong)
    assert said.count("onerror=alert(1)") > 20
