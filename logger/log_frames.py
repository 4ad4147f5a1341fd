"""The frames of a log that python-can reads, in batches, on the recording's axis of time.

Times never run backwards: a frame stamped a little before the one before it counts as of that
instant, a step back of a second or more shifts all that follow, and both are said. A log that names
no date is placed at the file's own, or where it is told. The thread that asks for the first batch
asks for all: it opens the file.
"""

import gzip
import io
from collections import deque
from collections.abc import Iterator, Mapping
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from itertools import chain, islice
from pathlib import Path
from typing import IO, Any, Final

import can
import numpy as np
from can.io import MESSAGE_READERS
from can.io.generic import BinaryIOMessageReader, MessageReader, TextIOMessageReader
from numpy.typing import NDArray

from logger.bring_in import Said
from logger.errors import InputError
from logger.joint.batch import FrameBatch
from logger.joint.bench import Bench
from logger.log_channels import ChannelPlaces
from logger.log_columns import BATCH, Columns, gather
from logger.settings_file import nearest
from logger.store.manifest import time_text

__all__ = ["LogFrames"]

DATED_NS: Final = 1_000_000_000 * 10**9
"""Stamps before September 2001 count from the log's beginning and name no date."""
STEP_NS: Final = 1_000_000_000
"""A stamp that goes back by so much is a clock that was set, not a frame that came late."""


@dataclass(slots=True, kw_only=True)
class LogFrames:
    """A log file; going through it gives its frames, once."""

    path: Path
    bench: Bench
    start_ns: int | None = None
    """When its first frame was; None: what the log says, else the file's own time."""
    channels: Mapping[str, str] = field(default_factory=dict)
    """Bus of the bench -> channel of the log, where neither name nor order tells."""
    tolerant: bool = False
    """End where the log is damaged, and say so, instead of refusing it."""
    said: deque[Said] = field(default_factory=deque)
    """What is worth an event and was not fetched yet."""
    _raw: IO[bytes] | None = None
    _reader: MessageReader | None = None
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
        """How far it has been read; 0 where that is not known."""
        return 0 if self._raw is None or self._raw.closed else self._raw.tell()

    def first_ns(self) -> int:
        """Return when the first frame was.

        Raises
        ------
        InputError
            It is no log that can be read, or holds no frame.
        """
        first = Columns()
        with ExitStack() as opened:
            first.take(list(islice(self._messages(opened), 1)))
        if len(first) == 0:
            raise self._holds_nothing()
        return self._placed(int(first.batch().time_ns[0]))

    def __iter__(self) -> Iterator[FrameBatch]:
        """Yield the frames in batches of about 16,000.

        Raises
        ------
        InputError
            There is no such log, python-can reads none of that kind, it holds no frame, or it is
            damaged.
        """
        places = ChannelPlaces(self.bench, self.channels)
        count = 0
        with ExitStack() as opened:
            messages = self._messages(opened)
            while True:
                columns, fault = gather(messages)
                if len(columns):
                    frames = columns.batch()
                    frames = replace(
                        frames,
                        time_ns=self._times(frames.time_ns, first=count == 0),
                        bus=_buses(columns, places),
                    )
                    count += len(columns)
                    yield frames
                if fault is None and len(columns) < BATCH:
                    fault = self._cut()
                if fault is not None:
                    self._damaged(fault, count)
                # A reader that ended on a fault is not asked again: it would call that the end.
                if fault is not None or len(columns) < BATCH:
                    break
        if count == 0:
            raise self._holds_nothing()
        if self._late:
            self._say(
                "note",
                f"{self._late} frames of the log were stamped before the frame before them, by up "
                f"to {self._latest_ns * 1e-6:.3g} ms; they count as of that instant.",
            )

    def _holds_nothing(self) -> InputError:
        return InputError(f"{self.path}: this log holds no frame.")

    def _say(self, kind: str, text: str) -> None:
        self.said.append(Said(kind=kind, time_ns=self._newest_ns, text=text))

    def _messages(self, opened: ExitStack) -> Iterator[can.Message]:
        """Return the messages; what is no log at all is refused at the first."""
        if not self.path.is_file():
            raise InputError(f"{self.path}: there is no such log file.")
        fault: Exception | None = None
        # The date in a log's head may be in words that nobody knows: then it is read without.
        for dated in (True, False):
            try:
                self._reader = self._opened(opened, dated=dated)
                messages = iter(self._reader)
                first = list(islice(messages, 1))
                break
            except InputError:
                raise
            except Exception as met:  # noqa: BLE001 - a reader raises whatever its parsing meets
                fault = fault or met
        else:
            assert fault is not None, "both tries ended on one"
            raise InputError(
                f"{self.path}: this cannot be read as a log of its kind ({_words(fault)})."
            )
        return chain(first, messages)

    def _opened(self, opened: ExitStack, *, dated: bool) -> MessageReader:
        """Open the file with the reader of its kind."""
        suffixes = [suffix.lower() for suffix in self.path.suffixes]
        packed = suffixes[-1:] == [".gz"]
        suffix = "".join(suffixes[-2:-1] if packed else suffixes[-1:])
        kind = MESSAGE_READERS.get(suffix)
        by_file = kind is not None and issubclass(kind, TextIOMessageReader | BinaryIOMessageReader)
        if kind is None or (packed and not by_file):
            known = sorted(MESSAGE_READERS)
            raise InputError(
                f"{self.path}: found a file that ends in {''.join(suffixes[-2:])!r}, expected a "
                f"log that python-can reads.{nearest(suffix, known)}"
            )
        if not by_file:
            return opened.enter_context(can.LogReader(self.path))
        # Opened here, so that it is closed whatever happens, and it is known how far it was read.
        self._raw = opened.enter_context(self.path.open("rb"))
        file: Any = self._raw
        if packed:
            file = opened.enter_context(gzip.GzipFile(fileobj=self._raw))
        if issubclass(kind, TextIOMessageReader):
            file = opened.enter_context(io.TextIOWrapper(file, "utf-8", errors="replace"))
        # Only the text format with a date in its head knows this; the others pass it over.
        return kind(file, relative_timestamp=not dated)

    def _cut(self) -> Exception | None:
        """Return why the end that a reader came to is not that of the log."""
        reader = self._reader
        if isinstance(reader, can.BLFReader) and self.path.suffix.lower() != ".gz":
            lacks = int(reader.file_size) - self.size_bytes
            if lacks > 0:
                return ValueError(f"the file is {lacks} bytes shorter than its head says")
        return None

    def _damaged(self, fault: Exception, count: int) -> None:
        sentence = (
            f"the log cannot be read beyond its frame {count} (at {time_text(self._newest_ns)}): "
            f"{_words(fault)}."
        )
        if not self.tolerant or count == 0:
            raise InputError(
                f"{self.path}: {sentence} Nothing was made; --tolerant takes what stands before."
            )
        self._say("note", sentence[0].upper() + sentence[1:])

    def _times(self, stamps_ns: NDArray[np.int64], *, first: bool) -> NDArray[np.int64]:
        """Return the stamps on the recording's axis."""
        if first:
            self._begin(int(stamps_ns[0]))
        time_ns = stamps_ns + self._shift_ns
        before = np.append(np.int64(self._newest_ns), time_ns[:-1])
        back = before - time_ns
        if (back > 0).any():
            time_ns = self._forward(time_ns, back)
        self._newest_ns = int(time_ns[-1])
        return time_ns

    def _begin(self, stamp_ns: int) -> None:
        self._newest_ns = self._placed(stamp_ns)
        self._shift_ns = self._newest_ns - stamp_ns
        if self.start_ns is None and stamp_ns < DATED_NS:
            self._say(
                "note",
                "The log names no date: its first frame is placed at the file's own time, "
                f"{time_text(self._newest_ns)}.",
            )

    def _placed(self, stamp_ns: int) -> int:
        """Return when a first frame with that stamp was."""
        if self.start_ns is not None:
            return self.start_ns
        return stamp_ns if stamp_ns >= DATED_NS else self.path.stat().st_mtime_ns

    def _forward(self, time_ns: NDArray[np.int64], back: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return times that never run backwards; `back`: how far each is behind the one before."""
        for place in np.flatnonzero(back >= STEP_NS):
            step_ns = int(back[place])
            time_ns[place:] += step_ns
            self._shift_ns += step_ns
            self.said.append(
                Said(
                    kind="clock step",
                    time_ns=int(time_ns[place]),
                    text=f"The log's clock steps back by {step_ns * 1e-9:.3f} s; time goes on "
                    "without the step.",
                )
            )
        forward = np.maximum.accumulate(np.maximum(time_ns, self._newest_ns))
        late_ns = forward - time_ns
        self._late += int(np.count_nonzero(late_ns))
        self._latest_ns = max(self._latest_ns, int(late_ns.max()))
        return forward


def _buses(columns: Columns, places: ChannelPlaces) -> NDArray[np.uint8]:
    of = places.places(set(columns.channel))
    heard = set(columns.channel)
    if len(heard) == 1:
        return np.full(len(columns), of[heard.pop()], np.uint8)
    return np.fromiter(map(of.__getitem__, columns.channel), np.uint8, len(columns))


def _words(fault: Exception) -> str:
    return f"{type(fault).__name__}: {fault}" if str(fault) else type(fault).__name__
