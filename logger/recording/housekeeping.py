"""What others ask of the writer: requests in the inbox, limits that were saved meanwhile.

For the writing thread; afterwards, for whoever ends the recording.
"""

import queue
from typing import Final

from logger.errors import InputError
from logger.event_kind import EventKind
from logger.joint.bench.bench import Bench
from logger.limits.limit import LimitSet, check_for_bench, parse_limits
from logger.recording.event_log import EventLog
from logger.recording.limits_watcher import FILE_CHECK_S, LimitsWatcher
from logger.recording.pipeline import Pipeline
from logger.store.writing.inbox import LIMITS_SUBMITTED, EventRequest
from logger.store.writing.inbox import claim_requests as take_requests
from logger.store.writing.live_writer import RecordingWriter

__all__ = ["Housekeeping"]

INBOX_S: Final = 0.1


class Housekeeping:
    """What others ask of the writer: requests in the inbox, limits that were saved meanwhile."""

    def __init__(
        self,
        bench: Bench,
        store: RecordingWriter,
        pipeline: Pipeline,
        events: EventLog,
        *,
        limits_file: LimitsWatcher | None,
        asides: "queue.SimpleQueue[str]",
    ) -> None:
        """`asides`: sentences that others put there for the recording, from any thread."""
        self._bench = bench
        self._store = store
        self._pipeline = pipeline
        self._events = events
        self._limits = limits_file
        self._asides = asides
        self._inbox_s = self._limits_s = 0.0

    def do_due(self, now_s: float, time_ns: int) -> None:
        """Do what is due; `time_ns` is when it counts, 0 while nothing was received."""
        if not time_ns:
            return
        # The file first: the limits with which it goes on must not undo what is handed over.
        if self._limits is not None and now_s >= self._limits_s:
            self._limits_s = now_s + FILE_CHECK_S
            self._take_saved(self._limits.poll_file(), time_ns)
        if now_s >= self._inbox_s:
            self._inbox_s = now_s + INBOX_S
            self.empty_inbox(time_ns)

    def empty_inbox(self, time_ns: int) -> None:
        """Take what waits in the inbox, and what others had to say."""
        while not self._asides.empty():
            self._events.emit(EventKind.TELLING, time_ns=time_ns, text=self._asides.get())
        for request in take_requests(self._store.path):
            if request.kind == "limits":
                self._replace_limits(request, time_ns)
            else:
                self._events.emit_request(request, time_ns=time_ns)

    def _replace_limits(self, request: EventRequest, time_ns: int) -> None:
        """Take limits over that somebody handed over; their file counts again when it is saved."""
        where = "the limits that were handed over"
        try:
            limits = parse_limits(request.text, where)
            check_for_bench(limits, self._bench, where)
        except InputError as fault:
            said = f"{LIMITS_SUBMITTED}, but the limits stay as they are. {fault}"
            self._events.emit(
                EventKind.LIMITS_REFUSED,
                time_ns=time_ns,
                text=said,
                who=request.who,
                request=request.name,
            )
            return
        self._store.record_limits(limits.text, from_ns=time_ns)
        self._pipeline.replace_limits(limits, time_ns=time_ns, handed_over=request)
        if self._limits is not None:
            self._limits.replace_current(limits)

    def _take_saved(self, news: LimitSet | str | None, time_ns: int) -> None:
        """Take limits over that fit; those that do not change nothing."""
        if isinstance(news, str):
            self._events.emit(
                EventKind.LIMITS_REFUSED,
                time_ns=time_ns,
                text=f"The limits stay as they are. {news}",
            )
        elif news is not None:
            self._store.record_limits(news.text, from_ns=time_ns)
            self._pipeline.replace_limits(news, time_ns=time_ns)
