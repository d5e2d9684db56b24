"""Alerts as mail over SMTP (RFC 5321, 5322), encrypted and with the server's certificate checked."""

import asyncio
import hashlib
import ssl
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from email.headerregistry import Address, HeaderRegistry, MessageIDHeader
from email.message import EmailMessage
from email.policy import SMTP as SMTP_POLICY
from enum import StrEnum

import aiosmtplib

from asleft.alerts.trouble import trouble
from asleft.alerts.wording import subject, text
from asleft.domain.alerts.alert import Alert
from asleft.domain.mail import is_mail_address
from asleft.domain.names import harmless
from asleft.ports.alerts import NotDelivered, Undeliverable

__all__ = ["Mail", "MailServer", "Tls", "message_for"]

_LONGEST_ANSWER = 160
_FAREWELL_SECONDS = 5.0
_PERMANENT = 500  # RFC 5321 4.2.1: 4yz is worth another try, 5yz is not
_SIGN_IN_FIRST = 530  # RFC 4954 section 6: the server wants a user, the receiver is not at fault
_IMPORTANCE = {"high": "high", "medium": "normal", "low": "low"}  # RFC 2156 section 5.3.4

# A list of message ids is no free text: a long one would be folded into encoded words, which no reader threads by.
_HEADERS = HeaderRegistry()
for _name in ("references", "in-reply-to"):
    _HEADERS.map_to_type(_name, MessageIDHeader)  # type: ignore[arg-type]  # the registry itself adds the base class
_POLICY = SMTP_POLICY.clone(header_factory=_HEADERS)


class Tls(StrEnum):
    """How the way to a mail server is encrypted."""

    STARTTLS = "starttls"
    """Asked for after the greeting, and insisted on (RFC 3207)."""
    IMPLICIT = "implicit"
    """From the first byte on (RFC 8314 section 3.3)."""
    NONE = "none"
    """Not at all, because the settings say so."""


@dataclass(frozen=True, kw_only=True, slots=True)
class MailServer:
    """A mail server and how it is used.

    Args:
        host: Its name or address.
        port: Its port.
        tls: How the way there is encrypted.
        sender: Address that alerts come from.
        hello: Name that the agent's host greets with.
        user: Who signs in; empty for nobody.
        password: What goes with it, a secret.
    """

    host: str
    port: int
    tls: Tls
    sender: str
    hello: str
    user: str = ""
    password: str = field(default="", repr=False)


def message_for(alert: Alert, sender: str) -> EmailMessage:
    """Make the message of an alert; the same alert always makes the same message.

    The message id is derived from the alert's id, so that a receiver knows a repeated delivery. All messages of one
    cause refer to one id that stands for the cause, so that a reader shows them as one thread (RFC 5322 3.6.4).
    """
    domain = sender.rpartition("@")[2]
    root = f"<cause-{_token(alert.cause)}@{domain}>"
    message = EmailMessage(policy=_POLICY)
    local, _, there = alert.address.partition("@")
    message["From"] = Address(display_name="asleft", addr_spec=sender)
    message["To"] = Address(username=local, domain=there)
    message["Subject"] = subject(alert)
    message["Date"] = alert.created
    message["Message-ID"] = f"<alert-{_token(alert.id)}@{domain}>"
    message["References"] = root
    message["In-Reply-To"] = root
    message["Auto-Submitted"] = "auto-generated"  # RFC 3834 section 5: nobody's absence is answered to it
    message["Importance"] = _IMPORTANCE[alert.priority]
    message.set_content(text(alert) + "\n", charset="utf-8")
    return message


class Mail:
    """Sends each alert as one mail over one connection.

    Args:
        name: Name of the channel in the settings.
        server: The server.
        context: How certificates are checked.
        seconds: Time limit of one mail.
    """

    def __init__(self, name: str, server: MailServer, *, context: ssl.SSLContext, seconds: float) -> None:
        self._where = f"channel {name}, {server.host}:{server.port}"
        self._server = server
        self._context = context
        self._seconds = seconds

    async def send(self, alert: Alert) -> None:
        """Send one mail; it is delivered once the server said that it took it.

        Raises:
            NotDelivered: The server is away, slow, wants another certificate, user or sender, or says so with a code of 400s.
            Undeliverable: The address is none, or the server refuses the receiver or the message for good.
        """
        if not is_mail_address(alert.address):
            raise Undeliverable(
                f"'{harmless(alert.address, longest=80)}' is no mail address",
                where=self._where,
                todo=f"mend the address of '{harmless(alert.receiver, longest=80)}'",
            )
        client = self._client()
        try:
            with self._in_words(alert):
                await self._hand_over(client, message_for(alert, self._server.sender), alert.address)
            # The mail is the server's now: what goes wrong from here on must not send it twice.
            with suppress(aiosmtplib.SMTPException, OSError):
                await client.quit(timeout=min(self._seconds, _FAREWELL_SECONDS))
        finally:
            client.close()

    async def close(self) -> None:
        """Hold nothing: a connection lives as long as a mail."""

    def _client(self) -> aiosmtplib.SMTP:
        server = self._server
        return aiosmtplib.SMTP(
            hostname=server.host,
            port=server.port,
            username=server.user or None,
            password=server.password or None,
            local_hostname=server.hello,
            timeout=self._seconds,
            use_tls=server.tls is Tls.IMPLICIT,
            start_tls=server.tls is Tls.STARTTLS,
            tls_context=self._context,
        )

    async def _hand_over(self, client: aiosmtplib.SMTP, message: EmailMessage, receiver: str) -> None:
        async with asyncio.timeout(self._seconds):
            await client.connect()
            await client.send_message(message, sender=self._server.sender, recipients=[receiver])

    @contextmanager
    def _in_words(self, alert: Alert) -> Iterator[None]:
        """Turn what the library raises into our two errors; its own texts stay out where they may hold a secret."""
        try:
            yield
        except aiosmtplib.SMTPRecipientsRefused as wrong:
            refused = wrong.recipients[0]
            what = f"the server refuses '{alert.address}': {self._answer(refused)}"
            if refused.code >= _PERMANENT and refused.code != _SIGN_IN_FIRST:
                raise Undeliverable(
                    what, where=self._where, todo=f"mend the address of '{harmless(alert.receiver)}'"
                ) from None
            raise NotDelivered(what, where=self._where, todo="nothing: it is tried again") from None
        except aiosmtplib.SMTPAuthenticationError as wrong:
            raise NotDelivered(
                f"the server does not let us sign in (code {wrong.code})",
                where=self._where,
                todo="check user and credential of the channel",
            ) from None
        except aiosmtplib.SMTPSenderRefused as wrong:
            raise NotDelivered(
                f"the server refuses the sender '{self._server.sender}': {self._answer(wrong)}",
                where=self._where,
                todo="check from and user of the channel",
            ) from None
        except aiosmtplib.SMTPDataError as wrong:
            what = f"the server refuses the message: {self._answer(wrong)}"
            if wrong.code >= _PERMANENT:
                raise Undeliverable(what, where=self._where, todo="look at the mail server's log") from None
            raise NotDelivered(what, where=self._where, todo="nothing: it is tried again") from None
        except aiosmtplib.SMTPNotSupported:
            raise Undeliverable(
                f"the server takes no address with letters beyond ASCII, such as '{alert.address}'",
                where=self._where,
                todo="give another address",
            ) from None
        except aiosmtplib.SMTPResponseException as wrong:
            raise NotDelivered(
                f"the server answers {self._answer(wrong)}",
                where=self._where,
                todo="look at the mail server's log",
            ) from None
        except (aiosmtplib.SMTPException, OSError) as wrong:
            what, todo = self._trouble(wrong)
            raise NotDelivered(what, where=self._where, todo=todo) from None

    def _trouble(self, wrong: Exception) -> tuple[str, str]:
        # The library tells these two by their words alone.
        said = str(wrong)
        if "STARTTLS" in said and "not supported" in said:
            return (
                "the server offers no STARTTLS, so nothing was sent",
                "set tls to implicit, or mend the server",
            )
        if "AUTH" in said or "authentication method" in said:
            return "the server offers no way to sign in that we know", "take user out, or mend the server"
        return trouble(wrong, seconds=self._seconds)

    def _answer(self, wrong: aiosmtplib.SMTPResponseException) -> str:
        said = f"{wrong.code} {' '.join(wrong.message.split())}"
        if self._server.password:
            said = said.replace(self._server.password, "(secret)")
        return harmless(said, longest=_LONGEST_ANSWER)


def _token(identity: str) -> str:
    return hashlib.sha256(identity.encode("utf-8", "surrogatepass")).hexdigest()[:32]
