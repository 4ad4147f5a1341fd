"""What is computed at every whole second of the recording: RMS torque, frames per second.

Fed in batches of any size, an hour of a log at once or 50 ms of a bus, it gives the same rows.
"""

from collections import Counter
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Floats, Ints, to_s
from logger.joint.batch import FrameBatch, ReadingBatch, is_node_frame
from logger.store.pyramid.seconds import BASE_NS

__all__ = ["FramesPerSecond", "RmsTorque", "second_marks"]

RMS_WINDOW_S: Final = 60
MAX_SECOND_MARKS: Final = 100_000
"""A day and more: a longer gap in a log does not get a row for each of its seconds."""


def second_marks(first_ns: int, now_ns: int) -> NDArray[np.int64]:
    """Return the whole seconds from `first_ns` to `now_ns`, shape (n,); of too many the newest.

    `first_ns` has to be a whole second itself.
    """
    count = (now_ns - first_ns) // BASE_NS + 1
    skipped = max(count - MAX_SECOND_MARKS, 0)
    return first_ns + BASE_NS * np.arange(skipped, count, dtype=np.int64)


class RmsTorque:
    """The RMS torque of one joint over the last minute."""

    def __init__(self, hold_ns: int) -> None:
        self._hold_ns = hold_ns
        self._new: list[ReadingBatch] = []
        self._newest: tuple[int, float] | None = None
        """Time and torque of the newest reading: counted when the next one shows how long it
        held."""
        self._start_ns: Ints = np.empty(0, np.int64)
        """Of each second in which a torque held; over it the integral of its square, and the s."""
        self._squares: Floats = np.empty(0)
        self._spans_s: Floats = np.empty(0)

    def add_readings(self, readings: ReadingBatch) -> None:
        """Take readings, in order of time."""
        if len(readings):
            self._new.append(readings)

    def rms_at(self, marks_ns: NDArray[np.int64]) -> NDArray[np.float64]:
        """Return the RMS over the minute before each mark, shape (n,), in Nm.

        The time-weighted mean of the squares; NaN where no torque was known in that minute. The
        newest reading counts as held up to the mark, at most for its hold, whether or not a later
        one is known already. `marks_ns` have to be whole seconds in order, and may not go back
        between calls; no reading before the last of them may follow.
        """
        self._count_new()
        begin_ns = marks_ns - RMS_WINDOW_S * BASE_NS
        low, high = self._start_ns.searchsorted(begin_ns), self._start_ns.searchsorted(marks_ns)
        squares = np.concatenate(([0.0], self._squares.cumsum()))
        spans_s = np.concatenate(([0.0], self._spans_s.cumsum()))
        newest, newest_s = self._newest_until(marks_ns)
        span_s = spans_s[high] - spans_s[low] + newest_s
        has_value = span_s > 0
        rms = np.full(len(marks_ns), np.nan)
        # A difference of two sums may be slightly negative from rounding.
        sums = np.maximum(squares[high] - squares[low], 0.0) + newest_s * newest**2
        rms[has_value] = np.sqrt(sums[has_value] / span_s[has_value])
        # The next mark looks back a minute again, from at least one second on.
        first_kept = int(self._start_ns.searchsorted(begin_ns[-1] + BASE_NS))
        self._start_ns = self._start_ns[first_kept:]
        self._squares, self._spans_s = self._squares[first_kept:], self._spans_s[first_kept:]
        return rms

    def _count_new(self) -> None:
        """Count what was taken: once a second, as a batch would cost as much."""
        if not self._new:
            return
        time_ns = np.concatenate([readings.time_ns for readings in self._new])
        torque = np.concatenate([readings.columns["torque_Nm"] for readings in self._new])
        self._new = []
        is_known = ~np.isnan(torque)
        time_ns, torque = time_ns[is_known], torque[is_known]
        if not len(time_ns):
            return
        if self._newest is not None:
            before_ns, before = self._newest
            time_ns = np.concatenate((np.array([before_ns]), time_ns))
            torque = np.concatenate(([before], torque))
        self._newest = time_ns.item(-1), torque.item(-1)
        begin_ns, square = time_ns[:-1], torque[:-1] ** 2
        end_ns = np.minimum(time_ns[1:], begin_ns + self._hold_ns)
        # Each holds in a second or in several.
        first = begin_ns // BASE_NS
        count = np.maximum(end_ns - 1, begin_ns) // BASE_NS - first + 1
        which = np.repeat(np.arange(len(count)), count)
        begins = count.cumsum() - count
        start_ns = (first[which] + np.arange(len(which)) - begins[which]) * BASE_NS
        held_ns = np.minimum(end_ns[which], start_ns + BASE_NS)
        held_ns -= np.maximum(begin_ns[which], start_ns)
        held_s = to_s(held_ns)
        self._merge_seconds(start_ns, square[which] * held_s, held_s)

    def _merge_seconds(self, start_ns: Ints, squares: Floats, spans_s: Floats) -> None:
        """Add to what is counted, of seconds in order, the first of which may be there already."""
        start_ns = np.concatenate((self._start_ns, start_ns))
        if not len(start_ns):
            return
        heads = np.flatnonzero(np.diff(start_ns, prepend=start_ns[0] - 1))
        self._start_ns = start_ns[heads]
        self._squares = np.add.reduceat(np.concatenate((self._squares, squares)), heads)
        self._spans_s = np.add.reduceat(np.concatenate((self._spans_s, spans_s)), heads)

    def _newest_until(self, marks_ns: Ints) -> tuple[float, Floats]:
        """Return the newest torque, and for how many seconds of the minute it held at each mark."""
        if self._newest is None:
            return 0.0, np.zeros(len(marks_ns))
        since_ns, torque = self._newest
        end_ns = np.minimum(marks_ns, since_ns + self._hold_ns)
        begin_ns = np.maximum(marks_ns - RMS_WINDOW_S * BASE_NS, since_ns)
        return torque, to_s(np.maximum(end_ns - begin_ns, 0))


class FramesPerSecond:
    """Counts the data and remote frames of each second; error frames are no frames of a node."""

    def __init__(self) -> None:
        self._count: Counter[int] = Counter()

    def add_frames(self, frames: FrameBatch) -> None:
        """Take frames, in order of time."""
        seconds = frames.time_ns[is_node_frame(frames)] // BASE_NS
        if len(seconds) == 0:
            return
        if seconds[0] == seconds[-1]:
            self._count[int(seconds[0])] += len(seconds)
            return
        for second, count in zip(*np.unique(seconds, return_counts=True), strict=True):
            self._count[int(second)] += int(count)

    def counts_at(self, marks_ns: NDArray[np.int64]) -> list[float]:
        """Return the frames of the second before each mark; earlier seconds are forgotten."""
        frame_counts = [float(self._count[second]) for second in (marks_ns // BASE_NS - 1).tolist()]
        newest = int(marks_ns[-1]) // BASE_NS
        self._count = Counter(
            {second: count for second, count in self._count.items() if second >= newest}
        )
        return frame_counts
