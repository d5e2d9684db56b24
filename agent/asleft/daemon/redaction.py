"""Keeps secrets out of what is shown: values that were read as credentials, keys that name one, passwords in URLs."""

import json
import re
from typing import Final
from urllib.parse import quote

__all__ = ["HIDDEN", "Redactor", "names_a_secret", "without_userinfo"]

HIDDEN: Final = "[hidden]"
"""What stands in a secret's place."""

_SECRET_KEY = re.compile(
    r"pass(?:word|phrase|wd)|secret|token|api[-_ ]?key|authorization|cookie|credential", re.IGNORECASE
)
# RFC 3986 §3.2.1: what stands between // and @ says who asks, often with a password or a token.
_USERINFO = re.compile(r"(?<=://)[^/\s?#@]{1,500}@")


def names_a_secret(key: str) -> bool:
    """Tell whether a key's name says that its value is a secret."""
    return _SECRET_KEY.search(key) is not None


def without_userinfo(text: str) -> str:
    """Hide who asks in every URL of a text (RFC 3986 §3.2.1); a plain user name goes with it."""
    return _USERINFO.sub(f"{HIDDEN}@", text) if "@" in text else text


class Redactor:
    """Knows the secrets of this process, and hides them wherever they appear in a text."""

    def __init__(self) -> None:
        self._known: set[str] = set()
        self._pattern: re.Pattern[str] | None = None

    def learn(self, secret: str) -> None:
        """Note a secret: from here on it is hidden, as it is, in a URL and in JSON; of several lines, each line too."""
        whole = [secret, *(line for line in secret.splitlines() if line.strip())]
        forms = {
            form for one in whole for form in (one, quote(one, safe=""), quote(one), json.dumps(one)[1:-1])
        }
        self._known |= {form for form in forms if form.strip()}
        # The longest first: a secret that begins another one must not leave the other's end in sight.
        listed = sorted(self._known, key=len, reverse=True)
        self._pattern = re.compile("|".join(map(re.escape, listed))) if listed else None

    def hide(self, text: str) -> str:
        """Give a text without the secrets in it."""
        if self._pattern is not None:
            text = self._pattern.sub(HIDDEN, text)
        return without_userinfo(text)
