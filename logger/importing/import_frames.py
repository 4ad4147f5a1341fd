"""Imports frames that do not come from a bus, at any pace, into a recording like any other.

The recording appears when it is whole. The source of the frames runs on a thread of its own, a few
batches ahead; decoding, limits and store run on the caller's.
"""

import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from logger.cancellation import raise_if_stopped
from logger.errors import InputError
from logger.event_kind import EventKind
from logger.importing.prefetch import prefetch_batches
from logger.joint.batch import SENT, FrameBatch
from logger.joint.bench.bench import Bench
from logger.limits.limit import LimitSet
from logger.recording.event_log import EventLog
from logger.recording.pipeline import Pipeline
from logger.store.layout.files import status_stream
from logger.store.layout.manifest import new_manifest
from logger.store.writing.bulk_writer import BulkWriter, discard_on_failure

__all__ = ["ImportNotice", "ImportResult", "count_sent", "import_frames"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportNotice:
    """Something about the frames that becomes an event."""

    kind: EventKind
    time_ns: int
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportResult:
    """The content of the new recording."""

    path: Path
    start_ns: int
    end_ns: int
    frames: int
    readings: dict[str, int]
    """Joint -> rows."""
    rejected: Mapping[str, int]
    """Reason in words -> frames that no joint's layout explains for it."""
    sent: int
    """Frames that the program which logged them marked as its own: those of no joint."""
    notices: tuple[ImportNotice, ...] = ()
    """Notices about the frames that became events."""

    @property
    def undecoded(self) -> int:
        """Frames that no joint's layout explains."""
        return sum(self.rejected.values())

    @property
    def decoded_nothing(self) -> bool:
        """Whether there are frames, and no joint has a reading."""
        return self.frames > 0 and not any(self.readings.values())

    def to_json(self) -> dict[str, Any]:
        """Return it as a JSON object, the answer of `dutytrace import` and `redecode --json`."""
        return {
            "recording": str(self.path),
            "joints": {joint: {"rows": rows} for joint, rows in self.readings.items()},
            "frames": self.frames,
            "undecoded": self.undecoded,
            "not_decoded_for": dict(self.rejected),
            "sent_by_logging_program": self.sent,
            "said": [notice.text for notice in self.notices],
        }


def import_frames(
    frames: Iterable[FrameBatch],
    *,
    bench: Bench,
    limits: LimitSet,
    out: Path,
    name: str,
    start_ns: int | None = None,
    end_ns: int | None = None,
    note: str = "",
    simulated: bool = False,
    pending_notices: "deque[ImportNotice] | None" = None,
    progress: Callable[[int], None] = lambda _time_ns: None,
    stop: threading.Event | None = None,
) -> ImportResult:
    """Make a recording of frames given in order of time.

    Parameters
    ----------
    start_ns, end_ns
        The recording's span; None: from the first frame, to just after the last.
    pending_notices
        The source of the frames adds to it while it is read; these become events.
    progress
        Called with the time of the newest frame.
    stop
        Set from outside to end it.

    Raises
    ------
    InputError
        `out` exists or cannot be made, or the frames cannot be read; nothing was made.
    OutsideFault
        The disk took no more, or it was stopped; nothing was left behind.
    """
    pending_notices = deque() if pending_notices is None else pending_notices
    emitted_notices: list[ImportNotice] = []
    with prefetch_batches(frames) as batches:
        first_batch = next(batches, FrameBatch.empty())
        if start_ns is None:
            if len(first_batch) == 0:
                raise InputError(f"{out}: found no frame to begin with.")
            start_ns = int(first_batch.time_ns[0])
        manifest = new_manifest(
            bench, name=name, note=note, started_ns=start_ns, simulated=simulated, limits=limits
        )
        writer = BulkWriter(out, manifest, bench)
        with discard_on_failure(writer):
            events = EventLog(bench, writer)
            pipeline = Pipeline(bench, limits, writer, events, start_ns=start_ns)
            events.begin(start_ns, note=note)
            newest_ns, sent = start_ns, 0
            for batch in _prepend_batch(first_batch, batches):
                raise_if_stopped(stop, out)
                sent += count_sent(batch)
                newest_ns = int(batch.time_ns[-1]) if len(batch) else newest_ns
                pipeline.process(batch, now_ns=newest_ns)
                pipeline.record_seconds(newest_ns)
                emitted_notices += _emit_import_notices(pending_notices, events)
                writer.tick()
                progress(newest_ns)
            end_ns = newest_ns + 1 if end_ns is None else end_ns
            emitted_notices += _emit_import_notices(pending_notices, events)
            pipeline.process(FrameBatch.empty(), now_ns=end_ns)
            pipeline.record_seconds(end_ns)
            pipeline.finish(end_ns)
            events.emit(EventKind.ENDED, time_ns=end_ns, text="Recording ended.")
            raise_if_stopped(stop, out)
            writer.close(ended_ns=end_ns, cause="end of the frames")
    return ImportResult(
        path=out,
        start_ns=start_ns,
        end_ns=end_ns,
        frames=writer.row_count("frames"),
        readings={
            joint.name: writer.row_count(status_stream(joint.name)) for joint in bench.joints
        },
        rejected=pipeline.rejected,
        sent=sent,
        notices=tuple(emitted_notices),
    )


def count_sent(frames: FrameBatch) -> int:
    """Return how many frames are marked as sent by the program that logged them."""
    return int(np.count_nonzero(frames.flags & SENT))


def _emit_import_notices(
    pending_notices: "deque[ImportNotice]", events: EventLog
) -> list[ImportNotice]:
    emitted_notices = []
    while pending_notices:
        notice = pending_notices.popleft()
        events.emit(notice.kind, time_ns=notice.time_ns, text=notice.text)
        emitted_notices.append(notice)
    return emitted_notices


def _prepend_batch(first: FrameBatch, rest: Iterator[FrameBatch]) -> Iterator[FrameBatch]:
    yield first
    yield from rest
