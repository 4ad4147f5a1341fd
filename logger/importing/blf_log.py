"""Reads `.blf` logs, runs of plain frames as columns.

python-can's reader opens the file, takes its containers apart and reads whatever is rare in it. Of
what is common, objects of one size that hold a classical frame, one after the other, a table of
numbers is made at once, in place of a message for each. Both give the same, which a test holds.
"""

import gzip
import io
import math
import os
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, BinaryIO, Final, cast

import can
import numpy as np
from can.io import blf
from numpy.typing import NDArray

from logger.arrays import Ints, stamps_to_ns
from logger.importing.log_stamps import MAX_STAMP_NS, is_written_by_python_can, stamp_reader
from logger.importing.message_batch import BATCH_MESSAGES, MESSAGES_AT_ONCE, MessageBatch
from logger.joint.batch import CLASSIC_BYTES, EXTENDED, REMOTE, SENT, FrameBatch

__all__ = ["read_blf_log"]

_SIGNATURE: Final = b"LOBJ"
_PADDING: Final = 8
"""Within so many bytes the next object begins."""
_HEAD_BYTES: Final = blf.OBJ_HEADER_BASE_STRUCT.size + blf.OBJ_HEADER_V1_STRUCT.size
_LEAST_BYTES: Final = _HEAD_BYTES + blf.CAN_MSG_STRUCT.size
_SHORT_RUN: Final = 16
"""So few are read as quickly one by one."""
_OBJECTS_AT_ONCE: Final = 64
"""Objects that are left to python-can where runs are short."""
_FIELDS: Final = (
    ("signature", "S4", 0),
    ("head_bytes", "<u2", 4),
    ("head_version", "<u2", 6),
    ("bytes", "<u4", 8),
    ("type", "<u4", 12),
    ("time_unit", "<u4", 16),
    ("time", "<u8", 24),
    ("channel", "<u2", 32),
    ("flags", "u1", 34),
    ("length", "u1", 35),
    ("identifier", "<u4", 36),
    ("data", "8u1", 40),
)
"""Name, type and place of what is read of an object that holds a classical frame."""


@dataclass(frozen=True, slots=True)
class _Run:
    """Objects of plain frames, as they are in the file."""

    objects: NDArray[np.void]
    """Shape (n,): an array of `_FIELDS`."""


def read_blf_log(
    file: io.BufferedReader | gzip.GzipFile,
) -> Iterator[tuple[MessageBatch, Exception | None]]:
    """Yield (batch, fault) in order; a fault that ended the reading early is in the last.

    `file`: opened for reading bytes, at its start.
    """
    columns = MessageBatch()
    messages: list[can.Message] = []
    stamps_ns: list[int] = []
    fault: Exception | None = None
    try:
        size_bytes = os.fstat(file.fileno()).st_size
        has_float_stamps = is_written_by_python_can(file.peek(16))
        reader = _RunReader(cast("BinaryIO", file))
        start_s = reader.start_timestamp
        stamp_of = stamp_reader(reader, None, has_float_stamps=has_float_stamps)
        assert stamp_of is not None, "it reads those of a `.blf`"
        for one in cast("Iterator[can.Message | _Run]", iter(reader)):
            if isinstance(one, _Run):
                columns.append_messages(messages, stamps_ns)
                messages, stamps_ns = [], []
                times = _run_stamps(one.objects, start_s, has_float_stamps=has_float_stamps)
                columns.frames.append(_run_frames(one.objects, times))
                columns.channels += (one.objects["channel"].astype(np.int64) - 1).tolist()
            else:
                messages.append(one)
                stamps_ns.append(stamp_of(one))
                if len(messages) == MESSAGES_AT_ONCE:
                    columns.append_messages(messages, stamps_ns)
                    messages, stamps_ns = [], []
            if len(columns) >= BATCH_MESSAGES:
                yield columns, None
                columns = MessageBatch()
        # The size of what is packed is that of the packed.
        if not isinstance(file, gzip.GzipFile) and reader.file_size > size_bytes:
            missing_bytes = reader.file_size - size_bytes
            fault = ValueError(f"the file is {missing_bytes} bytes shorter than its head says")
    except Exception as raised:  # noqa: BLE001 - a reader raises whatever its parsing meets
        fault = raised
    try:
        columns.append_messages(messages, stamps_ns)
    except (ValueError, OverflowError) as odd:
        fault = ValueError(f"one of the next {len(messages)} messages is no CAN frame, {odd}")
    if len(columns) or fault is not None:
        yield columns, fault


class _RunReader(can.BLFReader):
    """python-can's reader, which also gives runs of plain frames as they are."""

    def _parse_data(self, data: bytes) -> Iterator[Any]:
        """Yield runs and messages; what is left at the end is that of the next container."""
        begin = 0
        while True:
            run, end = _run_at(data, begin)
            if run is not None:
                yield run
            else:
                end = _objects_end(data, begin)
                if end == begin:
                    # The rest of an object, or what is none: python-can knows.
                    yield from self._parse_from(data, begin)
                    return
                yield from self._parse_from(data[:end], begin)
            begin = self._pos = end

    def _parse_from(self, data: bytes, begin: int) -> Iterator[can.Message]:
        try:
            yield from super()._parse_data(data[begin:])
        finally:
            self._pos += begin


def _run_at(data: bytes, begin: int) -> tuple[_Run | None, int]:
    """Return the objects of plain frames that begin at a place, and where they end."""
    if data[begin : begin + 4] != _SIGNATURE or len(data) - begin < _LEAST_BYTES:
        return None, begin
    size = int.from_bytes(data[begin + 8 : begin + 12], "little")
    count = (len(data) - begin) // size if size >= _LEAST_BYTES and size % 4 == 0 else 0
    if count < _SHORT_RUN:
        return None, begin
    names, kinds, places = zip(*_FIELDS, strict=True)
    form = np.dtype({"names": names, "formats": kinds, "offsets": places, "itemsize": size})
    objects = np.frombuffer(data, form, count, begin)
    is_plain = (
        (objects["signature"] == _SIGNATURE)
        & (objects["head_bytes"] == _HEAD_BYTES)
        & (objects["head_version"] == 1)
        & (objects["bytes"] == size)
        & ((objects["type"] == blf.CAN_MESSAGE) | (objects["type"] == blf.CAN_MESSAGE2))
    )
    length = count if is_plain.all() else int(is_plain.argmin())
    if length < _SHORT_RUN:
        return None, begin
    return _Run(objects[:length]), begin + length * size


def _objects_end(data: bytes, begin: int) -> int:
    """Return where some whole objects end; `begin` where there is none."""
    end = begin
    for _ in range(_OBJECTS_AT_ONCE):
        at = data.find(_SIGNATURE, end, end + _PADDING)
        size = int.from_bytes(data[at + 8 : at + 12], "little")
        if at < 0 or at + 12 > len(data) or at + size > len(data):
            break
        if size < blf.OBJ_HEADER_BASE_STRUCT.size:
            raise blf.BLFParseError(f"an object of {size} bytes, which is less than its head")
        end = at + size
    return end


def _run_stamps(objects: NDArray[np.void], start_s: float, *, has_float_stamps: bool) -> Ints:
    """Return the times of a run; the rule is that of `log_stamps`."""
    unit_ns = np.where(objects["time_unit"] == blf.TIME_TEN_MICS, 10_000, 1).astype(np.uint64)
    # What no log has counts as 0, as everywhere: also what would not fit.
    is_time = objects["time"] < np.uint64(MAX_STAMP_NS) // unit_ns
    since_start_ns = np.where(is_time, objects["time"] * unit_ns, 0).astype(np.int64)
    stamps_ns = since_start_ns + round(start_s * 1000) * 10**6
    if has_float_stamps:
        step_s = math.ulp(start_s)
        steps = np.rint((since_start_ns + 0.5) * 1e-9 / step_s)
        is_of_steps = (steps * step_s * 1e9).astype(np.int64) == since_start_ns
        of_floats = stamps_to_ns(start_s + steps * step_s)
        stamps_ns = np.where(is_of_steps, of_floats, stamps_ns)
    is_time &= (stamps_ns >= 0) & (stamps_ns < MAX_STAMP_NS)
    return np.where(is_time, stamps_ns, 0)


def _run_frames(objects: NDArray[np.void], time_ns: Ints) -> FrameBatch:
    """Return the frames of a run as `to_batch` makes them of messages."""
    length = np.minimum(objects["length"], CLASSIC_BYTES)
    flags = np.zeros(len(objects), np.uint8)
    is_remote = (objects["flags"] & blf.REMOTE_FLAG) != 0
    flags[(objects["identifier"] & blf.CAN_MSG_EXT) != 0] |= EXTENDED
    flags[is_remote] |= REMOTE
    flags[(objects["flags"] & blf.DIR) != 0] |= SENT
    data = objects["data"].copy()
    data[np.arange(CLASSIC_BYTES) >= np.where(is_remote, 0, length)[:, None]] = 0
    return FrameBatch(
        time_ns=time_ns,
        identifier=objects["identifier"] & np.uint32(0x1FFFFFFF),
        flags=flags,
        length=length,
        data=data,
        bus=np.zeros(len(objects), np.uint8),
    )
