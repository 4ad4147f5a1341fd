"""What is computed at every whole second of the recording: RMS torque, frames per second.

Fed in batches of any size, an hour of a log at once or 50 ms of a bus, it gives the same rows.
"""

from collections import Counter
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Floats, Ints, to_s
from logger.joint.batch import FrameBatch, ReadingBatch, is_node_frame
from logger.joint.time_weighted import Buckets, merge_buckets
from logger.store.pyramid.seconds import BASE_NS, PyramidCarry, add_rows

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
        self._hold_ns = {"torque_Nm": hold_ns}
        self._carry = PyramidCarry()
        self._new: list[ReadingBatch] = []
        self._seconds: list[Buckets] = []

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
        if self._new:
            # Once a second, not once a batch: the figures are the same in any chunking.
            new_readings = ReadingBatch.concatenate(self._new, channels=("torque_Nm",))
            self._new = []
            buckets, self._carry = add_rows(self._carry, new_readings, hold_ns=self._hold_ns)
            self._seconds.extend(buckets.values())
        held_buckets = merge_buckets(self._seconds)
        squares = np.concatenate(
            ([0.0], np.cumsum(held_buckets.m2 + held_buckets.duration_s * held_buckets.mean**2))
        )
        spans = np.concatenate(([0.0], np.cumsum(held_buckets.duration_s)))
        low = np.searchsorted(held_buckets.start_ns, marks_ns - RMS_WINDOW_S * BASE_NS)
        high = np.searchsorted(held_buckets.start_ns, marks_ns)
        newest, newest_s = self._newest_until(marks_ns)
        span_s = spans[high] - spans[low] + newest_s
        has_value = span_s > 0
        rms = np.full(len(marks_ns), np.nan)
        # A difference of two sums may be slightly negative from rounding.
        sums = np.maximum(squares[high] - squares[low], 0.0) + newest_s * newest**2
        rms[has_value] = np.sqrt(sums[has_value] / span_s[has_value])
        # The next mark looks back a minute again, from at least one second on.
        first_kept = int(
            np.searchsorted(held_buckets.start_ns, marks_ns[-1] + BASE_NS - RMS_WINDOW_S * BASE_NS)
        )
        self._seconds = (
            [held_buckets.select_rows(slice(first_kept, None))] if len(held_buckets) else []
        )
        return rms

    def _newest_until(self, marks_ns: Ints) -> tuple[float, Floats]:
        """Return the newest torque, and for how many seconds of the minute it held at each mark.

        The buckets count a reading when the next one shows how long it held; until then it stands
        in the carry, and is added here.
        """
        if "torque_Nm" not in self._carry.last:
            return 0.0, np.zeros(len(marks_ns))
        since_ns, torque = self._carry.last["torque_Nm"]
        end_ns = np.minimum(marks_ns, since_ns + self._hold_ns["torque_Nm"])
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
