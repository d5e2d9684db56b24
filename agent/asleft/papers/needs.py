"""What papers need beside asleft itself, and what is said where it is not there."""

from collections.abc import Iterator
from contextlib import contextmanager

from asleft.domain.errors import AsleftError

__all__ = ["NotInstalled", "needing"]


class NotInstalled(AsleftError):
    """A library that a paper is made with is not there."""


@contextmanager
def needing(library: str, system: str = "") -> Iterator[None]:
    """Say what to install where what is imported within is not there.

    Args:
        library: Name of the Python library.
        system: What of the operating system it needs besides, and how to get it; empty where nothing.

    Raises:
        NotInstalled: The library is not there, or something of the operating system that it needs.
    """
    try:
        yield
    except ImportError as missing:
        raise NotInstalled(
            f"this paper is made with {library}, which is not installed",
            todo="install it with: pip install 'asleft[papers]'",
        ) from missing
    except OSError as missing:
        raise NotInstalled(
            f"{library} is installed, but a library of the operating system that it needs cannot be loaded",
            todo=system,
        ) from missing
