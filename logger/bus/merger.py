"""Several buses into one run of frames in order of time.

Each bus promises that its later frames are not older than a mark; what lies before the oldest mark
can be handed on. A bus that stands still (its adapter is being opened again) is waited for only so
long: what it brings late counts as of then. Pure: the time comes in as an argument.
"""

from dataclasses import replace
from typing import Final

import numpy as np

from logger.joint.batch import FrameBatch

__all__ = ["PATIENCE_NS", "Merge"]

PATIENCE_NS: Final = 100_000_000
IDLE_NS: Final = 2_000_000_000
"""How long a receiver may be held up before time goes on without it."""


class Merge:
    """What is known of each bus, and the frames that wait for the others."""

    def __init__(self, buses: int, *, start_ns: int, patience_ns: int = PATIENCE_NS) -> None:
        self._marks = [start_ns] * buses
        self._patience_ns = patience_ns
        self._waiting: list[FrameBatch] = []
        self._until_ns = start_ns

    def add(self, bus: int, frames: FrameBatch, *, until_ns: int) -> None:
        """Take what a bus brought; its later frames are not before `until_ns`."""
        if len(frames):
            if int(frames.time_ns[0]) < self._until_ns:
                # It was not waited for any longer; what has been handed on stands.
                times = np.maximum(frames.time_ns, self._until_ns)
                frames = replace(frames, time_ns=times)
            self._waiting.append(frames)
        self._marks[bus] = max(self._marks[bus], until_ns)

    def take(self, now_ns: int, *, idle: bool = False) -> tuple[FrameBatch, int]:
        """Return frames in order of time, and the time before which none will follow.

        `idle` says that nothing more is on its way from the receivers: time goes on without a bus
        whose adapter is being opened, so that its silence is noticed.
        """
        mark_ns = min(self._marks)
        if idle:
            mark_ns = max(mark_ns, now_ns - IDLE_NS)
        if len(self._marks) > 1:
            mark_ns = max(mark_ns, min(max(self._marks), now_ns - self._patience_ns))
        self._until_ns = max(self._until_ns, mark_ns)
        waiting, self._waiting = self._waiting, []
        if len(self._marks) == 1 or not waiting:
            return FrameBatch.joined(waiting), self._until_ns
        whole = FrameBatch.joined(waiting)
        order = np.argsort(whole.time_ns, kind="stable")
        count = int(np.searchsorted(whole.time_ns, self._until_ns, "right", sorter=order))
        if count < len(order):
            self._waiting = [whole.taken(order[count:])]
        return whole.taken(order[:count]), self._until_ns
