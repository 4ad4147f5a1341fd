"""The cycle that is open: its readings are held, and summed on the way. Pure."""

from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from logger.campaign.cycle_plan import CyclePlan
from logger.campaign.cycle_sums import CycleSums, add_sums, stretch_sums
from logger.campaign.recording_breaks import RecordingBreaks
from logger.joint.batch import ReadingBatch

__all__ = ["OpenCycle", "joined_readings"]

STRETCH_ROWS: Final = 1 << 14
"""Readings that are held before they are summed, so that a cycle may last for days."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenCycle:
    """The default is that before the first cycle."""

    start_ns: int | None = None
    """None before the first."""
    unseen_s: float = 0.0
    """So much earlier it may have begun: nothing was read then."""
    stretch_ns: int = 0
    """Where the readings that are held begin."""
    held: tuple[ReadingBatch, ...] = ()
    held_rows: int = 0
    sums: CycleSums = field(default_factory=CycleSums)
    carried: ReadingBatch | None = None
    """The newest reading of each channel before those that are held."""

    def followed_at(self, start_ns: int, *, unseen_s: float) -> "OpenCycle":
        """Return the next, which begins at an instant; values that are known hold on into it."""
        return OpenCycle(
            start_ns=start_ns, unseen_s=unseen_s, stretch_ns=start_ns, carried=self.carried
        )

    def hold(self, plan: CyclePlan, rows: ReadingBatch, breaks: RecordingBreaks) -> "OpenCycle":
        """Hold readings; they are summed whenever there are enough of them."""
        if not len(rows):
            return self
        if self.start_ns is None:
            return replace(self, carried=_newest_readings(self.carried, rows))
        state = replace(self, held=(*self.held, rows), held_rows=self.held_rows + len(rows))
        while state.held_rows > STRETCH_ROWS:
            together = joined_readings(state.held)
            end_ns = int(together.time_ns[STRETCH_ROWS])
            whole = together.select_rows(slice(STRETCH_ROWS))
            left = together.select_rows(slice(STRETCH_ROWS, None))
            state = state._add_stretch(plan, whole, end_ns, breaks)
            state = replace(state, held=(left,), held_rows=len(left), stretch_ns=end_ns)
        return state

    def sum_until(self, plan: CyclePlan, end_ns: int, breaks: RecordingBreaks) -> "OpenCycle":
        """Return it with all that was held in its sums, up to an instant; nothing is held then."""
        if not self.held:
            return self
        state = self._add_stretch(plan, joined_readings(self.held), end_ns, breaks)
        return replace(state, held=(), held_rows=0)

    def _add_stretch(
        self, plan: CyclePlan, rows: ReadingBatch, end_ns: int, breaks: RecordingBreaks
    ) -> "OpenCycle":
        together = rows if self.carried is None else joined_readings((self.carried, rows))
        own = stretch_sums(
            together,
            start_ns=self.stretch_ns,
            end_ns=end_ns,
            hold_ns=plan.hold_ns,
            winding=plan.winding,
            breaks=breaks,
        )
        carried = _newest_readings(None, together)
        return replace(self, sums=add_sums(self.sums, own), carried=carried)


def _newest_readings(carried: ReadingBatch | None, rows: ReadingBatch) -> ReadingBatch:
    """Return the rows that hold the newest value of each channel."""
    together = rows if carried is None else joined_readings((carried, rows))
    kept = set()
    for values in together.columns.values():
        known = np.flatnonzero(~np.isnan(values))
        if len(known):
            kept.add(int(known[-1]))
    return together.select_rows(np.array(sorted(kept), np.intp))


def joined_readings(batches: tuple[ReadingBatch, ...]) -> ReadingBatch:
    """Return batches of the same channels as one."""
    return ReadingBatch.concatenate(batches, channels=list(batches[0].columns))
