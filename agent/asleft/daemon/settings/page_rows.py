"""Kinds of values that settings of the page have: an address for people, networks of a proxy, the name of a header."""

import re
from ipaddress import ip_address, ip_network
from typing import Annotated, Final
from urllib.parse import urlsplit

from pydantic import AfterValidator
from pydantic_core import PydanticCustomError

from asleft.domain.names import harmless

__all__ = ["HeaderName", "Network", "Origin"]

_HEADER: Final = re.compile(r"[A-Za-z0-9-]{1,60}")


def _origin(text: str) -> str:
    """Take an address with nothing after host and port, or an empty text (RFC 6454 §6.2); over TLS, or of this computer."""
    try:
        parsed = urlsplit(text)
        whole = parsed.scheme in {"http", "https"} and bool(parsed.hostname) and parsed.port != 0
    except ValueError:
        whole = False
    if text and (not whole or "@" in text or text.lower() != f"{parsed.scheme}://{parsed.netloc}".lower()):
        why = "write http or https, and a host, with nothing after it, such as https://monitors.quillfen.example"
        raise PydanticCustomError("url", "{why}", {"why": why})
    if text and parsed.scheme == "http" and not _is_here(parsed.hostname or ""):
        why = "passwords would go over the network in the clear; write https, or http with localhost or a loopback address"
        raise PydanticCustomError("url", "{why}", {"why": why})
    return text.lower()


def _is_here(host: str) -> bool:
    """Tell whether a host is this computer alone (Secure Contexts §3.1; RFC 6761 §6.3)."""
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host == "localhost" or host.endswith(".localhost")


def _network(text: str) -> str:
    try:
        ip_network(text)
    except ValueError as wrong:
        why = f"'{harmless(text)}' is no address or network, such as 127.0.0.1 or 192.0.2.0/28"
        raise PydanticCustomError("network", "{why}", {"why": why}) from wrong
    return text


def _header(text: str) -> str:
    if text and not _HEADER.fullmatch(text):
        raise PydanticCustomError(
            "header", "{why}", {"why": "write the name of a header, such as X-Remote-User"}
        )
    return text


Origin = Annotated[str, AfterValidator(_origin)]
"""Scheme, host and, where it is not the usual one, port; empty where none is named."""
Network = Annotated[str, AfterValidator(_network)]
"""An address, or a network as RFC 4632 writes it."""
HeaderName = Annotated[str, AfterValidator(_header)]
"""The name of a header; empty where none is named."""
