"""What is said to somebody who is refused. An unknown person and a wrong password are the same sentence (ASVS 6.3.8)."""

from datetime import timedelta
from math import ceil

from asleft.domain.errors import AsleftError

__all__ = [
    "BadPasskey",
    "BadPassword",
    "NoAccount",
    "NoLink",
    "NoToken",
    "NotForThem",
    "NotFresh",
    "NotSignedIn",
    "NotThroughProxy",
    "SignInRefused",
    "TooBusy",
    "TooManyTries",
]


class SignInRefused(AsleftError):
    """The name and the password do not belong together, or there is no such account."""

    def __init__(self) -> None:
        super().__init__(
            "the name or the password is wrong",
            todo="try again; who has forgotten the password asks for a new link (asleft people add)",
        )


class TooManyTries(AsleftError):
    """There were too many failed tries from there, or for that name.

    Args:
        wait: So long nothing is looked at.
    """

    def __init__(self, wait: timedelta) -> None:
        self.wait = wait
        seconds = max(1, ceil(wait.total_seconds()))
        shown = f"{seconds} s" if seconds < 120 else f"{ceil(seconds / 60)} min"  # noqa: PLR2004 two minutes
        super().__init__("there were too many failed tries", todo=f"try again in {shown}")


class TooBusy(AsleftError):
    """More is asked for at once than can be served; nothing was looked at."""

    def __init__(self, what: str = "too many people sign in at once") -> None:
        super().__init__(what, todo="try again in a moment")


class NotSignedIn(AsleftError):
    """There is no such session, or it has ended."""

    def __init__(self, why: str = "nobody is signed in here, or the session has ended") -> None:
        super().__init__(why, todo="sign in")


class NotFresh(AsleftError):
    """What was asked for changes how an account can be entered, and the person signed in too long ago for that."""

    def __init__(self) -> None:
        super().__init__("this is only done shortly after signing in", todo="give your password again")


class BadPassword(AsleftError):
    """A password that was chosen is too easy to guess, too short or too long."""


class NoLink(AsleftError):
    """A one-time link is unknown, was used, was followed by another one, or has ended."""

    def __init__(self) -> None:
        super().__init__(
            "this link does not work: it was used, has ended, or a newer one was made",
            todo="ask for a new one (asleft people add)",
        )


class NoAccount(AsleftError):
    """Nobody in people.yaml has that key, or there is no account for it."""


class NotForThem(AsleftError):
    """Something about the account of another person is asked for by somebody who may not have it done."""


class NoToken(AsleftError):
    """A token is unknown, revoked or has ended; or it cannot be made like this."""


class BadPasskey(AsleftError):
    """What an authenticator answered does not hold, or a passkey cannot be added like this."""


class NotThroughProxy(AsleftError):
    """A request does not come from whom the settings name, or does not say plainly who asks."""
