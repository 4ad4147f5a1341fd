"""Where the position of a joint continues in a new segment, so that each break gets an event."""

from collections.abc import Sequence
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

    def breaks_in(self, readings: ReadingBatch) -> Sequence[PositionBreak]:
        """Return where new segments begin; a joint's readings have to come in order of time."""
        joint, segments = readings.joint, readings.position_segment
        if not len(segments):
            return ()
        has_position = segments >= 0
        last_row = len(segments) - 1 - int(has_position[::-1].argmax())
        newest = (readings.time_ns.item(last_row), segments.item(last_row))
        if newest[1] < 0:
            return ()
        previous = self._newest.get(joint)
        self._newest[joint] = newest
        if previous is not None and newest[1] == previous[1]:
            # Segments only ever count up: none began in between.
            return ()
        times, segments = readings.time_ns[has_position], segments[has_position]
        if previous is not None:
            times = np.append(np.int64(previous[0]), times)
            segments = np.append(np.int32(previous[1]), segments)
        return [
            PositionBreak(
                time_ns=int(times[index + 1]),
                silent_s=to_s(float(times[index + 1] - times[index])),
                segment=int(segments[index + 1]),
            )
            for index in np.flatnonzero(np.diff(segments))
        ]
