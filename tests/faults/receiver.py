"""Somebody who is told: a web server that writes down which alerts came, and whether the agent had noted them as delivered."""

import json
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.client import HTTPConnection
from http.server import BaseHTTPRequestHandler, HTTPServer

__all__ = ["Receiver", "receiving"]

_LIMIT = 30


class Receiver:
    """What came, in order.

    Args:
        noted: Gives the ids of alerts that the outbox has noted as delivered.
    """

    def __init__(self, noted: Callable[[], set[str]]) -> None:
        self._noted = noted
        self._known: set[str] = set()
        self.came: list[tuple[str, str]] = []
        """Receiver and id of every call, repeats too."""
        self.acknowledged: set[str] = set()
        """Ids of calls that were answered with 204."""
        self.again: list[str] = []
        """Ids of calls that came although the outbox had noted the alert as delivered."""
        self.wrong: list[str] = []
        """What went wrong in this server itself."""
        self.arrived = threading.Event()
        """Set whenever a call is here and not yet answered."""
        self.port = 0

    def take(self, body: bytes) -> None:
        """Write a call down."""
        alert = json.loads(body)
        if alert["id"] in self._known or alert["id"] in self._noted():
            self.again.append(alert["id"])
        self.came.append((alert["receiver"], alert["id"]))
        self.acknowledged.add(alert["id"])
        self.arrived.set()

    def settle(self) -> None:
        """Wait until every call made so far is over, for the server takes one after the other; remember what is noted."""
        call = HTTPConnection("127.0.0.1", self.port, timeout=_LIMIT)
        call.request("GET", "/")
        assert call.getresponse().status == 204
        call.close()
        self._known |= self._noted()  # what was noted once stays so, whatever a later agent makes of it


@contextmanager
def receiving(noted: Callable[[], set[str]]) -> Iterator[Receiver]:
    """Serve on a free port until the end."""
    receiver = Receiver(noted)

    class Handler(BaseHTTPRequestHandler):
        timeout = _LIMIT

        def do_GET(self) -> None:
            self._answer()

        def do_POST(self) -> None:
            length = int(self.headers["Content-Length"])
            body = self.rfile.read(length)
            if len(body) == length:  # else whoever called is dead
                receiver.take(body)
                self._answer()

        def _answer(self) -> None:
            self.send_response(204)
            self.end_headers()

        def log_message(self, format: str, *args: object) -> None:  # noqa: A002 its name in the library
            """Say nothing."""

    class Server(HTTPServer):
        request_queue_size = 64

        def handle_error(self, request: object, client_address: object) -> None:
            """Let go of whoever is dead by the time of the answer; anything else must not happen."""
            del request, client_address
            trouble = sys.exception()
            if not isinstance(trouble, OSError):
                receiver.wrong.append(repr(trouble))

    with Server(("127.0.0.1", 0), Handler) as server:
        receiver.port = server.server_address[1]
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True)
        thread.start()
        try:
            yield receiver
        finally:
            server.shutdown()
            thread.join()
