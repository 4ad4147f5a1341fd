"""The share of a bus that requests may take: a window that slides over what was sent.

In any half-open window of `span_s` the bits that were granted are at most the share of the bit rate
times the window. Pure: the time comes in as an argument and never goes back.
"""

from collections import deque
from typing import Final

__all__ = ["RATE_WINDOW_S", "RateLimiter"]

RATE_WINDOW_S: Final = 0.5


class RateLimiter:
    """The bits granted within the last window."""

    def __init__(self, *, bits_per_s: float, largest_bits: int) -> None:
        """Begin with nothing granted.

        Parameters
        ----------
        bits_per_s
            What may be granted in the long run.
        largest_bits
            The most that is ever granted at once. Where that alone is more than half a second's
            share, the window is as long as it takes to be the share.
        """
        self.span_s: Final = max(RATE_WINDOW_S, largest_bits / bits_per_s)
        # The last digit of a product must not keep the largest from ever fitting.
        self._max_bits: Final = max(bits_per_s * self.span_s, float(largest_bits))
        self._granted: deque[tuple[float, int]] = deque()
        self._sum = 0

    def try_grant(self, bits: int, *, now_s: float) -> bool:
        """Return whether there is room for so many bits now; they are granted then."""
        self._expire(now_s)
        if self._sum + bits > self._max_bits:
            return False
        self._granted.append((now_s, bits))
        self._sum += bits
        return True

    def wait_for_room_s(self, bits: int, *, now_s: float) -> float:
        """Return in how many seconds there will be room for so many bits."""
        self._expire(now_s)
        granted_left, free_s = self._sum, 0.0
        for at_s, granted_bits in self._granted:
            if granted_left + bits <= self._max_bits:
                break
            granted_left -= granted_bits
            free_s = at_s + self.span_s - now_s
        return max(free_s, 0.0)

    def _expire(self, now_s: float) -> None:
        while self._granted and self._granted[0][0] <= now_s - self.span_s:
            self._sum -= self._granted.popleft()[1]
