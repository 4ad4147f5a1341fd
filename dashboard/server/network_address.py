"""Whose connection or request it is: an address as one client, and the client behind a proxy.

A reverse proxy says on whose behalf it asks, in `Forwarded` (RFC 7239) or `X-Forwarded-For`. Only
a proxy whose address was named as trusted is believed, and only what it added itself: of the
addresses in the header the last that is no trusted proxy's. What stands before that was written by
whoever asked the proxy. Pure.

The server library reads X-Forwarded-For only, and takes any text in it for a client.
"""

import ipaddress
import re
from collections.abc import Iterable
from functools import lru_cache
from typing import Final

from starlette.datastructures import Headers

from logger.errors import InputError

__all__ = ["TrustedProxies", "client_network", "is_loopback"]

IPAddress = ipaddress.IPv4Address | ipaddress.IPv6Address
_QUOTED: Final = r'"(?:[^"\\]|\\.)*"?'
_ELEMENT: Final = re.compile(rf'(?:[^,"]|{_QUOTED})+')
_PAIR: Final = re.compile(rf'(?:[^;"]|{_QUOTED})+')
"""Of Forwarded (RFC 7239, section 4): the elements of a line, the pairs of an element."""
_WITH_PORT: Final = re.compile(r"\[(?P<v6>[^\]]+)\](?::\w+)?|(?P<v4>[0-9.]+):\w+")


@lru_cache(maxsize=1000)
def client_network(address: str) -> str:
    """Return what counts as one client: an IPv4 address, or the /64 network of an IPv6 address.

    One customer usually has a /64 network whole. What is no address counts as it is written.
    """
    parsed = _parse_address(address)
    if parsed is None:
        return address
    if isinstance(parsed, ipaddress.IPv4Address):
        return str(parsed)
    return str(ipaddress.ip_network((parsed, 64), strict=False))


def is_loopback(address: str) -> bool:
    """Return whether an address is this machine's own: its browsers, tunnels, proxies."""
    parsed = _parse_address(address)
    return parsed is not None and parsed.is_loopback


class TrustedProxies:
    """The reverse proxies that are believed about whom they ask for; by default none."""

    def __init__(self, addresses: Iterable[str] = ()) -> None:
        """Make it of addresses and networks, such as 127.0.0.1 or 10.0.0.0/24.

        Raises
        ------
        InputError
            One is neither, or is a network of all addresses.
        """
        self._networks = [_parse_network(address) for address in addresses]

    def __contains__(self, address: str) -> bool:
        parsed = _parse_address(address)
        return parsed is not None and self._is_trusted(parsed)

    def find_client(self, peer: str, headers: Headers) -> str:
        """Return the address for which a request is made.

        Parameters
        ----------
        peer
            The address that is connected.
        headers
            Of the request. They are looked at only if `peer` is trusted. Where both headers are
            there and name different clients, one of them came through the proxy unchanged, and
            nobody can say which: then it is the address of the proxy.
        """
        if peer not in self:
            return peer
        named = {
            self._last_untrusted(peer, hops)
            for hops in (
                _forwarded_hops(headers.getlist("forwarded")),
                _split_hops(headers.getlist("x-forwarded-for")),
            )
            if hops
        }
        return named.pop() if len(named) == 1 else peer

    def _last_untrusted(self, peer: str, hops: list[str]) -> str:
        """Return the last of the hops that is no trusted proxy; the one before what is unknown."""
        client = peer
        for hop in reversed(hops):
            address = _parse_hop(hop)
            if address is None:
                return client
            client = str(address)
            if not self._is_trusted(address):
                return client
        return client

    def _is_trusted(self, address: IPAddress) -> bool:
        return any(
            address.version == network.version and address in network for network in self._networks
        )


def _parse_address(text: str) -> IPAddress | None:
    """Return an address, that of IPv4 where it is mapped into IPv6; None if it is none."""
    try:
        address = ipaddress.ip_address(text.partition("%")[0])
    except ValueError:
        return None
    return getattr(address, "ipv4_mapped", None) or address


def _parse_network(text: str) -> ipaddress.IPv4Network | ipaddress.IPv6Network:
    try:
        network = ipaddress.ip_network(text.strip())
    except ValueError:
        network = None
    if network is None or network.prefixlen == 0:
        raise InputError(
            f"--trusted-proxy: found {text!r}, expected the address or the network of the reverse "
            "proxy as it connects to this server, such as 127.0.0.1 or 10.0.0.0/24."
        )
    return network


def _split_hops(lines: list[str]) -> list[str]:
    return [hop.strip() for line in lines for hop in line.split(",")]


def _forwarded_hops(lines: list[str]) -> list[str]:
    """Return the `for` of each element of Forwarded; where there is none, "unknown"."""
    hops = []
    for element in _ELEMENT.findall(",".join(lines)):
        pairs = [pair.partition("=") for pair in _PAIR.findall(element)]
        named = {key.strip().lower(): value.strip().strip('"') for key, _, value in pairs}
        hops.append(named.get("for", "unknown"))
    return hops


def _parse_hop(hop: str) -> IPAddress | None:
    """Return the address of a hop, which may have a port; None for names and "unknown"."""
    with_port = _WITH_PORT.fullmatch(hop)
    return _parse_address((with_port["v6"] or with_port["v4"]) if with_port else hop)
