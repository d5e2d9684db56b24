"""Alerts to whatever the apprise library reaches; each service is one URL, and that URL is a secret."""

from urllib.parse import quote

from asleft.alerts.aside import Aside
from asleft.alerts.quiet import hush
from asleft.alerts.wording import subject, text
from asleft.domain.alerts.alert import Alert
from asleft.ports.alerts import NotDelivered, Undeliverable

__all__ = ["ADDRESS", "Chat", "NoService"]

ADDRESS = "{address}"
"""Stands in a URL for the address of the alert, so that one channel reaches many people."""

_TALKERS = ("apprise", "urllib3", "requests", "requests_oauthlib", "oauthlib", "slixmpp", "paho")


class NoService(ValueError):
    """A URL names no service that apprise knows; the URL itself is not told, it may be a secret."""


class Chat:
    """Sends alerts through one apprise URL.

    Args:
        name: Name of the channel in the settings.
        url: The URL, a secret; `{address}` in it is replaced by the alert's address, escaped.
        seconds: Time limit of one message.
    """

    def __init__(self, name: str, url: str, *, seconds: float) -> None:
        self._where = f"channel {name}"
        self._url = url
        self._seconds = seconds
        self._aside = Aside(f"alerts to {name}")

    async def send(self, alert: Alert) -> None:
        """Send one message; it is delivered once the service accepted it.

        Raises:
            NotDelivered: The service did not accept it, or not in time; apprise does not tell a refusal for good from one
                for now, so it is tried again.
            Undeliverable: The URL wants an address and the alert has none, or no service can be made of both.
        """
        if ADDRESS in self._url and not alert.address:
            raise Undeliverable(
                f"'{alert.receiver}' has no address for this channel",
                where=self._where,
                todo="give one in people.yaml, under reach",
            )
        url = self._url.replace(ADDRESS, quote(alert.address, safe=""))
        title, body, urgent = subject(alert), text(alert), alert.priority == "high"
        try:
            accepted = await self._aside.run(
                lambda: _notify(url, title, body, urgent=urgent), seconds=self._seconds
            )
        except NoService:
            raise Undeliverable(
                "no service can be made of the URL and the address",
                where=self._where,
                todo="check the credential against apprise's list of services, and the receiver's address",
            ) from None
        except TimeoutError:
            raise NotDelivered(
                f"the service did not answer within {self._seconds:g} s",
                where=self._where,
                todo="check that it can be reached",
            ) from None
        except Exception as wrong:  # noqa: BLE001 over a hundred services, each with errors of its own that may hold the URL
            raise NotDelivered(
                f"sending failed ({type(wrong).__name__})",
                where=self._where,
                todo="try the same URL with apprise's own command",
            ) from None
        if not accepted:
            raise NotDelivered(
                "the service did not accept the message",
                where=self._where,
                todo="check the URL in the credential, and the service",
            )

    async def close(self) -> None:
        """Hold nothing: a connection lives as long as a message."""


def _notify(url: str, title: str, body: str, *, urgent: bool) -> bool:
    hush(*_TALKERS)
    import apprise  # noqa: PLC0415 takes half a second to load

    asset = apprise.AppriseAsset(
        app_id="asleft",
        app_desc="asleft",
        app_url="",
        storage_mode=apprise.PersistentStoreMode.MEMORY,
        async_mode=False,
        # No limit of apprise's own: it would move the call to a pool that is waited for at the end of the program.
        service_timeout=0,
        http_redirects=False,
        allow_templates=False,
    )
    service = apprise.Apprise.instantiate(url, asset=asset)
    if service is None:
        raise NoService
    if service.overflow_mode is apprise.OverflowMode.UPSTREAM:
        service.overflow_mode = apprise.OverflowMode.TRUNCATE
    caller = apprise.Apprise(asset=asset)
    caller.add(service)
    kind = apprise.NotifyType.FAILURE if urgent else apprise.NotifyType.WARNING
    return bool(caller.notify(body, title, notify_type=kind, body_format=apprise.NotifyFormat.TEXT))
