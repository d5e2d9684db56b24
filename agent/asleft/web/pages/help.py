"""Help: what shapes, states and words mean, in plain words; what to be careful about; the keys."""

from dataclasses import dataclass

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from asleft.web.web import Web

__all__ = ["routes"]


@dataclass(frozen=True, kw_only=True, slots=True)
class HelpView:
    """What the help page says beyond its own text.

    Args:
        states: States of an alarm, each with what it means.
        orders: States of an order, likewise.
        known: Words for how much of a station is known, likewise.
    """

    states: tuple[tuple[str, str], ...]
    orders: tuple[tuple[str, str], ...]
    known: tuple[tuple[str, str], ...]


_VIEW = HelpView(
    states=(
        ("unacknowledged", "It is there, and nobody has said yet that they have seen it."),
        ("acknowledged", "It is still there; somebody has seen it and looks after it."),
        ("returned unacknowledged", "It is as left again, and nobody has seen it."),
        ("shelved", "A named person put it off, with a reason, until a time; then it comes back."),
        (
            "suppressed by design",
            "The estate says that it means nothing during what is on now, as a get-in or a dark day.",
        ),
        ("out of service", "A named person took the station out of service; nothing is expected of it."),
    ),
    orders=(
        (
            "drawn up",
            "The exact writes are worked out and shown; nothing has been written. It lapses if nobody confirms it.",
        ),
        ("confirmed", "Enough people have confirmed it; it is about to be carried out."),
        ("under way", "It is being written, value by value, each one read back."),
        ("restored", "All of it was written and read back."),
        (
            "refused",
            "It ended with the station as it was found: nothing was written, or all of it was put back.",
        ),
        ("lapsed", "Nobody confirmed it in time, or the station changed meanwhile; nothing was written."),
        ("halted", "It ended neither as found nor as left, or nobody knows. Go and look at the station."),
    ),
    known=(
        ("complete", "All managed settings were read."),
        ("partial", "Some settings could not be read; they are unknown, not right."),
        ("locked", "Another controller holds a lock, so some settings could not be read."),
        ("stale", "What is known was told too long ago to say anything about now."),
        ("silent", "Something took the connection and did not answer."),
        ("unreachable", "Nothing answers at the station's address."),
    ),
)


def routes(web: Web) -> list[Route]:
    """Give the routes of the help page; it is there for those who cannot sign in, too."""

    async def page(request: Request) -> Response:
        return web.show(request, "help.html", title="Help", view=_VIEW)

    return [Route("/help", page, methods=["GET"])]
