"""Small real servers that behave, or do not."""

import asyncio
import ssl
import threading
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer


@dataclass
class Call:
    """What a web server was asked."""

    path: str
    headers: dict[str, str]
    body: bytes


@dataclass
class WebServer:
    """A web server that answers as told; a real one in a thread.

    Args:
        status: Answer of the next calls.
        headers: Headers of the answer.
        answer: Body of the answer.
        endless: Whether the answer goes on until the caller leaves.
    """

    status: int = 204
    headers: dict[str, str] = field(default_factory=dict)
    answer: bytes = b""
    endless: bool = False
    calls: list[Call] = field(default_factory=list)
    held: threading.Event = field(default_factory=threading.Event)
    left: threading.Event = field(default_factory=threading.Event)
    port: int = 0

    def handler(self) -> type[BaseHTTPRequestHandler]:
        """Give the class that the server makes for each connection."""
        server = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                server.calls.append(Call(self.path, dict(self.headers.items()), body))
                server.held.wait()
                if server.status == 0:  # gone without an answer
                    self.close_connection = True
                    return
                self.send_response(server.status)
                for name, value in server.headers.items():
                    self.send_header(name, value)
                if server.endless:
                    self.end_headers()
                    self.close_connection = True
                    self.pour()
                    return
                if server.status != 204:
                    self.send_header("Content-Length", str(len(server.answer)))
                self.end_headers()
                self.wfile.write(server.answer)

            def pour(self) -> None:
                try:
                    while True:
                        self.wfile.write(b"x" * 65536)
                except OSError:
                    server.left.set()

            def log_message(self, format: str, *args: object) -> None:  # noqa: A002 the base class names it so
                del format, args

        return Handler


class _Quiet(ThreadingHTTPServer):
    # What callers do that leave early is the subject of the tests, not an error of the server.
    def handle_error(self, request: object, client_address: object) -> None:
        del request, client_address


def serve(context: ssl.SSLContext | None) -> Iterator[WebServer]:
    web = WebServer()
    web.held.set()
    with _Quiet(("127.0.0.1", 0), web.handler()) as server:
        web.port = server.server_address[1]
        server.daemon_threads = False
        if context is not None:
            server.socket = context.wrap_socket(server.socket, server_side=True)
        thread = threading.Thread(target=server.serve_forever, args=(0.01,))
        thread.start()
        try:
            yield web
        finally:
            web.held.set()
            server.shutdown()
            thread.join()


@asynccontextmanager
async def listening(
    talk: Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]],
    context: ssl.SSLContext | None = None,
) -> AsyncIterator[int]:
    """Run a stream server on a free port of 127.0.0.1; its connections are closed at the end."""
    talks: set[asyncio.Task[None]] = set()

    async def one(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        talks.add(task)
        try:
            await talk(reader, writer)
        except OSError:
            pass
        finally:
            writer.transport.abort()

    server = await asyncio.start_server(one, "127.0.0.1", 0, ssl=context)
    async with server:
        yield server.sockets[0].getsockname()[1]
        server.close()
        for task in talks:
            task.cancel()
        await asyncio.gather(*talks, return_exceptions=True)
