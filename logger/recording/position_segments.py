"""Where the position of a joint continues in a new segment, so that each break gets an event."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from logger.arrays import to_s
from logger.joint.batch import ReadingBatch

__all__ = ["PositionBreak", "PositionSegments"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PositionBreak:
    """Where a new segment begins."""

    time_ns: int
    silent_s: float
    """The gap without a position before it."""
    segment: int


class PositionSegments:
    """The newest position segment of each joint of a recording."""

    def __init__(self) -> None:
        self._newest: dict[str, tuple[int, int]] = {}

    def breaks_in(self, readings: ReadingBatch) -> Iterator[PositionBreak]:
        """Yield where new segments begin; the readings of a joint have to come in order of time."""
        joint = readings.joint
        positioned_rows = np.flatnonzero(readings.position_segment >= 0)
        if len(positioned_rows) == 0:
            return
        previous = self._newest.get(joint)
        last_row = positioned_rows[-1]
        newest = (int(readings.time_ns[last_row]), int(readings.position_segment[last_row]))
        self._newest[joint] = newest
        if previous is not None and newest[1] == previous[1]:
            # Segments only ever count up: none began in between.
            return
        times = readings.time_ns[positioned_rows]
        segments = readings.position_segment[positioned_rows]
        if previous is not None:
            times = np.append(np.int64(previous[0]), times)
            segments = np.append(np.int32(previous[1]), segments)
        for index in np.flatnonzero(np.diff(segments)):
            yield PositionBreak(
                time_ns=int(times[index + 1]),
                silent_s=to_s(float(times[index + 1] - times[index])),
                segment=int(segments[index + 1]),
            )
