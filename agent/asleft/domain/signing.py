"""Signed web calls: HMAC-SHA-256 (RFC 2104, FIPS 180-4) over the time of the call and its body."""

import hashlib
import hmac
import re
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta

from asleft.domain.errors import AsleftError

__all__ = ["LEAST_SECRET", "SIGNATURE", "TIMESTAMP", "NotSigned", "sign", "verify", "weak"]

TIMESTAMP = "X-Asleft-Timestamp"
"""Header that says when a call was made, in whole seconds since 1970-01-01T00:00:00Z."""
SIGNATURE = "X-Asleft-Signature"
"""Header that holds the signature, as `v1=` and 64 hexadecimal digits."""
LEAST_SECRET = 32
"""Fewest bytes of a secret: a key shorter than the hash's output weakens it (RFC 2104 section 3)."""

_SECONDS = re.compile(r"[0-9]{1,12}\Z")
_SIGNED = re.compile(r"v1=[0-9a-f]{64}\Z")


class NotSigned(AsleftError):
    """A web call is not signed by who knows the secret, or not lately."""


def weak(secret: str) -> bool:
    """Tell whether a secret is too short to sign with."""
    return len(secret.encode("utf-8", "surrogateescape")) < LEAST_SECRET


def sign(body: bytes, secret: str, *, at: datetime) -> dict[str, str]:
    """Give the two headers that sign a body as sent at a time.

    Args:
        body: What is sent, byte for byte.
        secret: What only both ends know, as text; its UTF-8 form is the key.
        at: When it is sent, aware.
    """
    seconds = str(int(at.timestamp()))
    return {TIMESTAMP: seconds, SIGNATURE: _signature(seconds, body, secret)}


def verify(
    headers: Mapping[str, str], body: bytes, secret: str, *, now: datetime, tolerance: timedelta
) -> None:
    """Accept a web call only if it was signed with the secret, at most the tolerance away from now.

    Args:
        headers: Headers of the call; their names in any case.
        body: What arrived, byte for byte.
        secret: What only both ends know.
        now: The time now, aware.
        tolerance: How far the two clocks may be apart, with the time under way in it.

    Raises:
        NotSigned: A header is missing, twice or malformed, the signature is another's, or the call is too old or too new.
    """
    if weak(secret):
        raise NotSigned("the secret here is too short to trust", todo=f"make one of {LEAST_SECRET} bytes")
    seconds, signature = _one(headers, TIMESTAMP), _one(headers, SIGNATURE)
    if not _SECONDS.match(seconds):
        raise NotSigned(f"{TIMESTAMP} is no whole number of seconds", todo="send seconds since 1970, UTC")
    if not _SIGNED.match(signature):
        raise NotSigned(f"{SIGNATURE} has the wrong form", todo="send v1= and 64 hexadecimal digits")
    # The signature first: what an unsigned time says is of no interest.
    if not hmac.compare_digest(signature, _signature(seconds, body, secret)):
        raise NotSigned(
            "the signature does not fit the call", todo="check that both ends hold the same secret"
        )
    apart = abs(now - datetime(1970, 1, 1, tzinfo=UTC) - timedelta(seconds=int(seconds)))
    if apart > tolerance:
        raise NotSigned(
            f"the call was signed {apart.total_seconds():.0f} s away from now",
            todo=f"set both clocks; {tolerance.total_seconds():.0f} s are allowed",
        )


def _signature(seconds: str, body: bytes, secret: str) -> str:
    key = secret.encode("utf-8", "surrogateescape")
    return "v1=" + hmac.new(key, seconds.encode("ascii") + b"." + body, hashlib.sha256).hexdigest()


def _one(headers: Mapping[str, str], name: str) -> str:
    values = [value for key, value in headers.items() if key.lower() == name.lower()]
    if len(values) != 1:
        raise NotSigned(f"{name} is {'there twice' if values else 'missing'}", todo="send it once")
    return values[0]
