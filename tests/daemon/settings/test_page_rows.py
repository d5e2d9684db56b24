"""Settings of the page: what is taken as an address for people, a proxy's network and a header, and what is not."""

from typing import Any

import pytest
from pydantic import ValidationError

from asleft.daemon.settings.settings import Settings


@pytest.mark.parametrize(
    "given",
    [
        {"pages_url": "https://monitors.quillfen.example"},
        {"pages_url": "http://localhost:9480"},
        {"pages_url": "https://[::1]:9480"},
        {"pages_url": "http://127.0.0.1:9480"},
        {"pages_url": "http://127.8.0.9"},
        {"pages_url": "http://[::1]:9480"},
        {"pages_url": "http://monitors.localhost:9480"},
        {"pages_proxy": ("127.0.0.1", "192.0.2.0/28", "2001:db8::/32")},
        {"pages_proxy_header": "X-Remote-User"},
        {"pages_listen": "off"},
    ],
)
def test_what_is_taken(given: dict[str, Any]) -> None:
    """An origin (RFC 6454 §6.2), networks (RFC 4632), the name of a header."""
    settings = Settings(baseline="/nowhere", **given)
    assert {name: getattr(settings, name) for name in given} == given


@pytest.mark.parametrize(
    "given",
    [
        {"pages_url": "monitors.quillfen.example"},
        {"pages_url": "http://monitors.quillfen.example"},
        {"pages_url": "http://192.0.2.7:9480"},
        {"pages_url": "http://localhost.quillfen.example"},
        {"pages_url": "http://0.0.0.0:9480"},
        {"pages_url": "https://monitors.quillfen.example/"},
        {"pages_url": "https://monitors.quillfen.example?x"},
        {"pages_url": "https://somebody@monitors.quillfen.example"},
        {"pages_url": "ftp://monitors.quillfen.example"},
        {"pages_url": "https://[::1"},
        {"pages_url": "https://monitors.quillfen.example:99999"},
        {"pages_proxy": ("proxy.quillfen.example",)},
        {"pages_proxy": ("192.0.2.1/24",)},
        {"pages_proxy_header": "X Remote User"},
        {"pages_proxy_header": "X-User\r\n"},
        {"pages_listen": "localhost:9480"},
    ],
)
def test_what_is_not(given: dict[str, Any]) -> None:
    """Each is refused when the settings are read, in words."""
    (key,) = given
    with pytest.raises(ValidationError) as refused:
        Settings(baseline="/nowhere", **given)
    assert refused.value.errors()[0]["loc"][0] == key
