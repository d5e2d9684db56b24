"""Secrets that are shown once: how they are made, and what is kept in their place."""

import hmac
from base64 import urlsafe_b64encode
from collections.abc import Callable
from hashlib import sha256
from typing import Final

__all__ = ["Chance", "digest_of", "form_token", "is_form_token", "secret_text"]

Chance = Callable[[int], bytes]
"""Gives so many random bytes that nobody can foresee, as `secrets.token_bytes` does."""

_BYTES: Final = 32
"""256 bits; ASVS 7.2.3 asks for 128 at least."""
_LONGEST: Final = 200
_FORM: Final = b"asleft form"


def secret_text(chance: Chance) -> str:
    """Make a secret of 256 random bits, as 43 characters that stand in a URL and a cookie as they are."""
    return urlsafe_b64encode(chance(_BYTES)).rstrip(b"=").decode("ascii")


def digest_of(secret: str) -> str:
    """Give what is kept of a secret: its SHA-256, hexadecimal.

    A plain hash is enough for what has 112 bits and more (ASVS 6.5.2). A text that is no secret of ours has one, too.
    """
    return sha256(secret[:_LONGEST].encode("utf-8", "surrogatepass")).hexdigest()


def form_token(session: str) -> str:
    """Give the token that stands in every form of a session: HMAC-SHA-256 (RFC 2104) under the session's own token.

    It follows from the session and needs no keeping; the session's token does not follow from it.
    """
    return hmac.new(session.encode("utf-8", "surrogatepass"), _FORM, sha256).hexdigest()


def is_form_token(session: str, given: str) -> bool:
    """Tell whether a form came from a page of this session, in a time that says nothing about how much of it was right."""
    return hmac.compare_digest(
        form_token(session).encode("ascii"), given[:_LONGEST].encode("utf-8", "surrogatepass")
    )
