"""From the settings to channels that deliver: whatever is missing is told here, at the start, not at the first alarm."""

import ssl
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TextIO
from urllib.parse import urlsplit

from asleft.alerts.addresses import is_host
from asleft.alerts.rows import ChannelRow, ChatRow, MailRow, StdoutRow, SyslogRow, WebhookRow
from asleft.domain.errors import AsleftError
from asleft.domain.names import NAME_RULE, harmless, is_name
from asleft.domain.signing import LEAST_SECRET, weak
from asleft.ports.alerts import Channel
from asleft.ports.clock import Clock

__all__ = ["BadChannel", "make_channels"]

_MAIL_PORTS = {"starttls": 587, "implicit": 465, "none": 25}  # RFC 6409 3.1, RFC 8314 7.3, RFC 5321 4.5.4.2
_SYSLOG_PORTS = {"udp": 514, "tcp": 601, "tls": 6514}  # RFC 5426 3.3, RFC 3195 section 9, RFC 5425 4.1
_LOOPBACK = frozenset({"localhost", "127.0.0.1", "::1"})


class BadChannel(AsleftError):
    """A channel of the settings cannot work as it is written."""


def make_channels(
    rows: Mapping[str, ChannelRow],
    secrets: Callable[[str], str],
    *,
    clock: Clock,
    hostname: str,
    process: str,
    stdout: TextIO,
) -> dict[str, Channel]:
    """Make the channels of the settings, by name; nothing is connected yet.

    Args:
        rows: Section `channels` of the settings.
        secrets: Gives what a credentials file holds, by its name; raises LookupError or OSError where there is none.
        clock: Time of signatures.
        hostname: Name of this host, as syslog and mail servers are told it.
        process: Number of this process, as syslog is told it.
        stdout: Stream of the kind `stdout`.

    Raises:
        BadChannel: A credential is missing or useless, a certificate file cannot be read, or two settings contradict.
    """
    made: dict[str, Channel] = {}
    for name, row in rows.items():
        if not is_name(name):
            raise BadChannel(f"'{harmless(name)}' is no name of a channel: {NAME_RULE}", where="channels")
        match row:
            case MailRow():
                made[name] = _mail(name, row, secrets, hostname)
            case WebhookRow():
                made[name] = _webhook(name, row, secrets, clock)
            case SyslogRow():
                made[name] = _syslog(name, row, hostname, process)
            case ChatRow():
                from asleft.alerts.chat import Chat  # noqa: PLC0415 each kind's library is loaded only where it is used

                made[name] = Chat(name, _secret(name, row.url, secrets), seconds=row.seconds)
            case StdoutRow():
                from asleft.alerts.stdout import Stdout  # noqa: PLC0415

                made[name] = Stdout(name, stdout, seconds=row.seconds)
    return made


def _mail(name: str, row: MailRow, secrets: Callable[[str], str], hostname: str) -> Channel:
    from asleft.alerts.mail import Mail, MailServer, Tls  # noqa: PLC0415

    if bool(row.user) != (row.credential is not None):
        missing = "credential" if row.user else "user"
        raise BadChannel(
            f"{missing} is missing: a user and a credential go together",
            where=f"channels.{name}",
            todo=f"write a line '{missing}: …', or take the other one out",
        )
    if row.user and row.tls == "none" and row.host not in _LOOPBACK:
        raise BadChannel(
            "the password would travel in the clear",
            where=f"channels.{name}",
            todo="set tls to starttls or implicit",
        )
    server = MailServer(
        host=row.host,
        port=row.port or _MAIL_PORTS[row.tls],
        tls=Tls(row.tls),
        sender=row.from_,
        hello=hostname if is_host(hostname) else "localhost",
        user=row.user,
        password="" if row.credential is None else _secret(name, row.credential, secrets),
    )
    return Mail(name, server, context=_context(name, row.ca_file), seconds=row.seconds)


def _webhook(name: str, row: WebhookRow, secrets: Callable[[str], str], clock: Clock) -> Channel:
    from asleft.alerts.webhook import Webhook  # noqa: PLC0415

    if urlsplit(row.url).scheme != "https" and row.tls != "none":
        raise BadChannel(
            "the address does not begin with https",
            where=f"channels.{name}",
            todo="write https, or 'tls: none' where anybody on the way may read along",
        )
    secret = _secret(name, row.secret, secrets)
    if weak(secret):
        raise BadChannel(
            f"the secret in credential '{row.secret}' is shorter than {LEAST_SECRET} bytes",
            where=f"channels.{name}",
            todo="make one with: openssl rand -hex 32",
        )
    return Webhook(
        name, row.url, secret, context=_context(name, row.ca_file), clock=clock, seconds=row.seconds
    )


def _syslog(name: str, row: SyslogRow, hostname: str, process: str) -> Channel:
    from asleft.alerts.syslog import Collector, Syslog, Transport  # noqa: PLC0415
    from asleft.alerts.syslog_format import FACILITIES  # noqa: PLC0415

    collector = Collector(
        host=row.host,
        port=row.port or _SYSLOG_PORTS[row.transport],
        transport=Transport(row.transport),
        facility=FACILITIES[row.facility],
        hostname=hostname,
        process=process,
    )
    return Syslog(name, collector, context=_context(name, row.ca_file), seconds=row.seconds)


def _secret(name: str, credential: str, secrets: Callable[[str], str]) -> str:
    try:
        secret = secrets(credential).strip()
    except (LookupError, OSError):
        secret = ""
    if not secret:
        raise BadChannel(
            f"the credential '{credential}' is missing or empty",
            where=f"channels.{name}",
            todo="put the secret into a credentials file of that name",
        ) from None
    return secret


def _context(name: str, ca_file: Path | None) -> ssl.SSLContext:
    try:
        return ssl.create_default_context(cafile=ca_file)
    except OSError as wrong:
        raise BadChannel(
            f"the certificates in {ca_file} cannot be read",
            where=f"channels.{name}",
            todo="name a PEM file as ca-file",
        ) from wrong
