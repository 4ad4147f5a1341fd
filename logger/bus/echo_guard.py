"""Whether a frame that looks like our request is a response, or another master's request.

Some joints answer with identifier and leading bytes of the request. One frame is ambiguous then;
their number is not: each request causes at most one. What comes beyond that was asked by somebody
else. A master that asks while the joint is off cannot be told from the joint: it is not guessed
at. Pure: the time comes in as an argument.
"""

from collections import deque
from typing import Final

__all__ = ["EchoGuard"]

ECHO_WINDOW_S: Final = 1.0
"""A frame later than this after a request is no response to it."""
MAX_SURPLUS_FRAMES: Final = 2
"""So many too many are no proof: an adapter may report a frame twice."""
MIN_OBSERVED_S: Final = 1.0
"""Over so long they must come, first to last."""
SURPLUS_WINDOW_S: Final = 10.0
"""And within this time."""


class EchoGuard:
    """The frames of one identifier that is both a request's and an answer's."""

    def __init__(self) -> None:
        self._first_request_s = False
        self._pending_times: deque[float] = deque()
        self._surplus_times: deque[float] = deque()

    def note_sent(self, now_s: float) -> None:
        """Take note of a request of ours."""
        self._first_request_s = True
        self._expire(now_s)
        self._pending_times.append(now_s)

    def note_received(self, count: int, *, now_s: float) -> bool:
        """Count received frames; return whether another master sends requests.

        Before our first request any of them is another master's.
        """
        if not self._first_request_s:
            return count > 0
        self._expire(now_s)
        responses = min(count, len(self._pending_times))
        for _ in range(responses):
            self._pending_times.popleft()
        if count > responses:
            # More at one instant than are tolerated prove no more than that.
            self._surplus_times.extend([now_s] * min(count - responses, MAX_SURPLUS_FRAMES + 1))
        surplus = self._surplus_times
        return len(surplus) > MAX_SURPLUS_FRAMES and surplus[-1] - surplus[0] >= MIN_OBSERVED_S

    def _expire(self, now_s: float) -> None:
        for times, max_age_s in (
            (self._pending_times, ECHO_WINDOW_S),
            (self._surplus_times, SURPLUS_WINDOW_S),
        ):
            while times and times[0] <= now_s - max_age_s:
                times.popleft()
