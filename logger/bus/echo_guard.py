"""Whether a frame that looks like our request is an answer, or somebody else who asks.

Some joints answer with identifier and leading bytes of the request. Then one frame tells nothing;
their number does: each request causes at most one. What comes beyond that was asked by somebody
else. A master that asks while the joint is off cannot be told from the joint: it is not guessed
at. Pure: the time comes in as an argument.
"""

from collections import deque
from typing import Final

__all__ = ["Echoes"]

PATIENCE_S: Final = 1.0
"""An answer that comes later than this is nobody's."""
TOLERATED: Final = 2
"""So many too many are no proof: an adapter may tell a frame twice."""
LEAST_S: Final = 1.0
"""Over so long they must come, first to last."""
WITHIN_S: Final = 10.0
"""And within this time."""


class Echoes:
    """The frames of one identifier that is both a request's and an answer's."""

    def __init__(self) -> None:
        self._begun = False
        self._waiting: deque[float] = deque()
        self._surplus: deque[float] = deque()

    def asked(self, now_s: float) -> None:
        """Take note of a request of ours."""
        self._begun = True
        self._forget(now_s)
        self._waiting.append(now_s)

    def heard(self, count: int, *, now_s: float) -> bool:
        """Take so many frames; return whether somebody else asks.

        As long as we have not asked, any of them is somebody else's.
        """
        if not self._begun:
            return count > 0
        self._forget(now_s)
        answers = min(count, len(self._waiting))
        for _ in range(answers):
            self._waiting.popleft()
        if count > answers:
            # More at one instant than are tolerated prove no more than that.
            self._surplus.extend([now_s] * min(count - answers, TOLERATED + 1))
        surplus = self._surplus
        return len(surplus) > TOLERATED and surplus[-1] - surplus[0] >= LEAST_S

    def _forget(self, now_s: float) -> None:
        for times, kept_s in ((self._waiting, PATIENCE_S), (self._surplus, WITHIN_S)):
            while times and times[0] <= now_s - kept_s:
                times.popleft()
