"""The keep rule of a plan: raw frames older than it says are let go, whole parts at a time.

What is let go is stated in recording.json first, told by an event, and removed from the disk last.
A crash in between leaves parts that are stated and still there; the next look takes them.
"""

from collections.abc import Iterable
from concurrent.futures import Future
from functools import partial
from typing import Final

from logger.arrays import to_ns, to_s
from logger.campaign.plan_settings import KeepRule
from logger.event_kind import EventKind
from logger.recording.event_log import EventLog
from logger.store.layout.events import Event
from logger.store.layout.frames_let_go import FramesLetGo, joined_spans
from logger.store.layout.manifest import iso_utc
from logger.store.writing.frame_parts import due_frames, remove_let_go
from logger.store.writing.live_writer import RecordingWriter

__all__ = ["LEAD_UP_NS", "FrameKeeping"]

LEAD_UP_NS: Final = 15 * 60 * 10**9
"""Before an alert's onset, and at most so long of the alert itself: the longest span before an
excursion of which its load is told."""
_LONGEST_LOOK_S: Final = 86_400.0
_LOOKS_PER_KEPT: Final = 20
"""Looks in the time that frames are kept: what is let go is at most a twentieth too old."""


class FrameKeeping:
    """Lets go of the raw frames of one recording; for the writing thread."""

    def __init__(
        self,
        rule: KeepRule,
        store: RecordingWriter,
        events: EventLog,
        *,
        raised: Iterable[Event] = (),
    ) -> None:
        """Begin; `raised`: the events that raised alerts before."""
        self._days = rule.frames_days
        self._kept_ns = to_ns(rule.frames_days * 86_400.0)
        self._look_ns = min(to_ns(_LONGEST_LOOK_S), self._kept_ns // _LOOKS_PER_KEPT)
        self._store, self._events = store, events
        self._next_ns = 0
        self._finding: Future[tuple[FramesLetGo, ...]] | None = None
        self._lead_ups: list[tuple[int, int]] = []
        """Spans of which raw frames are kept, in order of time and apart from each other."""
        for event in raised:
            self.on_event(event)

    def on_event(self, event: Event) -> None:
        """Note an alert: what led up to it is kept."""
        if event.kind != EventKind.RAISED:
            return
        held_ns = to_ns(event.duration_s) if event.duration_s > 0.0 else 0
        onset_ns = event.time_ns - held_ns
        start_ns, end_ns = onset_ns - LEAD_UP_NS, onset_ns + LEAD_UP_NS
        # Joined where they overlap: a limit that chatters for months keeps few spans.
        while self._lead_ups and self._lead_ups[-1][1] >= start_ns:
            start_ns = min(start_ns, self._lead_ups[-1][0])
            end_ns = max(end_ns, self._lead_ups.pop()[1])
        self._lead_ups.append((start_ns, end_ns))

    def do_due(self, time_ns: int) -> None:
        """Look from time to time, and let go what is due; `time_ns`: the recording's time."""
        if self._finding is not None:
            if self._finding.done():
                # A fault of the disk ends the recording with the writer's next tick.
                found = () if self._finding.exception() else self._finding.result()
                self._finding = None
                self._let_go(found, time_ns)
        elif time_ns >= self._next_ns:
            self._next_ns = time_ns + self._look_ns
            find = partial(
                due_frames, before_ns=time_ns - self._kept_ns, kept_ns=tuple(self._lead_ups)
            )
            self._finding = self._store.do_on_disk(find)

    def _let_go(self, found: tuple[FramesLetGo, ...], time_ns: int) -> None:
        if not found:
            return
        stated = self._store.manifest.frames_let_go
        self._store.restate(frames_let_go=joined_spans((*stated, *found)))
        count = sum(span.frames for span in found)
        from_ns, to_ns_ = found[0].from_ns, found[-1].to_ns
        self._events.emit(
            EventKind.FRAMES_LET_GO,
            time_ns=time_ns,
            value=float(count),
            duration_s=to_s(to_ns_ - from_ns),
            text=f"{count:,} raw frames from {iso_utc(from_ns)} to {iso_utc(to_ns_)} were let go: "
            f"the plan keeps them for {self._days:g} days. Readings, events, alerts and buckets "
            "stay; what is let go cannot be decoded again.",
        )
        # After recording.json, on the same thread.
        self._store.do_on_disk(remove_let_go)
