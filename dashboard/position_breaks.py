"""Where the positions of a joint begin anew: neither traces nor comparisons go across it.

The turns of an encoder that were lost leave a position about another zero. What was drawn up to
there ends, and the set-point is not drawn beside positions that are not about its zero. Reads what
the events of a recording say; the rest is pure.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import TIME_MAX_NS, Floats, Ints
from logger.event_kind import EventKind
from logger.store.layout.events import Event

__all__ = ["NO_BREAKS", "PositionBreaks", "position_breaks"]

POSITION: Final = "position_rad"
SETPOINT: Final = "position_setpoint_rad"


@dataclass(frozen=True, slots=True, kw_only=True)
class PositionBreaks:
    """The breaks in the positions of one joint, in ns."""

    begins_ns: Ints = field(default_factory=lambda: np.empty(0, np.int64))
    """When a segment of positions begins, in order of time."""
    apart_ns: tuple[tuple[int, int], ...] = ()
    """Spans in which positions are about another zero than set-points."""

    def are_broken(self, channel: str, begin_ns: Ints, end_ns: Ints) -> NDArray[np.bool_]:
        """Return which buckets [begin, end) of a channel hold values that must not be drawn.

        Of positions those in which a segment begins: their range would be one of two zeros. Of
        set-points those in which they cannot be compared with the position.
        """
        broken = np.zeros(len(begin_ns), bool)
        if channel == POSITION and len(self.begins_ns):
            before = self.begins_ns.searchsorted(begin_ns)
            broken |= self.begins_ns.searchsorted(end_ns) > before
        elif channel == SETPOINT:
            for apart_ns, together_ns in self.apart_ns:
                broken |= (begin_ns < together_ns) & (end_ns > apart_ns)
        return broken

    def break_line(self, channel: str, time_ns: Ints, values: Floats, *, width_ns: int) -> Floats:
        """Return the values of a polyline with NaN wherever it must not go on.

        `width_ns`: of the buckets that its points stand for, where they are no single readings.
        """
        kept = np.array(values, float)
        if channel == SETPOINT:
            kept[self.are_broken(channel, time_ns, time_ns + 1)] = np.nan
        elif channel == POSITION:
            for begin_ns in self.begins_ns.tolist():
                place = int(time_ns.searchsorted(begin_ns))
                # Between single readings the line is broken already, as it is at a gap.
                if 0 < place < len(kept) and not np.isnan(kept[place - 1 : place + 1]).any():
                    kept[time_ns // width_ns == begin_ns // width_ns] = np.nan
        return kept


NO_BREAKS: Final = PositionBreaks()


def position_breaks(events: Iterable[Event]) -> dict[str, PositionBreaks]:
    """Return the breaks of each joint that has any, from the events of a recording."""
    begins_ns: dict[str, list[int]] = {}
    apart_ns: dict[str, list[tuple[int, int]]] = {}
    lost_ns: dict[str, int] = {}
    for event in events:
        if event.kind == EventKind.POSITION_LOST:
            begins_ns.setdefault(event.joint, []).append(event.time_ns)
            lost_ns.setdefault(event.joint, event.time_ns)
        elif event.kind == EventKind.POSITION_FOUND:
            begins_ns.setdefault(event.joint, []).append(event.time_ns)
            if event.joint in lost_ns:
                span_ns = (lost_ns.pop(event.joint), event.time_ns)
                apart_ns.setdefault(event.joint, []).append(span_ns)
    for joint, since_ns in lost_ns.items():
        apart_ns.setdefault(joint, []).append((since_ns, TIME_MAX_NS))
    return {
        joint: PositionBreaks(
            begins_ns=np.array(begins, np.int64), apart_ns=tuple(apart_ns.get(joint, ()))
        )
        for joint, begins in begins_ns.items()
    }
