"""The frames of a log that python-can reads, in batches, on the recording's time axis.

Times never go backwards: a frame with a timestamp a little before that of the previous frame gets
the time of that frame; a step back of a second or more shifts all later frames; both are reported.
A log without a date is placed at the file's own time, or at a given start. The thread that reads
the first batch has to read all of them: it opens the file.
"""

from collections import deque
from collections.abc import Iterator, Mapping
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import to_s
from logger.errors import InputError
from logger.event_kind import EventKind
from logger.importing.channel_map import ChannelMap
from logger.importing.import_frames import ImportNotice
from logger.importing.log_reader import LogReader, describe_error
from logger.importing.message_batch import MessageBatch
from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import Bench
from logger.store.layout.manifest import iso_utc

__all__ = ["LogFrames"]

MIN_DATED_STAMP_NS: Final = 1_000_000_000 * 10**9
"""Timestamps before September 2001 count from the start of the log and give no date."""
REPORTED_BACKWARD_NS: Final = 1_000_000_000
"""A timestamp that goes back by this much means a clock that was set, not a frame that was late."""


@dataclass(slots=True, kw_only=True)
class LogFrames:
    """A log file; iterating over it yields its frames, once."""

    path: Path
    bench: Bench
    start_ns: int | None = None
    """Time of its first frame; None: by the log, else the file's own time."""
    channels: Mapping[str, str] = field(default_factory=dict)
    """Bus of the bench -> channel of the log, where neither name nor order decides."""
    tolerant: bool = False
    """End where the log is damaged, with a notice, instead of refusing it."""
    notices: deque[ImportNotice] = field(default_factory=deque)
    """Notices that were not taken yet; each becomes an event."""
    _reader: LogReader | None = None
    _shift_ns: int = 0
    _newest_ns: int = 0
    _late: int = 0
    _latest_ns: int = 0

    @property
    def size_bytes(self) -> int:
        """Size of the file; 0 where there is none."""
        return self.path.stat().st_size if self.path.is_file() else 0

    @property
    def read_bytes(self) -> int:
        """Bytes of the file that were read; 0 where that is not known."""
        return 0 if self._reader is None else self._reader.read_bytes

    def _open_reader(self) -> LogReader:
        self._reader = LogReader(self.path)
        return self._reader

    def first_time_ns(self) -> int:
        """Return the time of the first frame in nanoseconds.

        Raises
        ------
        InputError
            It is no log that can be read, or holds no frame.
        """
        with ExitStack() as opened:
            for columns, _ in self._open_reader().read_batches(opened):
                if len(columns):
                    return self._first_frame_ns(int(columns.to_frame_batch().time_ns[0]))
        raise self._empty_log_error()

    def __iter__(self) -> Iterator[FrameBatch]:
        """Yield the frames in batches of about 16,000.

        Raises
        ------
        InputError
            There is no such log, python-can reads none of that kind, it holds no frame, or it is
            damaged.
        """
        channel_map = ChannelMap(self.bench, self.channels)
        count = 0
        with ExitStack() as opened:
            for columns, fault in self._open_reader().read_batches(opened):
                if len(columns):
                    frames = columns.to_frame_batch()
                    frames = replace(
                        frames,
                        time_ns=self._recording_times(frames.time_ns, first=count == 0),
                        bus=_bus_indices(columns, channel_map),
                    )
                    count += len(columns)
                    yield frames
                if fault is not None:
                    self._damage_error(fault, count)
        if count == 0:
            raise self._empty_log_error()
        if self._late:
            self._add_notice(
                EventKind.NOTE,
                f"{self._late} frames of the log have timestamps before that of the previous "
                f"frame, by up to {self._latest_ns * 1e-6:.3g} ms; they get the time of that "
                "frame.",
            )

    def _empty_log_error(self) -> InputError:
        return InputError(f"{self.path}: this log holds no frame.")

    def _add_notice(self, kind: EventKind, text: str) -> None:
        self.notices.append(ImportNotice(kind=kind, time_ns=self._newest_ns, text=text))

    def _damage_error(self, fault: Exception, count: int) -> None:
        sentence = (
            f"the log cannot be read beyond its frame {count} (at {iso_utc(self._newest_ns)}): "
            f"{describe_error(fault)}."
        )
        if not self.tolerant or count == 0:
            raise InputError(
                f"{self.path}: {sentence} Nothing was made; --tolerant imports what is before it."
            )
        self._add_notice(EventKind.NOTE, sentence[0].upper() + sentence[1:])

    def _recording_times(self, stamps_ns: NDArray[np.int64], *, first: bool) -> NDArray[np.int64]:
        """Return timestamps of the log as times of the recording."""
        if first:
            self._anchor_time(int(stamps_ns[0]))
        time_ns = stamps_ns + self._shift_ns
        previous_ns = np.append(np.int64(self._newest_ns), time_ns[:-1])
        backward_ns = previous_ns - time_ns
        if (backward_ns > 0).any():
            time_ns = self._monotonic_times(time_ns, backward_ns)
        self._newest_ns = int(time_ns[-1])
        return time_ns

    def _anchor_time(self, stamp_ns: int) -> None:
        self._newest_ns = self._first_frame_ns(stamp_ns)
        self._shift_ns = self._newest_ns - stamp_ns
        if self.start_ns is None and stamp_ns < MIN_DATED_STAMP_NS:
            self._add_notice(
                EventKind.NOTE,
                "The log names no date: its first frame is placed at the file's own time, "
                f"{iso_utc(self._newest_ns)}.",
            )

    def _first_frame_ns(self, stamp_ns: int) -> int:
        """Return the recording's time of a first frame with that timestamp."""
        if self.start_ns is not None:
            return self.start_ns
        return stamp_ns if stamp_ns >= MIN_DATED_STAMP_NS else self.path.stat().st_mtime_ns

    def _monotonic_times(
        self, time_ns: NDArray[np.int64], backward_ns: NDArray[np.int64]
    ) -> NDArray[np.int64]:
        """Return times that never go backwards; `backward_ns`: previous time minus each time."""
        for row_index in np.flatnonzero(backward_ns >= REPORTED_BACKWARD_NS):
            step_ns = int(backward_ns[row_index])
            time_ns[row_index:] += step_ns
            self._shift_ns += step_ns
            self.notices.append(
                ImportNotice(
                    kind=EventKind.CLOCK_STEP,
                    time_ns=int(time_ns[row_index]),
                    text=f"The log's clock steps back by {to_s(step_ns):.3f} s; later times are "
                    "shifted by it.",
                )
            )
        forward = np.maximum.accumulate(np.maximum(time_ns, self._newest_ns))
        late_ns = forward - time_ns
        self._late += int(np.count_nonzero(late_ns))
        self._latest_ns = max(self._latest_ns, int(late_ns.max()))
        return forward


def _bus_indices(columns: MessageBatch, channel_map: ChannelMap) -> NDArray[np.uint8]:
    index_by_channel = channel_map.bus_indices(set(columns.channels))
    seen_channels = set(columns.channels)
    if len(seen_channels) == 1:
        return np.full(len(columns), index_by_channel[seen_channels.pop()], np.uint8)
    return np.fromiter(map(index_by_channel.__getitem__, columns.channels), np.uint8, len(columns))
