"""A certificate authority of our own, and servers of the web."""

import socket
import ssl
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
import trustme

from alerts.servers import WebServer, serve


@dataclass(frozen=True, kw_only=True)
class Certificates:
    """An authority, what trusts it, and what a server at 127.0.0.1 shows."""

    trusting: ssl.SSLContext
    serving: ssl.SSLContext
    ca_file: Path


@pytest.fixture(scope="session")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Certificates:
    """Make an authority and a server's certificate."""
    authority = trustme.CA()
    ca_file = tmp_path_factory.mktemp("ca") / "ca.pem"
    authority.cert_pem.write_to_path(ca_file)
    serving = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert("127.0.0.1").configure_cert(serving)
    return Certificates(trusting=ssl.create_default_context(cafile=ca_file), serving=serving, ca_file=ca_file)


@pytest.fixture(scope="session")
def distrusting() -> ssl.SSLContext:
    """Give a context that trusts another authority."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    trustme.CA().configure_trust(context)
    return context


@pytest.fixture
def web() -> Iterator[WebServer]:
    """Run a web server over http."""
    yield from serve(None)


@pytest.fixture
def web_tls(certificates: Certificates) -> Iterator[WebServer]:
    """Run a web server over https."""
    yield from serve(certificates.serving)


@pytest.fixture
def closed_port() -> int:
    """Give a port that nothing listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
