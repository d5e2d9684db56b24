"""Lists in pieces: every list has a limit, and a cursor says where the next piece begins."""

from collections.abc import Callable, Sequence
from typing import TypeVar

from asleft.web.api.problems import ApiRefused
from asleft.web.api.shapes import PageQuery

__all__ = ["follow", "piece"]

_Item = TypeVar("_Item")


def piece(
    items: Sequence[_Item], key: Callable[[_Item], str], query: PageQuery
) -> tuple[Sequence[_Item], str | None]:
    """Give a piece of items that are sorted by a key, and the cursor of the next one; None at the end.

    The cursor is the key of the last item that was given: what comes or goes meanwhile moves nothing else.
    """
    rest = [item for item in items if key(item) > query.cursor] if query.cursor else items
    some = rest[: query.limit]
    return some, key(some[-1]) if len(rest) > len(some) else None


def follow(
    items: Sequence[_Item], key: Callable[[_Item], str], query: PageQuery
) -> tuple[Sequence[_Item], str | None]:
    """Give the same of items in an order of their own; the one that a cursor names has to be there still.

    Raises:
        ApiRefused: It is not.
    """
    begin = 0
    if query.cursor:
        at = next((at for at, item in enumerate(items) if key(item) == query.cursor), None)
        if at is None:
            raise ApiRefused(
                "not-now", "the list has changed since", where="cursor", todo="begin again without a cursor"
            )
        begin = at + 1
    some = items[begin : begin + query.limit]
    return some, key(some[-1]) if begin + len(some) < len(items) else None
