"""How a row of the table of operations is written: something that is looked at, or something that is done."""

from typing import Any

from asleft.web.api.operations import Operation

__all__ = ["act", "look"]


def look(
    name: str, path: str, says: str, work: Any, answer: Any, *, places: bool = False, **more: Any
) -> Operation:
    """Give a row of something that is looked at; `places` where its query may name one that is not there."""
    return Operation(
        name=name,
        method="GET",
        path=f"/api/{path}",
        says=says,
        work=work,
        answer=answer,
        problems=(404,) if places or "{" in path else (),
        **more,
    )


def act(name: str, path: str, says: str, work: Any, request: Any, answer: Any, **more: Any) -> Operation:
    """Give a row of something that is done."""
    return Operation(
        name=name,
        method="POST",
        path=f"/api/{path}",
        says=says,
        work=work,
        request=request,
        answer=answer,
        problems=(400, 404, 408, 413, 415),
        **more,
    )
