"""A real mail server that takes, refuses, hangs or hangs up."""

import asyncio
import ssl
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import SMTPUTF8
from typing import Any

from aiosmtpd.smtp import SMTP, AuthResult, LoginPassword


@dataclass
class PostOffice:
    """What the server says, and what it was told.

    Args:
        to_sender: Answer to MAIL; empty to accept.
        to_receiver: Answer to RCPT; empty to accept.
        to_message: Answer to the message; empty to accept.
        hang_up: Whether the connection is cut once the message is there.
        go: Cleared, nothing is answered to the message.
        user: Who may sign in.
        password: With what.
    """

    to_sender: str = ""
    to_receiver: str = ""
    to_message: str = ""
    hang_up: bool = False
    go: asyncio.Event = field(default_factory=asyncio.Event)
    user: str = "desk"
    password: str = "kettle-and-saucer"
    heard: list[str] = field(default_factory=list)
    taken: list[bytes] = field(default_factory=list)
    receivers: list[str] = field(default_factory=list)
    encrypted: list[bool] = field(default_factory=list)

    def letters(self) -> list[EmailMessage]:
        """Give what was taken, parsed."""
        letters = [message_from_bytes(one, policy=SMTPUTF8) for one in self.taken]
        return [letter for letter in letters if isinstance(letter, EmailMessage)]

    def authenticate(
        self, server: Any, session: Any, envelope: Any, mechanism: str, given: Any
    ) -> AuthResult:
        """Check who signs in."""
        del server, session, envelope
        self.heard.append(f"AUTH {mechanism}")
        assert isinstance(given, LoginPassword)
        right = (given.login, given.password) == (self.user.encode(), self.password.encode())
        if right:
            return AuthResult(success=True)
        # The answer holds the password on purpose: no error of ours may repeat it.
        return AuthResult(
            success=False, handled=False, message=f"535 5.7.8 no such user or {given.password!r}"
        )

    async def handle_MAIL(  # noqa: N802 the server asks for this name
        self, server: Any, session: Any, envelope: Any, address: str, options: list[str]
    ) -> str:
        """Hear who sends."""
        del server, session
        self.heard.append(f"MAIL {address}")
        envelope.mail_from = address
        envelope.mail_options.extend(options)
        return self.to_sender or "250 OK"

    async def handle_RCPT(  # noqa: N802 the server asks for this name
        self, server: Any, session: Any, envelope: Any, address: str, options: list[str]
    ) -> str:
        """Hear who receives."""
        del server, session, options
        self.heard.append(f"RCPT {address}")
        envelope.rcpt_tos.append(address)
        return self.to_receiver or "250 OK"

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:  # noqa: N802 the server asks for this name
        """Take the message, or do not."""
        if self.to_message:
            return self.to_message
        await self.go.wait()
        self.taken.append(envelope.original_content)
        self.receivers.extend(envelope.rcpt_tos)
        self.encrypted.append(session.ssl is not None)
        if self.hang_up:
            server.transport.abort()
        return "250 OK"


@asynccontextmanager
async def open_office(
    office: PostOffice,
    *,
    starttls: ssl.SSLContext | None = None,
    implicit: ssl.SSLContext | None = None,
    utf8: bool = False,
    sign_in: bool = False,
) -> AsyncIterator[int]:
    """Run the server on a free port of 127.0.0.1."""
    loop = asyncio.get_running_loop()
    counters: list[SMTP] = []
    office.go.set()

    def counter() -> SMTP:
        one = SMTP(
            office,
            hostname="post.quillfen.example",
            tls_context=starttls,
            require_starttls=starttls is not None,
            enable_SMTPUTF8=utf8,
            authenticator=office.authenticate if sign_in else None,
            auth_required=sign_in and starttls is not None,
            auth_require_tls=starttls is not None,
            loop=loop,
        )
        counters.append(one)
        return one

    server = await loop.create_server(counter, "127.0.0.1", 0, ssl=implicit)
    async with server:
        try:
            yield server.sockets[0].getsockname()[1]
        finally:
            office.go.set()
            server.close()
            for one in counters:
                if isinstance(one.transport, asyncio.WriteTransport):
                    one.transport.abort()
                task = one._handler_coroutine
                if task is not None:
                    task.cancel()
                    await asyncio.wait({task})
