r"""The journal: a run of Arrow record batches, each framed so that a torn page never reads.

    file    = "dutytrace journal 1\n", 16 random bytes (the salt), number of the file (u64)
    record  = length of the payload (u32), number of the record (u64), kind (u16), stream (u16),
              number of its first row (u64), checksum (u32), payload
    payload = kind 0: an Arrow schema with the stream's name in its metadata; kind 1: a record batch

The checksum (CRC-32) is seeded with the file's salt and number and covers the record's head, so a
zeroed page, a page left over from an earlier file and a moved record all fail it. What is read is
always a prefix of what was written.
"""

import contextlib
import errno
import os
import secrets
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Final

import pyarrow as pa

from logger.errors import OutsideFault
from logger.outside_text import open_regular

__all__ = ["JournalReader", "JournalWriter", "RowRun", "journal_files"]

JOURNAL_MAGIC: Final = b"dutytrace journal 1\n"
_FILE_HEADER: Final = struct.Struct("<16sQ")
_RECORD_HEADER: Final = struct.Struct("<IQHHQ")
_CHECKSUM: Final = struct.Struct("<I")
_FIRST_RECORD: Final = len(JOURNAL_MAGIC) + _FILE_HEADER.size
_SCHEMA, _BATCH = 0, 1
_MAX_RECORD_BYTES: Final = 1 << 28
"""Bytes of a payload beyond which a length is taken for damage; the writer stays far below."""
_SPLIT_BYTES: Final = _MAX_RECORD_BYTES // 8
"""Batches larger than this are split by the writer."""
_STREAM_NAME_KEY: Final = b"stream"
_PARSE_ERRORS: Final = (
    pa.ArrowException,
    OSError,
    ValueError,
    KeyError,
    MemoryError,
    OverflowError,
)
"""What Arrow raises for bytes that are no schema or no rows of it."""


@dataclass(frozen=True, slots=True)
class RowRun:
    """Consecutive rows of one stream, as one record of the journal holds them."""

    stream: str
    first_row: int
    batch: pa.RecordBatch


def journal_files(folder: Path) -> list[tuple[int, Path]]:
    """Return the journal files of a folder with their numbers, oldest first.

    Raises
    ------
    OutsideFault
        The folder cannot be listed: its content is unknown, which is not to be empty.
    """
    try:
        numbered = [
            (int(path.stem), path)
            for path in folder.iterdir()
            if path.suffix == ".journal" and path.stem.isascii() and path.stem.isdigit()
        ]
    except FileNotFoundError:
        return []
    except OSError as fault:
        raise OutsideFault(
            f"{folder}: the journals cannot be listed ({fault.strerror or fault}), expected a "
            "folder that can be read. Put it back as it was; nothing was changed."
        ) from fault
    return sorted(numbered)


class JournalWriter:
    """Writes one journal file. Not for two threads at once."""

    def __init__(self, folder: Path, *, number: int, folder_descriptor: int | None = None) -> None:
        """Make the file, which appears with its header, synced: none is ever empty.

        Parameters
        ----------
        folder_descriptor
            Of the folder, where it is open already: the file is made in it, whatever has its name
            by now.

        Raises
        ------
        FileExistsError
            There is a journal of that number already.
        OSError
            The disk took no more.
        """
        self.number = number
        self.path = folder / f"{number:08d}.journal"
        self._folder = (
            os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
            if folder_descriptor is None
            else os.dup(folder_descriptor)
        )
        try:
            head = _FILE_HEADER.pack(secrets.token_bytes(16), number)
            self._seed = zlib.crc32(head)
            self._pending = bytearray(JOURNAL_MAGIC + head)
            self._make_file()
        except BaseException:
            os.close(self._folder)
            raise
        self._records = 0
        self._streams: dict[str, int] = {}

    def _make_file(self) -> None:
        name, temporary = self.path.name, f".{self.path.name}.aside"
        if os.access(name, os.F_OK, dir_fd=self._folder):
            raise FileExistsError(errno.EEXIST, "this journal exists already", str(self.path))
        flags = os.O_WRONLY | os.O_CREAT | os.O_TRUNC
        descriptor = os.open(temporary, flags, 0o666, dir_fd=self._folder)
        self._file: IO[bytes] = os.fdopen(descriptor, "wb", buffering=0)
        try:
            self.sync()
            os.rename(temporary, name, src_dir_fd=self._folder, dst_dir_fd=self._folder)
            os.fsync(self._folder)
        except BaseException:
            self._file.close()
            with contextlib.suppress(OSError):
                os.unlink(temporary, dir_fd=self._folder)
            raise

    def make_next(self) -> "JournalWriter":
        """Make the journal that follows, in the same folder even if that was moved meanwhile."""
        return JournalWriter(
            self.path.parent, number=self.number + 1, folder_descriptor=self._folder
        )

    def append_rows(self, stream: str, first_row: int, batch: pa.RecordBatch) -> None:
        """Add rows to those that the next `flush` writes."""
        # The bytes of a record are known from the record: to ask the batch for those of all its
        # columns takes five times as long as to make one.
        payload = batch.serialize()
        if payload.size > _SPLIT_BYTES and batch.num_rows > 1:
            half = batch.num_rows // 2
            self.append_rows(stream, first_row, batch.slice(0, half))
            self.append_rows(stream, first_row + half, batch.slice(half))
            return
        stream_number = self._streams.get(stream)
        if stream_number is None:
            stream_number = self._streams[stream] = len(self._streams)
            schema = batch.schema.with_metadata({_STREAM_NAME_KEY: stream.encode()})
            self._add_record(_SCHEMA, stream_number, 0, schema.serialize().to_pybytes())
        self._add_record(_BATCH, stream_number, first_row, payload)

    def _add_record(
        self, kind: int, stream_number: int, first_row: int, payload: bytes | pa.Buffer
    ) -> None:
        head = _RECORD_HEADER.pack(len(payload), self._records, kind, stream_number, first_row)
        checksum = zlib.crc32(payload, zlib.crc32(head, self._seed))
        self._pending += head
        self._pending += _CHECKSUM.pack(checksum)
        self._pending += memoryview(payload)
        self._records += 1

    def flush(self) -> None:
        """Write pending records to the kernel: after that a killed process loses none of them.

        Raises
        ------
        OSError
            The disk took no more; what it took is a prefix, and the rest stays pending.
        """
        while self._pending:
            written = self._file.write(self._pending)
            del self._pending[:written]

    def sync(self) -> None:
        """Flush and sync, so that all records survive a power cut."""
        self.flush()
        self.sync_flushed()

    def sync_flushed(self) -> None:
        """Sync what was flushed; the only method that another thread may call meanwhile."""
        os.fdatasync(self._file.fileno())

    def is_in_place(self) -> bool:
        """Return whether the file is still where it was made; else nobody will find its rows."""
        try:
            stat_there = self.path.stat()
        except OSError:
            return False
        return os.path.samestat(stat_there, os.fstat(self._file.fileno()))

    def close(self) -> None:
        """Flush, sync and close."""
        if not self._file.closed:
            try:
                self.sync()
            finally:
                self._file.close()
                os.close(self._folder)


@dataclass(slots=True)
class JournalReader:
    """Reads one journal file, which may still grow, each time from where it stopped."""

    path: Path
    _offset: int = 0
    _seed: int = 0
    _records: int = 0
    first_ns: int | None = None
    """Time of the first row that was read."""
    _schemas: dict[int, tuple[str, pa.Schema]] = field(default_factory=dict)

    def read_new_rows(self) -> Iterator[RowRun]:
        """Yield the runs of rows that were written since the last call, up to the last whole one.

        Raises
        ------
        FileNotFoundError
            The file was sealed into parts and removed.
        """
        with open_regular(self.path) as file:
            if not self._read_header(file.read(_FIRST_RECORD)):
                return
            file.seek(self._offset)
            content = file.read()
        view = memoryview(content)
        offset = 0
        while len(view) - offset >= _RECORD_HEADER.size + _CHECKSUM.size:
            length, record, kind, stream_number, first_row = _RECORD_HEADER.unpack_from(
                view, offset
            )
            begin = offset + _RECORD_HEADER.size + _CHECKSUM.size
            if record != self._records or length > _MAX_RECORD_BYTES or begin + length > len(view):
                return
            (checksum,) = _CHECKSUM.unpack_from(view, offset + _RECORD_HEADER.size)
            payload = view[begin : begin + length]
            head_sum = zlib.crc32(view[offset : offset + _RECORD_HEADER.size], self._seed)
            if checksum != zlib.crc32(payload, head_sum):
                return
            try:
                run = self._parse_payload(kind, stream_number, first_row, pa.py_buffer(payload))
            except _PARSE_ERRORS:
                # Its checksum fits, and yet no journal writer wrote it: as with damage, what is
                # read ends here, and the rest counts as bytes that hold no whole record.
                return
            # Advanced before the yield: a caller that stops half-way can go on with a new call.
            self._offset += begin + length - offset
            self._records += 1
            offset = begin + length
            if run is not None:
                yield run

    def _parse_payload(
        self, kind: int, stream_number: int, first_row: int, payload: pa.Buffer
    ) -> RowRun | None:
        """Return the rows of a record, None for a schema; raises one of `_PARSE_ERRORS`."""
        if kind == _SCHEMA:
            schema = pa.ipc.read_schema(payload)
            name = (schema.metadata or {})[_STREAM_NAME_KEY].decode()
            self._schemas[stream_number] = name, schema.remove_metadata()
            return None
        stream, schema = self._schemas[stream_number]
        batch = pa.ipc.read_record_batch(payload, schema)
        # Offsets and lengths within the buffers are trusted by all that computes with them.
        batch.validate(full=True)
        if self.first_ns is None and batch.num_rows:
            self.first_ns = batch.column(0).cast(pa.int64())[0].as_py()
        return RowRun(stream, first_row, batch)

    def _read_header(self, head: bytes) -> bool:
        """Read the file's header; a file that has replaced another is read from its start.

        Returns False for a file without a whole, matching header.
        """
        if len(head) < _FIRST_RECORD or not head.startswith(JOURNAL_MAGIC):
            return False
        _, number = _FILE_HEADER.unpack_from(head, len(JOURNAL_MAGIC))
        if f"{number:08d}" != self.path.stem:
            return False
        seed = zlib.crc32(head[len(JOURNAL_MAGIC) :])
        if self._offset == 0 or seed != self._seed:
            self._offset, self._seed, self._records = _FIRST_RECORD, seed, 0
            self._schemas.clear()
        return True

    @property
    def read_bytes(self) -> int:
        """How many bytes were read so far."""
        return self._offset

    def is_empty(self) -> bool:
        """Return whether not one record of it can be read, though it was more than begun."""
        return self._records == 0 and (self._offset == 0 or self.unread_bytes() > 0)

    def unread_bytes(self) -> int:
        """Return how many bytes there are after the last whole record."""
        try:
            return max(0, self.path.stat().st_size - self._offset)
        except FileNotFoundError:
            return 0

    def unread_text(self) -> str:
        """Return a sentence about bytes after the last whole record, "" when there are none."""
        unread = self.unread_bytes()
        if unread == 0:
            return ""
        return f"journal {self.path.stem} ends in {unread} bytes that hold no whole record."
