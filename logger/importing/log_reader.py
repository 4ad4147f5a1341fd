"""A log file as columns, whatever its format: python-can's readers, and one quicker way.

Text logs of SocketCAN are read in blocks (`log_lines`); every other format message by message, by
python-can. A log packed with gzip is read as the log itself. For one thread.
"""

import gzip
import io
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack
from itertools import chain
from pathlib import Path
from typing import IO, Any, Final

import can
from can.io import MESSAGE_READERS
from can.io.generic import BinaryIOMessageReader, MessageReader, TextIOMessageReader

from logger.errors import InputError
from logger.importing.message_batch import BATCH, Columns, gather
from logger.importing.text_log import gathered_lines
from logger.settings_file import nearest

__all__ = ["LogReading", "words_of_fault"]

Gathered = Iterator[tuple[Columns, Exception | None]]

_QUICK: Final[dict[type[MessageReader], Callable[[IO[bytes]], Gathered]]] = {
    can.CanutilsLogReader: gathered_lines
}


class LogReading:
    """A log that is being read."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._raw: IO[bytes] | None = None

    @property
    def read_bytes(self) -> int:
        """How far it has been read; 0 where that is not known."""
        return 0 if self._raw is None or self._raw.closed else self._raw.tell()

    def gathered(self, opened: ExitStack) -> Gathered:
        """Return what stands in it, batch by batch; with the last what ended the reading early.

        Raises
        ------
        InputError
            There is no such file, python-can reads none of that kind, or it is no such log.
        """
        if not self._path.is_file():
            raise InputError(f"{self._path}: there is no such log file.")
        kind, packed = self._kind()
        quick = _QUICK.get(kind)
        if quick is not None:
            return self._begun(_in_batches(quick(self._opened(opened, packed=packed))))
        try:
            return self._begun(self._one_by_one(opened, kind, packed=packed, dated=True))
        except InputError:
            # The date in a log's head may be in words that nobody knows: it is read without.
            return self._begun(self._one_by_one(opened, kind, packed=packed, dated=False))

    def _begun(self, gathered: Gathered) -> Gathered:
        """Refuse what is no log at all, at its beginning."""
        first = next(gathered, None)
        if first is None:
            return iter(())
        columns, fault = first
        if len(columns) == 0 and fault is not None:
            raise InputError(
                f"{self._path}: this cannot be read as a log of its kind ({words_of_fault(fault)})."
            )
        return chain([first], gathered)

    def _kind(self) -> tuple[type[MessageReader], bool]:
        """Return python-can's reader of that format, and whether the file is packed."""
        suffixes = [suffix.lower() for suffix in self._path.suffixes]
        packed = suffixes[-1:] == [".gz"]
        suffix = "".join(suffixes[-2:-1] if packed else suffixes[-1:])
        kind = MESSAGE_READERS.get(suffix)
        if kind is None or (packed and not _by_file(kind)):
            raise InputError(
                f"{self._path}: found a file that ends in {''.join(suffixes[-2:])!r}, expected a "
                f"log that python-can reads.{nearest(suffix, sorted(MESSAGE_READERS))}"
            )
        return kind, packed

    def _opened(self, opened: ExitStack, *, packed: bool) -> Any:  # noqa: ANN401 - either kind of file
        # Opened here, so that it is closed whatever happens, and it is known how far it was read.
        self._raw = opened.enter_context(self._path.open("rb"))
        if packed:
            return opened.enter_context(gzip.GzipFile(fileobj=self._raw))
        return self._raw

    def _one_by_one(
        self, opened: ExitStack, kind: type[MessageReader], *, packed: bool, dated: bool
    ) -> Gathered:
        reader = self._reader(opened, kind, packed=packed, dated=dated)
        return self._gathered(reader, packed=packed)

    def _gathered(self, reader: Iterable[can.Message], *, packed: bool) -> Gathered:
        messages = iter(reader)
        while True:
            columns, fault = gather(messages)
            if fault is None and len(columns) < BATCH and not packed:
                fault = _cut(reader, self._path.stat().st_size)
            if len(columns) or fault is not None:
                yield columns, fault
            # A reader that ended on a fault is not asked again: it would call that the end.
            if len(columns) == 0 or fault is not None:
                return

    def _reader(
        self, opened: ExitStack, kind: type[MessageReader], *, packed: bool, dated: bool
    ) -> Iterable[can.Message]:
        try:
            if not _by_file(kind):
                return opened.enter_context(can.LogReader(self._path))
            file = self._opened(opened, packed=packed)
            if issubclass(kind, TextIOMessageReader):
                file = opened.enter_context(io.TextIOWrapper(file, "utf-8", errors="replace"))
            # Only the text format with a date in its head knows this; the others pass it over.
            return kind(file, relative_timestamp=not dated)
        except Exception as fault:  # noqa: BLE001 - a reader raises whatever its parsing meets
            raise InputError(
                f"{self._path}: this cannot be read as a log of its kind ({words_of_fault(fault)})."
            ) from None


def _cut(reader: object, size_bytes: int) -> Exception | None:
    """Return why the end that a reader came to is not that of the log."""
    told = getattr(reader, "file_size", None) if isinstance(reader, can.BLFReader) else None
    if told is None or int(told) <= size_bytes:
        return None
    lacks = int(told) - size_bytes
    return ValueError(f"the file is {lacks} bytes shorter than its head says")


def _by_file(kind: type[MessageReader]) -> bool:
    return issubclass(kind, TextIOMessageReader | BinaryIOMessageReader)


def _in_batches(gathered: Gathered) -> Gathered:
    """Join what comes in smaller pieces: a batch costs the same for few frames as for many."""
    columns = Columns()
    for more, fault in gathered:
        columns.frames += more.frames
        columns.channel += more.channel
        if len(columns) >= BATCH or fault is not None:
            yield columns, fault
            columns = Columns()
    if len(columns):
        yield columns, None


def words_of_fault(fault: Exception) -> str:
    """Return a fault of a reader in words."""
    return f"{type(fault).__name__}: {fault}" if str(fault) else type(fault).__name__
