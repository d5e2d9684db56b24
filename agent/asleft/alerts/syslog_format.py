"""The form of a syslog message (RFC 5424) and of its frame in a stream (RFC 6587 3.4.1, RFC 5425 4.3): pure functions."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

__all__ = ["FACILITIES", "LOCAL", "SEVERITIES", "Element", "Message", "cut", "frame", "timestamp"]

LOCAL = tuple(f"local{number}" for number in range(8))
FACILITIES = {
    name: number
    for number, name in enumerate(
        (
            *(
                "kern",
                "user",
                "mail",
                "daemon",
                "auth",
                "syslogd",
                "lpr",
                "news",
                "uucp",
                "clock",
                "authpriv",
            ),
            *("ftp", "ntp", "log-audit", "log-alert", "clock2"),
            *LOCAL,
        )
    )
}
"""Name to facility code (RFC 5424 table 1; the standard has no short names, these are in common use)."""
SEVERITIES = {
    name: number
    for number, name in enumerate(
        ("emergency", "alert", "critical", "error", "warning", "notice", "informational", "debug")
    )
}
"""Name to severity code (RFC 5424 table 2)."""

_HOSTNAME, _APP_NAME, _PROCID, _MSGID, _SD_NAME = 255, 48, 128, 32, 32  # RFC 5424 section 6, ABNF
_NIL = "-"
_BOM = b"\xef\xbb\xbf"
_OUTSIDE = re.compile(r"[^\x21-\x7e]")  # PRINTUSASCII
_OUTSIDE_NAME = re.compile(r'[^\x21-\x7e]|[=\]"]')
_TO_ESCAPE = re.compile(r'(["\\\]])')


@dataclass(frozen=True, kw_only=True, slots=True)
class Element:
    """One element of structured data (RFC 5424 6.3).

    Args:
        id: SD-ID: a registered name, or name@enterprise number.
        params: Names and values, in order.
    """

    id: str
    params: Sequence[tuple[str, str]]

    def __str__(self) -> str:
        params = "".join(f' {_name(name)}="{_escaped(value)}"' for name, value in self.params)
        return f"[{_name(self.id)}{params}]"


@dataclass(frozen=True, kw_only=True, slots=True)
class Message:
    """One syslog message; `bytes()` gives it as it goes on the wire, every field brought within its limit.

    Args:
        facility: Facility code, 0 to 23.
        severity: Severity code, 0 to 7.
        time: When it happened, aware; None where not known.
        hostname: Host that says it; empty where not known, as in the next three.
        app_name: Program that says it.
        procid: Its process.
        msgid: Kind of message.
        data: Structured data.
        text: What is said, sent as UTF-8 behind a BOM (6.4); bytes are sent as they are (MSG-ANY); None says nothing.
    """

    facility: int
    severity: int
    time: datetime | None
    hostname: str
    app_name: str
    procid: str
    msgid: str
    data: Sequence[Element] = ()
    text: str | bytes | None = None

    def __bytes__(self) -> bytes:
        header = " ".join(
            (
                f"<{self.facility * 8 + self.severity}>1",  # 6.2.1
                _NIL if self.time is None else timestamp(self.time),
                _field(self.hostname, _HOSTNAME),
                _field(self.app_name, _APP_NAME),
                _field(self.procid, _PROCID),
                _field(self.msgid, _MSGID),
                "".join(map(str, self.data)) or _NIL,
            )
        ).encode("utf-8", "replace")
        match self.text:
            case None:
                return header
            case bytes():
                return header + b" " + self.text
            case _:
                return header + b" " + _BOM + self.text.encode("utf-8", "replace")


def timestamp(time: datetime) -> str:
    """Give a time as TIMESTAMP (6.2.3): RFC 3339, as many fraction digits as it has and never more than six."""
    offset = time.utcoffset()
    if offset is None or offset.total_seconds() % 60 != 0:  # only whole minutes can be written
        time = time.astimezone(UTC)
    fraction = f".{time.microsecond:06d}".rstrip("0").rstrip(".")
    zone = f"{time:%z}"
    return (
        time.replace(microsecond=0, tzinfo=None).isoformat()
        + fraction
        + (f"{zone[:3]}:{zone[3:5]}" if time.utcoffset() else "Z")
    )


def cut(message: bytes, longest: int) -> bytes:
    """Cut a message to a number of bytes, never within a character of UTF-8 (6.1 allows to cut at the end)."""
    return message if len(message) <= longest else message[:longest].decode("utf-8", "ignore").encode("utf-8")


def frame(message: bytes) -> bytes:
    """Put a message into a stream by octet counting: its length in bytes, a space, itself."""
    return f"{len(message)} ".encode("ascii") + message


def _field(text: str, longest: int) -> str:
    return _OUTSIDE.sub("?", text)[:longest] or _NIL


def _name(text: str) -> str:
    return _OUTSIDE_NAME.sub("?", text)[:_SD_NAME] or "?"


def _escaped(value: str) -> str:
    return _TO_ESCAPE.sub(r"\\\1", value)
