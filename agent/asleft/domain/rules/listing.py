"""Lists in a sentence: the first few by name, the rest by number."""

from collections.abc import Iterable

from asleft.domain.names import harmless

__all__ = ["first_few"]


def first_few(names: Iterable[object], *, most: int = 3) -> str:
    """Name the first few of a list and count the rest, as `bass, drums, keys and 4 more`."""
    listed = list(names)
    more = f" and {len(listed) - most} more" if len(listed) > most else ""
    return ", ".join(harmless(str(name), longest=60) for name in listed[:most]) + more
