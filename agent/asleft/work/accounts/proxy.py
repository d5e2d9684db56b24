"""Signing in through a reverse proxy that has asked the person itself: only where the settings name it, and only from there.

Nothing here is kept or waited for: a request goes in, a person or a refusal comes out.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from ipaddress import IPv4Network, IPv6Address, IPv6Network, ip_address
from typing import Final

from asleft.domain.names import harmless, is_name
from asleft.domain.people import Person
from asleft.work.accounts.refusals import NotThroughProxy

__all__ = ["ProxyTrust", "address_through", "person_through"]

_FORWARDED: Final = "x-forwarded-for"
_MOST_HOPS: Final = 20


@dataclass(frozen=True, kw_only=True, slots=True)
class ProxyTrust:
    """What the settings say about a reverse proxy. It must remove the header from what comes in, and set it itself.

    Args:
        peers: From where the proxy connects.
        header: In which header it names the person, by the key in people.yaml; empty where it signs nobody in.
    """

    peers: tuple[IPv4Network | IPv6Network, ...]
    header: str = ""

    def is_from(self, address: str) -> bool:
        """Tell whether an address is the proxy's."""
        try:
            parsed = ip_address(address.partition("%")[0])
        except ValueError:
            return False
        if isinstance(parsed, IPv6Address) and parsed.ipv4_mapped is not None:
            parsed = parsed.ipv4_mapped
        return any(parsed in network for network in self.peers)


def person_through(
    peer: str, headers: Sequence[tuple[str, str]], trust: ProxyTrust | None, people: Mapping[str, Person]
) -> str | None:
    """Give the key of the person whom a proxy has signed in; None where none says who asks.

    Args:
        peer: Address of whoever opened the connection.
        headers: All headers of the request, with repeats, in any case.
        trust: What the settings say; None where they name no proxy, and no header means anything.
        people: The people of the baseline in force.

    Raises:
        NotThroughProxy: The header comes from elsewhere, stands there twice, or names nobody.
    """
    if trust is None or not trust.header:
        return None
    named = [value for name, value in headers if name.lower() == trust.header.lower()]
    if not named:
        return None
    if not trust.is_from(peer):
        raise NotThroughProxy(
            f"a request says who asks in {harmless(trust.header)}, and does not come from the proxy",
            where=harmless(peer),
            todo="come in through the proxy, or have its address put right in the settings",
        )
    if len(named) > 1:
        raise NotThroughProxy(
            f"{harmless(trust.header)} stands in the request {len(named)} times",
            where=harmless(peer),
            todo="have the proxy remove it from what comes in",
        )
    key = named[0].strip()
    if not is_name(key) or key not in people:
        raise NotThroughProxy(
            "the proxy names somebody who is not in people.yaml",
            where=harmless(peer),
            todo="have the proxy name people by their key, or have the person added",
        )
    return key


def address_through(peer: str, headers: Sequence[tuple[str, str]], trust: ProxyTrust | None) -> str:
    """Give the address from which a request really came: what the proxy says of it, as far as proxies are trusted.

    Each proxy adds its own peer at the end of X-Forwarded-For (RFC 7239 §5.2 has the same of Forwarded); whatever stands before
    the last one that is not ours may be made up.
    """
    if trust is None or not trust.is_from(peer):
        return peer
    said = ",".join(value for name, value in headers if name.lower() == _FORWARDED)
    address = peer
    for hop in reversed(said.rsplit(",", _MOST_HOPS)[-_MOST_HOPS:]):
        try:
            address = str(ip_address(hop.strip()))
        except ValueError:
            return address
        if not trust.is_from(address):
            return address
    return address
