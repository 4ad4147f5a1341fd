"""Limits how often a password may be tried: a few times at once, then once an interval.

A token bucket for each client, and one for all together, so that many addresses do not help. A
client from which somebody has logged in before is not held up by the latter: whoever tries from a
thousand addresses does not lock out those who know the password. Pure: time is given.
"""

from collections import OrderedDict
from typing import Any, Final

from dashboard.server.network_address import client_network

__all__ = ["LoginRateLimiter"]

CLIENT_BURST: Final = 5
CLIENT_INTERVAL_S: Final = 20.0
TOTAL_BURST: Final = 40
TOTAL_INTERVAL_S: Final = 2.0
MAX_CLIENTS: Final = 1000
"""Clients that are remembered, of those that tried and of those that logged in."""


class LoginRateLimiter:
    """Counts the tries of one server; not safe for several threads."""

    def __init__(self) -> None:
        self._by_client: OrderedDict[str, tuple[float, float]] = OrderedDict()
        self._known: OrderedDict[str, None] = OrderedDict()
        self._total = (float(TOTAL_BURST), 0.0)

    def take_try(self, address: str, now_s: float) -> float:
        """Take one try of an address; return 0, or how many seconds it must wait if it has none."""
        client = client_network(address)
        bucket = self._by_client.pop(client, (float(CLIENT_BURST), now_s))
        tokens = _refill(bucket, now_s, CLIENT_BURST, CLIENT_INTERVAL_S)
        total_tokens = _refill(self._total, now_s, TOTAL_BURST, TOTAL_INTERVAL_S)
        is_known = client in self._known
        wait_s = max((1 - tokens) * CLIENT_INTERVAL_S, 0.0)
        if not is_known:
            wait_s = max((1 - total_tokens) * TOTAL_INTERVAL_S, wait_s)
        cost = 0 if wait_s else 1
        self._total = total_tokens - (0 if is_known else cost), now_s
        self._by_client[client] = tokens - cost, now_s
        _forget_oldest(self._by_client)
        return wait_s

    def remember_client(self, address: str) -> None:
        """Give a client all its tries again after it logged in, and remember it as known."""
        client = client_network(address)
        self._by_client.pop(client, None)
        self._known.pop(client, None)
        self._known[client] = None
        _forget_oldest(self._known)


def _forget_oldest(clients: OrderedDict[str, Any]) -> None:
    while len(clients) > MAX_CLIENTS:
        clients.popitem(last=False)


def _refill(bucket: tuple[float, float], now_s: float, burst: int, every_s: float) -> float:
    count, at_s = bucket
    return min(float(burst), count + max(now_s - at_s, 0.0) / every_s)
