"""A failure is told by a number only, under which the log says what it was (ASVS 16.5.1)."""

import secrets
from collections.abc import Awaitable, Callable

from starlette.requests import Request
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from asleft.web.logged import shown_path
from asleft.web.web import Web

__all__ = ["Answer", "Numbered", "gone"]

Answer = Callable[[Request, Exception], Awaitable[Response]]
"""What becomes of an exception."""


async def gone(_: Request, __: Exception) -> Response:
    """Answer somebody who has left; nobody reads it."""
    return Response(status_code=400)


class Numbered:
    """Stands round an application, and answers what it did not foresee.

    Args:
        app: The application.
        web: The frame of the pages.
        event: What the log calls a failure.
        answer: Gives the response, from what was asked and the number.
    """

    def __init__(
        self, app: ASGIApp, *, web: Web, event: str, answer: Callable[[Scope, str], Response]
    ) -> None:
        self._app = app
        self._web = web
        self._event = event
        self._answer = answer

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve; what is not foreseen is answered where nothing was sent yet."""
        begun = False

        async def sent(message: Message) -> None:
            nonlocal begun
            begun = True
            await send(message)

        try:
            await self._app(scope, receive, sent)
        except Exception:
            number = secrets.token_hex(4)
            self._web.parts.log.exception(self._event, reference=number, path=shown_path(scope["path"]))
            if begun:
                raise
            await self._answer(scope, number)(scope, receive, send)
