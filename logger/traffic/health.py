"""The health of a bus: its statistics, and the hints of their diagnosis.

Figures come from `bus_statistics`, sentences from `hint_sentences`; here is what counts as
healthy. Pure.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import Bench
from logger.traffic.bus_statistics import BusStatistics, bus_statistics, statistics_plan
from logger.traffic.diagnosis import hint_sentences

__all__ = ["BusHealth", "bus_health"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BusHealth:
    """The health of one bus of the bench over a span of listening."""

    statistics: BusStatistics
    hints: tuple[str, ...]
    """The hints of the diagnosis; empty for a healthy bus."""

    @property
    def healthy(self) -> bool:
        """Whether there is no hint: no error frames, no silent joint, not overloaded."""
        return not (self.hints or self.statistics.error_frames or self.statistics.silent)


def bus_health(
    frames: FrameBatch, bench: Bench, *, start_ns: int, end_ns: int, garbled: Sequence[int] = ()
) -> tuple[BusHealth, ...]:
    """Return the health of each bus of the bench, in its order.

    Parameters
    ----------
    frames
        What the buses gave from `start_ns` to `end_ns`; in order of time for each bus.
    garbled
        Lines or frames of each bus that could not be read meanwhile; () where none is known.
    """
    return tuple(
        BusHealth(statistics=statistics, hints=hint_sentences(statistics))
        for statistics in bus_statistics(
            frames, statistics_plan(bench), start_ns=start_ns, end_ns=end_ns, garbled=garbled
        )
    )
