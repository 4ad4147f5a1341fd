"""Several buses into one stream of frames in order of time.

Each bus has a watermark: its later frames are not older. What lies before the oldest watermark can
be passed on. A bus that stands still (its adapter is being opened again) is waited for only so
long: its late frames get the present time. Pure: the time comes in as an argument.
"""

from dataclasses import replace
from typing import Final

import numpy as np

from logger.joint.batch import FrameBatch

__all__ = ["IDLE_BUS_NS", "MERGE_WAIT_NS", "WatermarkMerger"]

MERGE_WAIT_NS: Final = 100_000_000
IDLE_BUS_NS: Final = 2_000_000_000
"""How long a receiver may be held up before time goes on without it."""
WAIT_AFTER_STANDSTILL_NS: Final = 1_000_000_000
"""How long is waited for the other buses once one is read again: all of them stood still."""


class WatermarkMerger:
    """The watermark of each bus, and the frames that wait for the other buses."""

    def __init__(self, buses: int, *, start_ns: int, wait_ns: int = MERGE_WAIT_NS) -> None:
        self._watermarks = [start_ns] * buses
        self._wait_ns = wait_ns
        self._pending_batches: list[FrameBatch] = []
        self._until_ns = start_ns
        self._wait_for_all_ns = start_ns

    def note_standstill(self, end_ns: int) -> None:
        """Note that receiving stood still until then: what the buses kept meanwhile is to come."""
        self._wait_for_all_ns = max(self._wait_for_all_ns, end_ns + WAIT_AFTER_STANDSTILL_NS)

    def add_frames(self, bus: int, frames: FrameBatch, *, until_ns: int) -> None:
        """Add frames of a bus; its later frames are not before `until_ns`."""
        if len(frames):
            if int(frames.time_ns[0]) < self._until_ns:
                # It was no longer waited for; frames that were passed on stay in their order.
                times = np.maximum(frames.time_ns, self._until_ns)
                frames = replace(frames, time_ns=times)
            self._pending_batches.append(frames)
        self._watermarks[bus] = max(self._watermarks[bus], until_ns)

    def take_until_watermark(self, now_ns: int, *, idle: bool = False) -> tuple[FrameBatch, int]:
        """Return frames in order of time, and the time before which none will follow.

        `idle` says that nothing more is on its way from the receivers: time goes on without a bus
        whose adapter is being opened, so that its silence is noticed.
        """
        watermark_ns = min(self._watermarks)
        if idle:
            watermark_ns = max(watermark_ns, now_ns - IDLE_BUS_NS)
        if len(self._watermarks) > 1 and now_ns >= self._wait_for_all_ns:
            watermark_ns = max(watermark_ns, min(max(self._watermarks), now_ns - self._wait_ns))
        self._until_ns = max(self._until_ns, watermark_ns)
        waiting, self._pending_batches = self._pending_batches, []
        if len(self._watermarks) == 1 or not waiting:
            return FrameBatch.concatenate(waiting), self._until_ns
        joined_frames = FrameBatch.concatenate(waiting)
        order = np.argsort(joined_frames.time_ns, kind="stable")
        count = int(np.searchsorted(joined_frames.time_ns, self._until_ns, "right", sorter=order))
        if count < len(order):
            self._pending_batches = [joined_frames.select_rows(order[count:])]
        return joined_frames.select_rows(order[:count]), self._until_ns
