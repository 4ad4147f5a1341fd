"""Where a position goes on in a new segment: it is never continued in silence."""

from collections.abc import Iterator

import numpy as np

from logger.arrays import to_s
from logger.joint.batch import ReadingBatch

__all__ = ["PositionSegments"]


class PositionSegments:
    """The newest position segment of each joint of a recording."""

    def __init__(self) -> None:
        self._newest: dict[str, tuple[int, int]] = {}

    def breaks_in(self, readings: ReadingBatch) -> Iterator[tuple[int, float]]:
        """Yield where a new segment begins: its time (ns), and how long no reading came before (s).

        The readings of a joint come in order of time.
        """
        joint = readings.joint
        told = np.flatnonzero(readings.position_segment >= 0)
        if len(told) == 0:
            return
        before = self._newest.get(joint)
        newest = told[-1]
        latest = (int(readings.time_ns[newest]), int(readings.position_segment[newest]))
        self._newest[joint] = latest
        if before is not None and latest[1] == before[1]:
            # Segments only ever count up: none began in between.
            return
        times, segments = readings.time_ns[told], readings.position_segment[told]
        if before is not None:
            times = np.append(np.int64(before[0]), times)
            segments = np.append(np.int32(before[1]), segments)
        for place in np.flatnonzero(np.diff(segments)):
            yield int(times[place + 1]), to_s(float(times[place + 1] - times[place]))
