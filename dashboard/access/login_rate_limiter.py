"""Limits how often a password may be tried: a few times at once, then once an interval.

A token bucket for each address, and one for all together, so that many addresses do not help. An
IPv6 address counts by its /64 network, which one customer usually has whole. Pure: time is given.
"""

import ipaddress
from collections import OrderedDict
from typing import Final

__all__ = ["LoginRateLimiter"]

ADDRESS_BURST: Final = 5
ADDRESS_INTERVAL_S: Final = 20.0
TOTAL_BURST: Final = 40
TOTAL_INTERVAL_S: Final = 2.0
MAX_ADDRESSES: Final = 1000


class LoginRateLimiter:
    """Counts the tries of one server; not safe for several threads."""

    def __init__(self) -> None:
        self._by_address: OrderedDict[str, tuple[float, float]] = OrderedDict()
        self._total = (float(TOTAL_BURST), 0.0)

    def take_try(self, address: str, now_s: float) -> float:
        """Take one try of an address; return 0, or how many seconds it must wait if it has none."""
        network = _network_of(address)
        address_tokens, total_tokens = (
            _refill(
                self._by_address.get(network, (ADDRESS_BURST, now_s)),
                now_s,
                ADDRESS_BURST,
                ADDRESS_INTERVAL_S,
            ),
            _refill(self._total, now_s, TOTAL_BURST, TOTAL_INTERVAL_S),
        )
        wait_s = max(
            (1 - address_tokens) * ADDRESS_INTERVAL_S, (1 - total_tokens) * TOTAL_INTERVAL_S, 0.0
        )
        cost = 0 if wait_s else 1
        self._total = total_tokens - cost, now_s
        self._by_address.pop(network, None)
        self._by_address[network] = address_tokens - cost, now_s
        while len(self._by_address) > MAX_ADDRESSES:
            self._by_address.popitem(last=False)
        return wait_s

    def reset_address(self, address: str) -> None:
        """Give an address all its tries again, after it logged in."""
        self._by_address.pop(_network_of(address), None)


def _refill(bucket: tuple[float, float], now_s: float, burst: int, every_s: float) -> float:
    count, at_s = bucket
    return min(float(burst), count + max(now_s - at_s, 0.0) / every_s)


def _network_of(address: str) -> str:
    try:
        parsed = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if parsed.version == 4:
        return str(parsed)
    mapped = parsed.ipv4_mapped
    return str(mapped or ipaddress.ip_network((parsed, 64), strict=False))
