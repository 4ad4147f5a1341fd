"""How often somebody may try a password: a few at once, then one every so often.

One allowance for each address, and one for all together, so that many addresses are no way around.
An IPv6 address counts by its /64, since whoever has one has them all. Pure: time comes in.
"""

import ipaddress
from collections import OrderedDict
from typing import Final

__all__ = ["Tries"]

EACH_BURST: Final = 5
EACH_EVERY_S: Final = 20.0
ALL_BURST: Final = 40
ALL_EVERY_S: Final = 2.0
KEPT: Final = 1000


class Tries:
    """Counts the tries of one server; not safe for several threads."""

    def __init__(self) -> None:
        self._each: OrderedDict[str, tuple[float, float]] = OrderedDict()
        self._all = (float(ALL_BURST), 0.0)

    def wait_s(self, address: str, now_s: float) -> float:
        """Take one try of an address; return 0, or for how long it has to wait and took none."""
        who = _who(address)
        mine, all_of = (
            _refilled(self._each.get(who, (EACH_BURST, now_s)), now_s, EACH_BURST, EACH_EVERY_S),
            _refilled(self._all, now_s, ALL_BURST, ALL_EVERY_S),
        )
        wait_s = max((1 - mine) * EACH_EVERY_S, (1 - all_of) * ALL_EVERY_S, 0.0)
        taken = 0 if wait_s else 1
        self._all = all_of - taken, now_s
        self._each.pop(who, None)
        self._each[who] = mine - taken, now_s
        while len(self._each) > KEPT:
            self._each.popitem(last=False)
        return wait_s

    def forget(self, address: str) -> None:
        """Give an address its whole allowance again: it has been let in."""
        self._each.pop(_who(address), None)


def _refilled(left: tuple[float, float], now_s: float, burst: int, every_s: float) -> float:
    count, at_s = left
    return min(float(burst), count + max(now_s - at_s, 0.0) / every_s)


def _who(address: str) -> str:
    try:
        found = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if found.version == 4:
        return str(found)
    mapped = found.ipv4_mapped
    return str(mapped or ipaddress.ip_network((found, 64), strict=False))
