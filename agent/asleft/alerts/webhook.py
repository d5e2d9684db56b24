"""Alerts as signed web calls: JSON in a POST, with HMAC-SHA-256 over the time and the body (`domain.signing`)."""

import asyncio
import json
import ssl
from datetime import timedelta
from email.utils import parsedate_to_datetime
from typing import TYPE_CHECKING
from urllib.parse import quote, urlsplit

from asleft.alerts.quiet import hush
from asleft.alerts.trouble import trouble
from asleft.alerts.wording import subject, text
from asleft.domain.alerts.alert import Alert
from asleft.domain.signing import sign
from asleft.ports.alerts import NotDelivered, Undeliverable
from asleft.ports.clock import Clock

if TYPE_CHECKING:
    import httpx

__all__ = ["ID", "AskedToWait", "Webhook", "body_of"]

ID = "X-Asleft-Id"
"""Header that holds the alert's id, percent-encoded: the same for every try, so that a repeat can be told."""

_MOST_ANSWER = 64 * 1024
_LONGEST_WAIT = timedelta(days=1)
_LATER = frozenset({408, 425, 429})  # RFC 9110 15.5.9, RFC 8470 5.2, RFC 6585 section 4
_WAIT_TOLD = frozenset({429, 503})  # RFC 6585 section 4, RFC 9110 10.2.3


class AskedToWait(NotDelivered):
    """The receiver said how long to wait before the next try.

    Attributes:
        retry_after: How long, at most a day.
    """

    def __init__(self, what: str, *, retry_after: timedelta, where: str = "", todo: str = "") -> None:
        super().__init__(what, where=where, todo=todo)
        self.retry_after = retry_after


def body_of(alert: Alert) -> bytes:
    """Give the JSON of an alert; the same alert always gives the same bytes.

    Raises:
        ValueError: Its data hold what JSON cannot.
    """
    told = {
        "schema": "asleft-alert",
        "version": 1,
        "id": alert.id,
        "receiver": alert.receiver,
        "priority": str(alert.priority),
        "created": alert.created.isoformat(),
        # As data tells it: the cause itself may name what its receiver may not be told.
        "cause": alert.data.get("cause", alert.cause),
        "subject": subject(alert),
        "text": text(alert),
        "data": dict(alert.data),
    }
    return json.dumps(told, allow_nan=False, separators=(",", ":")).encode("ascii")


class Webhook:
    """Posts each alert to one URL.

    Args:
        name: Name of the channel in the settings.
        url: Where to; it is told without its path and query, which may be secret.
        secret: What the receiver checks the signature with.
        context: How certificates are checked.
        clock: Time of the signature.
        seconds: Time limit of one call.
    """

    def __init__(
        self, name: str, url: str, secret: str, *, context: ssl.SSLContext, clock: Clock, seconds: float
    ) -> None:
        parts = urlsplit(url)
        self._where = f"channel {name}, {parts.scheme}://{parts.hostname}" + (
            f":{parts.port}" if parts.port else ""
        )
        self._url = url
        self._secret = secret
        self._context = context
        self._clock = clock
        self._seconds = seconds

    async def send(self, alert: Alert) -> None:
        """Make one call; the alert is delivered once it is answered with 2xx.

        Raises:
            NotDelivered: No answer, a redirection (never followed), 408, 425, 429 or 5xx; as `AskedToWait` where told how long.
            Undeliverable: Any other answer.
        """
        import httpx  # noqa: PLC0415 takes a fifth of a second to load

        hush("httpx", "httpcore")
        try:
            body = body_of(alert)
        except ValueError as wrong:
            raise Undeliverable(
                "the alert holds a value that JSON cannot", where=self._where, todo="report this, it is a bug"
            ) from wrong
        try:
            async with asyncio.timeout(self._seconds):
                status, wait = await self._post(alert, body)
        except (httpx.HTTPError, httpx.InvalidURL, OSError, ValueError) as wrong:
            what, todo = trouble(wrong, seconds=self._seconds)
            if isinstance(wrong, httpx.TimeoutException):
                what, todo = trouble(TimeoutError(), seconds=self._seconds)
            elif isinstance(wrong, httpx.RemoteProtocolError):
                what, todo = (
                    "it dropped the connection, or does not speak HTTP",
                    "look at the other end's log",
                )
            raise NotDelivered(what, where=self._where, todo=todo) from None
        self._judge(status, wait)

    async def close(self) -> None:
        """Hold nothing: a connection lives as long as a call."""

    async def _post(self, alert: Alert, body: bytes) -> tuple[int, str]:
        import httpx  # noqa: PLC0415

        headers = {
            "Content-Type": "application/json",
            "User-Agent": "asleft",
            ID: quote(alert.id, safe="", errors="replace"),
            **sign(body, self._secret, at=self._clock()),
        }
        async with (
            # The environment is not asked for proxies or credentials: only the outermost floor reads it.
            httpx.AsyncClient(
                verify=self._context, trust_env=False, follow_redirects=False, timeout=self._seconds
            ) as client,
            client.stream("POST", self._url, content=body, headers=headers) as response,
        ):
            await _drain(response)
            return response.status_code, response.headers.get("Retry-After", "")

    def _judge(self, status: int, wait: str) -> None:
        if 200 <= status < 300:  # noqa: PLR2004 RFC 9110 15.3
            return
        what = f"the receiver answers {status}"
        if 300 <= status < 400:  # noqa: PLR2004 RFC 9110 15.4
            raise NotDelivered(
                f"{what}: it wants the call elsewhere, and no redirection is followed",
                where=self._where,
                todo="write the new address into the settings",
            )
        if status not in _LATER and status < 500:  # noqa: PLR2004 RFC 9110 15.6
            raise Undeliverable(
                what, where=self._where, todo="check url and secret of the channel with the receiver"
            )
        asked = self._asked(wait) if status in _WAIT_TOLD else None
        if asked is not None:
            raise AskedToWait(
                f"{what} and wants no call for {asked.total_seconds():.0f} s",
                where=self._where,
                todo="nothing: it is tried again",
                retry_after=asked,
            )
        raise NotDelivered(what, where=self._where, todo="look at the receiver's log")

    def _asked(self, wait: str) -> timedelta | None:
        """Read Retry-After: seconds or a date (RFC 9110 10.2.3); what is neither asks for nothing."""
        if wait.isascii() and wait.isdigit():
            return min(timedelta(seconds=int(wait[:9])), _LONGEST_WAIT)
        try:
            until = parsedate_to_datetime(wait) - self._clock()
        except (ValueError, TypeError, OverflowError):
            return None
        return min(max(until, timedelta()), _LONGEST_WAIT)


async def _drain(response: "httpx.Response") -> None:
    """Read a short answer to its end, so that the other side sees no reset, and leave a long one."""
    read = 0
    async for piece in response.aiter_raw():
        read += len(piece)
        if read > _MOST_ANSWER:
            return
