"""Forms of orders as a browser sends them, and pages as a person reads them."""

import asyncio
import html
import re
from collections.abc import Sequence

import httpx

__all__ = ["plain", "post", "settled", "token"]

_TOKEN = re.compile(r'name="form-token" value="([0-9a-f]{64})"')


async def token(client: httpx.AsyncClient) -> str:
    """Give the token that stands in every form of a session."""
    found = _TOKEN.search((await client.get("/help")).text)
    assert found is not None
    return found[1]


def plain(text: str) -> str:
    """Give a page's main part as a person reads it."""
    main = text.partition("<main")[2].partition("</main>")[0].partition(">")[2]
    return " ".join(html.unescape(re.sub(r"<[^>]*>", "", main)).split())


async def post(
    client: httpx.AsyncClient,
    path: str,
    *,
    reason: str = "before doors",
    accept: Sequence[str] = (),
    **more: str,
) -> httpx.Response:
    """Send the form of a confirmation."""
    fields = {"form-token": await token(client), "reason": reason, "accept": list(accept), **more}
    return await client.post(path, data=fields)


async def settled(client: httpx.AsyncClient, path: str, *, until: str = "") -> str:
    """Give an order's page once nothing is going on there any more, and something stands on it."""
    async with asyncio.timeout(20):
        while True:
            text = (await client.get(path)).text
            if "It goes on if you leave this page" not in text and until in text:
                return text
            await asyncio.sleep(0)
