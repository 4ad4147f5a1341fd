"""When damaged and missing frames become an event.

A loose plug gives thousands of them. The first of a joint's kind of frame are reported at once,
those that follow once a minute with their count, the rest at the end: the counts add up to the
total. Times are those of the frames, so that batches of any size give the same events.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.event_kind import EventKind
from logger.joint.bench.bench import Bench
from logger.joint.decode.frame_faults import FrameFaults
from logger.recording.event_log import EventLog

__all__ = ["FaultReport"]

REPORT_SPAN_NS: Final = 60_000_000_000


@dataclass(slots=True)
class _Reported:
    """What is reported of one sort of fault in one kind of frame."""

    last_ns: int
    pending: int = 0


class FaultReport:
    """Counts the faults of each kind of frame of a recording, and reports them."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._reported: dict[tuple[EventKind, str, str], _Reported] = {}

    def add_faults(self, faults: FrameFaults, events: EventLog) -> None:
        """Take the faults of a batch, later than those before; emit what is due by then."""
        key = (faults.kind, faults.joint, faults.frame)
        place, count = 0, len(faults.time_ns)
        while place < count:
            reported = self._reported.get(key)
            if reported is not None:
                due_ns = reported.last_ns + REPORT_SPAN_NS
                waits = int(np.searchsorted(faults.time_ns, due_ns))
                reported.pending += int(faults.count[place:waits].sum())
                place = max(place, waits)
                if place == count:
                    return
                if reported.pending:
                    self._emit_pending(key, reported, due_ns, events)
                    continue
            self._reported[key] = _Reported(last_ns=int(faults.time_ns[place]))
            self._emit(key, int(faults.time_ns[place]), int(faults.count[place]), events)
            place += 1

    def emit_due(self, now_ns: int, events: EventLog, *, is_end: bool = False) -> None:
        """Emit the counts whose minute is over at `now_ns`; `is_end`: all of them, now."""
        for key, reported in self._reported.items():
            due_ns = reported.last_ns + REPORT_SPAN_NS
            if reported.pending and (is_end or due_ns <= now_ns):
                self._emit_pending(key, reported, min(due_ns, now_ns), events)

    def _emit_pending(
        self, key: tuple[EventKind, str, str], reported: _Reported, time_ns: int, events: EventLog
    ) -> None:
        self._emit(key, time_ns, reported.pending, events, more=" more")
        reported.pending, reported.last_ns = 0, time_ns

    def _emit(
        self,
        key: tuple[EventKind, str, str],
        time_ns: int,
        count: int,
        events: EventLog,
        *,
        more: str = "",
    ) -> None:
        kind, joint, frame = key
        frames = f"{count}{more} frame{'' if count == 1 else 's'}"
        were = "was" if count == 1 else "were"
        its = "its checksum is" if count == 1 else "their checksums are"
        it = "It is" if count == 1 else "They are"
        events.emit(
            kind,
            time_ns=time_ns,
            joint=joint,
            frame=frame,
            value=float(count),
            text=f"{self._bench.label_of(joint)}: {frames} of {frame!r} came damaged: {its} wrong. "
            f"{it} stored and not decoded."
            if kind == EventKind.DAMAGED
            else f"{self._bench.label_of(joint)}: {frames} of {frame!r} {were} lost on the way: "
            "the counter in the next one skipped.",
        )
