"""What the page refuses, with the status that goes with it."""

from asleft.domain.errors import AsleftError

__all__ = ["FormRefused", "SignInFirst"]


class SignInFirst(AsleftError):
    """Nobody is signed in here, or the session has ended.

    Args:
        to: Path to which signing in leads back.
    """

    def __init__(self, to: str) -> None:
        super().__init__("nobody is signed in here", todo="sign in")
        self.to = to


class FormRefused(AsleftError):
    """A form did not come from a page of this session, or is none; nothing was done."""
