r"""The journal: a run of Arrow record batches, each framed so that a torn page never reads.

    file    = "dutytrace journal 1\n", 16 random bytes (the salt), number of the file (u64)
    record  = length of the payload (u32), number of the record (u64), kind (u16), stream (u16),
              number of its first row (u64), checksum (u32), payload
    payload = kind 0: an Arrow schema with the stream's name in its metadata; kind 1: a record batch

The checksum (CRC-32) begins with the file's salt and number and covers the record's head, so
neither a zeroed page, nor a page left over from an earlier file, nor a moved record passes. What is
read is always a prefix of what was written.
"""

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

__all__ = ["JournalReader", "JournalWriter", "Row", "journal_files"]

MAGIC: Final = b"dutytrace journal 1\n"
_FILE: Final = struct.Struct("<16sQ")
_HEAD: Final = struct.Struct("<IQHHQ")
_SUM: Final = struct.Struct("<I")
_BEGIN: Final = len(MAGIC) + _FILE.size
_SCHEMA, _BATCH = 0, 1
_LONGEST: Final = 1 << 28
"""Bytes of a payload beyond which a length is taken for damage; the writer stays far below."""
_SPLIT: Final = _LONGEST // 8
_NAME: Final = b"stream"


@dataclass(frozen=True, slots=True)
class Row:
    """A run of rows of one stream as the journal holds them."""

    stream: str
    first_row: int
    batch: pa.RecordBatch


def journal_files(folder: Path) -> list[tuple[int, Path]]:
    """Return the journal files of a folder with their numbers, oldest first.

    Raises
    ------
    OutsideFault
        The folder cannot be listed: what it holds is not known, which is not to hold nothing.
    """
    try:
        found = [
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
    return sorted(found)


class JournalWriter:
    """Writes one journal file. Not for two threads at once."""

    def __init__(self, folder: Path, *, number: int) -> None:
        self.number = number
        self.path = folder / f"{number:08d}.journal"
        self._file: IO[bytes] = self.path.open("xb", buffering=0)
        salt = secrets.token_bytes(16)
        self._seed = zlib.crc32(_FILE.pack(salt, number))
        self._pending = bytearray(MAGIC + _FILE.pack(salt, number))
        self._records = 0
        self._streams: dict[str, int] = {}
        self.bytes_written = 0

    def append(self, stream: str, first_row: int, batch: pa.RecordBatch) -> None:
        """Add rows; they are on their way to the kernel with the next `flush`."""
        if batch.nbytes > _SPLIT and batch.num_rows > 1:
            half = batch.num_rows // 2
            self.append(stream, first_row, batch.slice(0, half))
            self.append(stream, first_row + half, batch.slice(half))
            return
        place = self._streams.get(stream)
        if place is None:
            place = self._streams[stream] = len(self._streams)
            schema = batch.schema.with_metadata({_NAME: stream.encode()})
            self._record(_SCHEMA, place, 0, schema.serialize().to_pybytes())
        self._record(_BATCH, place, first_row, batch.serialize())

    def _record(self, kind: int, place: int, first_row: int, payload: bytes | pa.Buffer) -> None:
        head = _HEAD.pack(len(payload), self._records, kind, place, first_row)
        checksum = zlib.crc32(payload, zlib.crc32(head, self._seed))
        self._pending += head
        self._pending += _SUM.pack(checksum)
        self._pending += memoryview(payload)
        self._records += 1

    def flush(self) -> None:
        """Hand what is pending to the kernel: a killed process loses nothing of it.

        Raises
        ------
        OSError
            The disk took no more; what it took is a whole prefix and the rest stays pending.
        """
        while self._pending:
            written = self._file.write(self._pending)
            self.bytes_written += written
            del self._pending[:written]

    def sync(self) -> None:
        """Make what was flushed last through a power cut."""
        self.flush()
        self.sync_flushed()

    def sync_flushed(self) -> None:
        """Sync what the kernel has; the one thing here that another thread may do meanwhile."""
        os.fdatasync(self._file.fileno())

    def close(self) -> None:
        """Flush, sync and close."""
        if not self._file.closed:
            try:
                self.sync()
            finally:
                self._file.close()


@dataclass(slots=True)
class JournalReader:
    """Reads one journal file from where it left off; for a file that may still grow."""

    path: Path
    _offset: int = 0
    _seed: int = 0
    _records: int = 0
    _schemas: dict[int, tuple[str, pa.Schema]] = field(default_factory=dict)

    def rows(self) -> Iterator[Row]:
        """Yield the runs of rows that have come since the last call, up to the last whole one.

        Raises
        ------
        FileNotFoundError
            The file was sealed into parts and removed.
        """
        with self.path.open("rb") as file:
            if not self._begun(file.read(_BEGIN)):
                return
            file.seek(self._offset)
            content = file.read()
        view = memoryview(content)
        at = 0
        while len(view) - at >= _HEAD.size + _SUM.size:
            length, record, kind, place, first_row = _HEAD.unpack_from(view, at)
            begin = at + _HEAD.size + _SUM.size
            if record != self._records or length > _LONGEST or begin + length > len(view):
                return
            (checksum,) = _SUM.unpack_from(view, at + _HEAD.size)
            payload = view[begin : begin + length]
            head_sum = zlib.crc32(view[at : at + _HEAD.size], self._seed)
            if checksum != zlib.crc32(payload, head_sum):
                return
            # Taken in before it is handed out: a caller that stops half-way loses no place.
            self._offset += begin + length - at
            self._records += 1
            at = begin + length
            buffer = pa.py_buffer(payload)
            if kind == _SCHEMA:
                schema = pa.ipc.read_schema(buffer)
                self._schemas[place] = (schema.metadata[_NAME].decode(), schema.remove_metadata())
            else:
                stream, schema = self._schemas[place]
                yield Row(stream, first_row, pa.ipc.read_record_batch(buffer, schema))

    def _begun(self, head: bytes) -> bool:
        """Take in the file's head; one that was put in another's place is read from its start."""
        if len(head) < _BEGIN or not head.startswith(MAGIC):
            return False
        _, number = _FILE.unpack_from(head, len(MAGIC))
        if f"{number:08d}" != self.path.stem:
            return False
        seed = zlib.crc32(head[len(MAGIC) :])
        if self._offset == 0 or seed != self._seed:
            self._offset, self._seed, self._records = _BEGIN, seed, 0
            self._schemas.clear()
        return True

    def unread_bytes(self) -> int:
        """Return how many bytes lie behind the last whole record."""
        try:
            return max(0, self.path.stat().st_size - self._offset)
        except FileNotFoundError:
            return 0

    def remainder(self) -> str:
        """Return what is told of bytes behind the last whole record, empty when there are none."""
        left = self.unread_bytes()
        if left == 0:
            return ""
        return f"journal {self.path.stem} ends in {left} bytes that hold no whole record."
