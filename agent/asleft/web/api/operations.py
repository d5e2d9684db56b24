"""What one operation is: declared once, for the table of routes and for the document alike."""

import asyncio
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, Literal, TypeVar

from pydantic import BaseModel
from starlette.requests import Request

from asleft.domain.estate import Estate, StationId
from asleft.domain.orders import Order
from asleft.domain.people import Right
from asleft.domain.site import Site
from asleft.web.api.callers import Caller, Callers
from asleft.web.api.problems import ApiRefused
from asleft.web.api.proof import proof_asked
from asleft.web.api.shapes import NoQuery, Query
from asleft.web.logged import note
from asleft.web.parts import Parts
from asleft.web.refusals import HIDDEN
from asleft.web.web import Web
from asleft.work.in_part import InPart

__all__ = ["LOOK", "Ask", "House", "Operation", "Proof", "Replied", "Work"]

LOOK: Final = (Right.LOOK,)
_Given = TypeVar("_Given", bound=BaseModel)
Proof = Callable[[Estate, Sequence[Order]], str]
"""Says for what an estate asks a person to prove a confirmation; empty where it asks for nothing."""


class House:
    """What operations work with; one for the life of the application.

    Args:
        web: The frame of the pages: it knows from where a request comes.
        proof: As `proof_asked`.
    """

    def __init__(self, web: Web, proof: Proof = proof_asked) -> None:
        self.proof = proof
        self.web = web
        self.parts: Parts = web.parts
        self.callers = Callers(web)
        self.tasks: set[asyncio.Task[object]] = set()
        """What goes on after its answer."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Ask:
    """One request that was let in and read.

    Args:
        house: What to work with.
        caller: Who asks.
        request: The request.
        path: Parts of its address by name.
        query: What stands behind the question mark.
        body: What was sent; None where nothing is taken.
    """

    house: House
    caller: Caller
    request: Request
    path: Mapping[str, str] = field(default_factory=dict)
    query: BaseModel = field(default_factory=NoQuery)
    body: BaseModel | None = None

    @property
    def parts(self) -> Parts:
        """What the page is given, too."""
        return self.house.parts

    @property
    def in_part(self) -> InPart:
        """What the desk answers, as far as it may be told to who asks: all that an operation tells comes from it."""
        return self.house.web.in_part(self.caller.person)

    def asked(self, kind: type[_Given]) -> _Given:
        """Give what stands behind the question mark."""
        assert isinstance(self.query, kind)  # noqa: S101 it is what the operation declares
        return self.query

    def sent(self, kind: type[_Given]) -> _Given:
        """Give what was sent."""
        assert isinstance(self.body, kind)  # noqa: S101 it is what the operation declares
        return self.body

    def again(self) -> Caller:
        """Give who asks, with what it may do by now.

        Raises:
            NoToken: The token does not count any more.
        """
        return self.house.callers.again(self.caller, self.request)

    def site(self, estate: Estate) -> Site:
        """Give the site of the address.

        Raises:
            ApiRefused: There is none, or it may not be looked at; which of the two is not told.
        """
        return estate.sites[self.place(estate, self.path["site"]).site]

    def station(self, estate: Estate) -> StationId:
        """Give the station of the address; raises as `site`."""
        return self.place(estate, f"{self.path['site']}/{self.path['station']}")

    def place(self, estate: Estate, name: str) -> StationId:
        """Give the station, or the site with an empty name, that a name stands for; raises as `site`."""
        site, _, station = name.partition("/")
        found = StationId(site, station)
        there = found in estate.stations if station else site in estate.sites
        if not there or not self.caller.sees(site):
            if there:
                note(self.request, HIDDEN)
            raise ApiRefused(
                "not-there",
                f"there is no {'station' if station else 'site'} '{name}', or this token may not look there",
                todo="GET /api/sites names those that it may look at",
            )
        return found


Replied = BaseModel | tuple[BaseModel, int]
"""An answer; with its status where that is not the first one declared."""
Work = Callable[[Ask], Awaitable[Replied]]


@dataclass(frozen=True, kw_only=True, slots=True)
class Operation:
    """One operation.

    Args:
        name: What it is called in the document, one word of letters.
        method: GET looks, POST does.
        path: Its address; what stands in braces is declared in `PARTS` of the document.
        says: What it does, in one sentence.
        work: Does it.
        answer: What it gives.
        rights: It needs one of these, anywhere at all; where exactly is asked by the work itself.
        query: What may stand behind the question mark.
        request: What is sent; None for GET.
        statuses: Of answers that are no problem.
        problems: Statuses of problems beside those that any operation can have.
    """

    name: str
    method: Literal["GET", "POST"]
    path: str
    says: str
    work: Work
    answer: type[BaseModel]
    rights: Sequence[Right] = LOOK
    query: type[Query] = NoQuery
    request: type[BaseModel] | None = None
    statuses: tuple[int, ...] = (200,)
    problems: tuple[int, ...] = ()
