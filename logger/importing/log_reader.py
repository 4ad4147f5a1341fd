"""Reads a log file of any format as columns: by python-can's readers, and some faster ones.

Text logs of SocketCAN (`text_log`), CSV logs (`csv_log`), `.asc` logs (`asc_log`) and `.blf` logs
(`blf_log`) are read in blocks, every other format message by message, by python-can. A log
compressed with gzip is read like the log itself. For one thread.
"""

import gzip
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack
from itertools import chain
from pathlib import Path
from typing import IO, Any, Final

import can
from can.io import MESSAGE_READERS
from can.io.generic import BinaryIOMessageReader, MessageReader, TextIOMessageReader

from logger.errors import InputError
from logger.importing.asc_log import read_asc_log
from logger.importing.blf_log import read_blf_log
from logger.importing.csv_log import read_csv_log
from logger.importing.log_stamps import (
    LogLines,
    StampReader,
    stamp_reader,
)
from logger.importing.message_batch import BATCH_MESSAGES, MessageBatch, read_message_batch
from logger.importing.text_log import read_text_log
from logger.settings_file import did_you_mean

__all__ = ["LogReader", "describe_error"]

BatchesWithFault = Iterator[tuple[MessageBatch, Exception | None]]

_FAST_READERS: Final[dict[type[MessageReader], Callable[..., BatchesWithFault]]] = {
    can.CanutilsLogReader: read_text_log,
    can.CSVReader: read_csv_log,
    can.ASCReader: read_asc_log,
    can.BLFReader: read_blf_log,
}
"""Each takes the file; that of the format whose head may hold a date, also whether to read it."""


class LogReader:
    """A log that is being read."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._raw: IO[bytes] | None = None

    @property
    def read_bytes(self) -> int:
        """Bytes of the file that were read; 0 where that is not known."""
        return 0 if self._raw is None or self._raw.closed else self._raw.tell()

    def read_batches(self, opened: ExitStack) -> BatchesWithFault:
        """Return (batch, fault) in order; a fault that ended the reading early is in the last.

        Raises
        ------
        InputError
            There is no such file, python-can reads none of that kind, or it is no such log.
        """
        if not self._path.is_file():
            raise InputError(f"{self._path}: there is no such log file.")
        kind, is_packed = self._reader_type()
        try:
            return self._check_beginning(self._read_kind(opened, kind, packed=is_packed))
        except InputError:
            if kind is not can.ASCReader:
                raise
            # The date in the head of the log may be in another language: it is read without.
            return self._check_beginning(
                self._read_kind(opened, kind, packed=is_packed, dated=False)
            )

    def _read_kind(
        self, opened: ExitStack, kind: type[MessageReader], *, packed: bool, dated: bool = True
    ) -> BatchesWithFault:
        fast_reader = _FAST_READERS.get(kind)
        if fast_reader is None:
            return self._message_reader(opened, kind, packed=packed)
        file = self._decompressed(opened, packed=packed)
        options = {} if dated else {"dated": False}
        return _merge_small_batches(fast_reader(file, **options))

    def _check_beginning(self, batches: BatchesWithFault) -> BatchesWithFault:
        """Read the first batch; raises InputError for a file that is no log of its kind at all."""
        first = next(batches, None)
        if first is None:
            return iter(())
        columns, fault = first
        if len(columns) == 0 and fault is not None:
            raise InputError(
                f"{self._path}: this cannot be read as a log of its kind ({describe_error(fault)})."
            )
        return chain([first], batches)

    def _reader_type(self) -> tuple[type[MessageReader], bool]:
        """Return python-can's reader class of the format, and whether the file is gzipped."""
        suffixes = [suffix.lower() for suffix in self._path.suffixes]
        packed = suffixes[-1:] == [".gz"]
        suffix = "".join(suffixes[-2:-1] if packed else suffixes[-1:])
        kind = MESSAGE_READERS.get(suffix)
        if kind is None or (packed and not _reads_by_file(kind)):
            raise InputError(
                f"{self._path}: found a file that ends in {''.join(suffixes[-2:])!r}, expected a "
                f"log that python-can reads.{did_you_mean(suffix, sorted(MESSAGE_READERS))}"
            )
        return kind, packed

    def _decompressed(self, opened: ExitStack, *, packed: bool) -> Any:  # noqa: ANN401 - either kind of file
        # Opened here, so that it is always closed, and the bytes that were read are known.
        self._raw = opened.enter_context(self._path.open("rb"))
        if packed:
            return opened.enter_context(gzip.GzipFile(fileobj=self._raw))
        return self._raw

    def _message_reader(
        self, opened: ExitStack, kind: type[MessageReader], *, packed: bool
    ) -> BatchesWithFault:
        reader, stamp_of = self._library_reader(opened, kind, packed=packed)
        messages = iter(reader)
        while True:
            columns, fault = read_message_batch(messages, stamp_of)
            if len(columns) or fault is not None:
                yield columns, fault
            # A reader that raised is not called again: it would report the end of the log.
            if len(columns) == 0 or fault is not None:
                return

    def _library_reader(
        self, opened: ExitStack, kind: type[MessageReader], *, packed: bool
    ) -> tuple[Iterable[can.Message], StampReader | None]:
        try:
            if not _reads_by_file(kind):
                return opened.enter_context(can.LogReader(self._path)), None
            file = self._decompressed(opened, packed=packed)
            lines: LogLines | None = None
            if issubclass(kind, TextIOMessageReader):
                file = lines = opened.enter_context(LogLines(file, "utf-8", errors="replace"))
            reader = kind(file)
            return reader, stamp_reader(reader, lines)
        except Exception as fault:  # noqa: BLE001 - a reader raises whatever its parsing meets
            raise InputError(
                f"{self._path}: this cannot be read as a log of its kind ({describe_error(fault)})."
            ) from None


def _reads_by_file(kind: type[MessageReader]) -> bool:
    return issubclass(kind, TextIOMessageReader | BinaryIOMessageReader)


def _merge_small_batches(batches: BatchesWithFault) -> BatchesWithFault:
    """Join small batches: a batch costs the same for few frames as for many."""
    columns = MessageBatch()
    for more_batch, fault in batches:
        columns.frames += more_batch.frames
        columns.channels += more_batch.channels
        if len(columns) >= BATCH_MESSAGES or fault is not None:
            yield columns, fault
            columns = MessageBatch()
    if len(columns):
        yield columns, None


def describe_error(fault: Exception) -> str:
    """Return an exception of a reader as text: its type, and its message if it has one."""
    return f"{type(fault).__name__}: {fault}" if str(fault) else type(fault).__name__
