"""A board's own time on this machine's clock.

A board stamps a frame when it receives it; the line arrives later, by a time that varies. The
shortest delay of the last seconds gives the offset of the clocks, so that stamps keep the board's
spacing and lie never ahead of the arrival. A counter that starts again at 2**32, and a board that
does, are both seen. Any number is taken: one that no clock shows costs its own stamp. Pure; for one
board.
"""

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["BoardClock"]

OFFSET_WINDOW_NS: Final = 10_000_000_000
"""How long a shortest delay is used; clocks that drift by 100 ppm are 1 ms apart by then."""
COUNTER_RANGE: Final = 2**32
COUNTER_LAST_QUARTER: Final = 3 * COUNTER_RANGE // 4


class BoardClock:
    """Keeps the offset of a board's clock to this machine's."""

    def __init__(self, unit_ns: int) -> None:
        """`unit_ns`: one count of the board's time, in ns."""
        self._unit_ns = unit_ns
        self._wrapped_ns = 0
        self._last_ns: int | None = None
        self._smallest_delays: list[tuple[int, int]] = []
        """(since when, shortest way) of this window and of the one before."""

    def to_local_times(self, board_ns: Sequence[int], arrived_ns: int) -> NDArray[np.int64]:
        """Return the times of frames on this machine's clock.

        Parameters
        ----------
        board_ns
            The board's time of n frames that arrived together, in their order.
        arrived_ns
            When they did.
        """
        times: list[int] = []
        for stamp in board_ns:
            unfolded = stamp + self._wrapped_ns
            if self._last_ns is not None and unfolded < self._last_ns:
                count = (self._last_ns - self._wrapped_ns) // self._unit_ns
                # A larger one was no counter of 32 bits: garbled, or a date.
                if (
                    COUNTER_LAST_QUARTER <= count < COUNTER_RANGE
                    and stamp // self._unit_ns < COUNTER_RANGE // 4
                ):
                    self._wrapped_ns += COUNTER_RANGE * self._unit_ns
                else:
                    # The board has started again: nothing is known of its clock.
                    self._wrapped_ns = 0
                    self._smallest_delays = []
                unfolded = stamp + self._wrapped_ns
            self._last_ns = unfolded
            times.append(unfolded)
            self._update_offset(arrived_ns - unfolded, arrived_ns)
        delay_ns = min((delay for _, delay in self._smallest_delays), default=0)
        # As Python's numbers: a garbled time may be too large for a column.
        return np.array(
            [max(0, min(unfolded_ns + delay_ns, arrived_ns)) for unfolded_ns in times], np.int64
        )

    def _update_offset(self, delay_ns: int, now_ns: int) -> None:
        if not self._smallest_delays or now_ns - self._smallest_delays[-1][0] >= OFFSET_WINDOW_NS:
            self._smallest_delays = [*self._smallest_delays[-1:], (now_ns, delay_ns)]
        elif delay_ns < self._smallest_delays[-1][1]:
            self._smallest_delays[-1] = (self._smallest_delays[-1][0], delay_ns)
