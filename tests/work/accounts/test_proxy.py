"""Signing in through a reverse proxy: who may say who asks. Ids are of OWASP ASVS 5.0.0."""

from ipaddress import ip_network

import pytest

from asleft.work.accounts.proxy import ProxyTrust, address_through, person_through
from asleft.work.accounts.refusals import NotThroughProxy
from work.accounts.house import IDRIS, WREN, a_person

PEOPLE = {key: a_person(key) for key in (WREN, IDRIS)}
PROXY = "192.0.2.10"
TRUST = ProxyTrust(peers=(ip_network("192.0.2.10/32"), ip_network("2001:db8:1::/64")), header="X-Signed-In")


def said(value: str, name: str = "x-signed-in") -> list[tuple[str, str]]:
    return [("host", "monitors.quillfen.example"), (name, value)]


@pytest.mark.parametrize("peer", [PROXY, "::ffff:192.0.2.10", "2001:db8:1::7", "2001:db8:1::7%eth0"])
@pytest.mark.parametrize("name", ["x-signed-in", "X-Signed-In", "X-SIGNED-IN"])
def test_the_proxy_says_who_asks(peer: str, name: str) -> None:
    """ASVS 6.1.3: from the proxy's own address, in the header that the settings name, whatever its case."""
    assert person_through(peer, said(WREN, name), TRUST, PEOPLE) == WREN


@pytest.mark.parametrize("trust", [None, ProxyTrust(peers=TRUST.peers)])
def test_without_a_setting_a_header_means_nothing(trust: ProxyTrust | None) -> None:
    """ASVS 6.3.4: no proxy is named, or none that signs in, and no header signs anybody in."""
    assert person_through(PROXY, said(WREN), trust, PEOPLE) is None


def test_without_the_header_nobody_is_named() -> None:
    """Then the page asks for a name and a password as ever."""
    assert person_through(PROXY, [("host", "x")], TRUST, PEOPLE) is None
    assert person_through("198.51.100.1", [("host", "x")], TRUST, PEOPLE) is None


@pytest.mark.parametrize(
    "peer",
    ["198.51.100.1", "192.0.2.11", "127.0.0.1", "::1", "2001:db8:2::7", "", "unix:", "192.0.2.10.example"],
)
def test_nobody_else_may_say_who_asks(peer: str) -> None:
    """ASVS 6.3.4, 4.1.3: the header from anywhere else is a refusal, not merely left unread."""
    with pytest.raises(NotThroughProxy, match="does not come from the proxy"):
        person_through(peer, said(WREN), TRUST, PEOPLE)


def test_the_header_stands_there_once() -> None:
    """ASVS 4.1.3: where the proxy let one pass and added its own, neither is taken."""
    with pytest.raises(NotThroughProxy, match="2 times"):
        person_through(PROXY, said(IDRIS, "X-Signed-In") + said(WREN), TRUST, PEOPLE)


@pytest.mark.parametrize(
    "value", ["", "nobody-here", "Wren-Halloway", f"{WREN},{IDRIS}", "wren\nhalloway", "x" * 999]
)
def test_only_a_key_of_people_yaml_is_somebody(value: str) -> None:
    """Anything else is refused, and not repeated."""
    with pytest.raises(NotThroughProxy, match=r"somebody who is not in people\.yaml") as caught:
        person_through(PROXY, said(value), TRUST, PEOPLE)
    assert not value or value not in str(caught.value)


@pytest.mark.parametrize(
    "peer, forwarded, expected",
    [
        (PROXY, ["203.0.113.9"], "203.0.113.9"),
        (PROXY, ["198.51.100.1, 203.0.113.9"], "203.0.113.9"),
        (PROXY, ["198.51.100.1", "203.0.113.9"], "203.0.113.9"),
        (PROXY, ["198.51.100.1, 203.0.113.9, 2001:db8:1::2"], "203.0.113.9"),
        (PROXY, ["2001:db8:9::1"], "2001:db8:9::1"),
        (PROXY, ["made up, 192.0.2.10"], "192.0.2.10"),
        (PROXY, ["made up"], PROXY),
        (PROXY, [], PROXY),
        (PROXY, [",".join(["192.0.2.10"] * 5_000)], PROXY),
        ("198.51.100.7", ["203.0.113.9"], "198.51.100.7"),
    ],
)
def test_from_where_a_request_really_came(peer: str, forwarded: list[str], expected: str) -> None:
    """ASVS 4.1.3: the last address that a proxy of ours saw itself; what stands before it may be made up."""
    headers = [("X-Forwarded-For", value) for value in forwarded]
    assert address_through(peer, headers, TRUST) == expected
    assert address_through(peer, headers, None) == peer
