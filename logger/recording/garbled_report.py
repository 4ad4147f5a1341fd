"""When lines or frames that could not be read become an event. Pure but for its counts.

A port at the wrong speed gives thousands of them a second. The first of a bus are reported at once,
further ones once a minute with their count, and the rest at the end: the counts of the events add
up to the total.
"""

from collections.abc import Sequence
from typing import Final

__all__ = ["GarbledReport"]

REPORT_SPAN_NS: Final = 60_000_000_000
"""After a report of a bus, the next one waits for so long."""


class GarbledReport:
    """What was reported of each bus so far."""

    def __init__(self, buses: int) -> None:
        self._reported = [0] * buses
        self._reported_ns: list[int | None] = [None] * buses

    def due_counts(
        self, totals: Sequence[int], now_ns: int, *, is_end: bool = False
    ) -> list[tuple[int, int]]:
        """Return (bus, count since the last report) of each bus that has something to report now.

        `totals`: of each bus since the recorder began. `is_end`: nothing waits any longer.
        """
        due = []
        for bus, total in enumerate(totals):
            count, last_ns = total - self._reported[bus], self._reported_ns[bus]
            if count and (is_end or last_ns is None or now_ns - last_ns >= REPORT_SPAN_NS):
                self._reported[bus], self._reported_ns[bus] = total, now_ns
                due.append((bus, count))
        return due
