"""What happens beside the bus: requests, limits files that were saved, late parts.

For the writing thread; after it has ended, for the thread that ends the recording.
"""

import queue
from concurrent.futures import Future
from typing import Final

from logger.errors import InputError
from logger.event_kind import EventKind
from logger.joint.bench.bench import Bench
from logger.limits.limit import LimitSet, check_for_bench, parse_limits
from logger.notify.delivery_report import DeliveryReport
from logger.recording.event_log import EventLog
from logger.recording.limits_watcher import FILE_CHECK_S, LimitsWatcher
from logger.recording.pipeline import Pipeline
from logger.store.writing.inbox import (
    LIMITS_SUBMITTED,
    EventRequest,
    InboxWatch,
    claim_requests,
)
from logger.store.writing.live_writer import RecordingWriter
from logger.store.writing.request_files import file_of_request

__all__ = ["Housekeeping"]

INBOX_S: Final = 0.1
"""How often the inbox is looked into."""


class Housekeeping:
    """Carries out requests, puts limits that were saved into force, tells of late parts."""

    def __init__(
        self,
        bench: Bench,
        store: RecordingWriter,
        pipeline: Pipeline,
        events: EventLog,
        *,
        limits_file: LimitsWatcher | None,
        reports: "queue.SimpleQueue[DeliveryReport]",
    ) -> None:
        """Make it; `reports`, which any thread may queue, become events of the recording."""
        self._bench = bench
        self._store = store
        self._pipeline = pipeline
        self._events = events
        self._limits = limits_file
        self._reports = reports
        self._inbox = InboxWatch(store.path)
        self._inbox_s = self._limits_s = 0.0
        self._keeping: dict[str, Future[object]] = {}

    def do_due(self, now_s: float, time_ns: int) -> None:
        """Do what is due; its events get `time_ns`, which is 0 while nothing was received."""
        if not time_ns:
            return
        # The file first: at a resume the limits of the file must not undo submitted ones.
        if self._limits is not None and now_s >= self._limits_s:
            self._limits_s = now_s + FILE_CHECK_S
            self._take_saved(self._limits.poll_file(), time_ns)
        if now_s >= self._inbox_s:
            self._inbox_s = now_s + INBOX_S
            self._take_remarks(time_ns)
            if self._inbox.may_hold_more(now_s):
                self._take_requests(time_ns)

    def empty_inbox(self, time_ns: int) -> None:
        """Make events of the requests in the inbox, and of what was told from elsewhere."""
        self._take_remarks(time_ns)
        self._take_requests(time_ns)

    def _take_remarks(self, time_ns: int) -> None:
        for kind, text in self._store.take_remarks():
            self._events.emit(kind, time_ns=time_ns, text=text)
        while not self._reports.empty():
            self._events.emit_report(self._reports.get(), time_ns=time_ns)

    def _take_requests(self, time_ns: int) -> None:
        self._keeping = {name: task for name, task in self._keeping.items() if not task.done()}
        for request in claim_requests(self._store.path, in_work=self._keeping):
            if request.kind == "limits":
                self._replace_limits(request, time_ns)
                continue
            write = file_of_request(request)
            if write is not None:
                # Its request stays in the inbox until it is on the disk.
                self._keeping[request.name] = self._store.do_on_disk(write)
            self._events.emit_request(request, time_ns=time_ns)

    def _replace_limits(self, request: EventRequest, time_ns: int) -> None:
        """Put submitted limits into force; the limits file counts again once it is saved."""
        where = "the limits that were handed over"
        try:
            limits = parse_limits(request.text, where)
            check_for_bench(limits, self._bench, where)
        except InputError as fault:
            self._events.emit(
                EventKind.LIMITS_REFUSED,
                time_ns=time_ns,
                text=f"{LIMITS_SUBMITTED}, but the limits stay as they are. {fault}",
                who=request.who,
                request=request.name,
            )
            return
        self._store.record_limits(limits.text, from_ns=time_ns)
        self._pipeline.replace_limits(limits, time_ns=time_ns, handed_over=request)
        if self._limits is not None:
            self._limits.replace_current(limits)

    def _take_saved(self, news: LimitSet | str | None, time_ns: int) -> None:
        """Put the limits of a saved file into force; `news` as a text says why they are refused."""
        if isinstance(news, str):
            self._events.emit(
                EventKind.LIMITS_REFUSED,
                time_ns=time_ns,
                text=f"The limits stay as they are. {news}",
            )
        elif news is not None:
            self._store.record_limits(news.text, from_ns=time_ns)
            self._pipeline.replace_limits(news, time_ns=time_ns)
