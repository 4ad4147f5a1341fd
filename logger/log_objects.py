"""The containers of a binary log (.blf), one at a time; what is unusual goes to python-can.

A container holds some thousand objects. Where they are all classic frames of one size they are
read as an array of records; any other container's objects are handed to python-can, in a file of
their own that holds nothing else. That both give the same is a property test.
"""

import io
import struct
import zlib
from collections.abc import Iterator
from typing import IO, Final

import can
import numpy as np

from logger.joint.batch import EXTENDED, SENT, FrameBatch
from logger.log_columns import Columns, gather

__all__ = ["gathered_objects"]

_HEAD: Final = 144
_HEAD_SIZE: Final = struct.Struct("<4sL")
_OBJECT: Final = struct.Struct("<4sHHLL")
_CONTAINER: Final = struct.Struct("<H6xL4x")
_IS_CONTAINER: Final = 10
_FRAME_TYPES: Final = (1, 86)
_RECORD: Final = np.dtype(
    [
        ("signature", "S4"),
        ("header_size", "<u2"),
        ("version", "<u2"),
        ("size", "<u4"),
        ("type", "<u4"),
        ("unit", "<u4"),
        ("client", "<u2"),
        ("object_version", "<u2"),
        ("stamp", "<u8"),
        ("channel", "<u2"),
        ("flags", "u1"),
        ("length", "u1"),
        ("identifier", "<u4"),
        ("data", "u1", (8,)),
    ]
)
"""A classic frame with its header; `unit` 1: stamps in 10 us, else in ns."""
_SENT: Final = 0x01
_REMOTE: Final = 0x80
_EXTENDED: Final = 0x80000000
_ID: Final = 0x1FFFFFFF
_EXACT: Final = 2**53


def gathered_objects(file: IO[bytes]) -> Iterator[tuple[Columns, Exception | None]]:
    """Yield what stands in a log, container by container; with the last what ended the reading."""
    try:
        head = file.read(_HEAD)
        start_s = float(can.BLFReader(io.BytesIO(head)).start_timestamp)
        file.read(_HEAD_SIZE.unpack_from(head)[1] - _HEAD)
    except Exception as none:  # noqa: BLE001 - a reader raises whatever its parsing meets
        yield Columns(), none
        return
    left = b""
    while True:
        content, fault = _container(file)
        if content is None and fault is None:
            return
        left += content or b""
        frames = _plain(left, start_s)
        if frames is not None:
            left = left[len(frames) * _RECORD.itemsize :]
            yield frames, fault
        else:
            whole = _whole(left)
            columns, met = _read(head, left[:whole])
            left = left[whole:]
            fault = met or fault
            yield columns, fault
        if fault is not None:
            return


def _container(file: IO[bytes]) -> tuple[bytes | None, Exception | None]:
    """Return what the next container holds, None for the end and for objects of other kinds."""
    try:
        base = file.read(_OBJECT.size)
        if not base:
            return None, None
        signature, _, _, size, kind = _OBJECT.unpack(base)
        if signature != b"LOBJ":
            return None, ValueError("an object that does not begin as one")
        content = file.read(size - _OBJECT.size)
        file.read(size % 4)
        cut = len(content) < size - _OBJECT.size
        if kind != _IS_CONTAINER:
            return b"", ValueError("the file ends within an object") if cut else None
        method, _ = _CONTAINER.unpack_from(content)
        packed = content[_CONTAINER.size :]
        # As far as it goes: what stands before a cut is whole.
        unpacked = zlib.decompressobj().decompress(packed) if method == 2 else packed
    except (OSError, EOFError, struct.error, zlib.error) as torn:
        return b"", torn
    return unpacked, ValueError("the file ends within a container") if cut else None


def _plain(content: bytes, start_s: float) -> Columns | None:
    """Return the frames of whole records; None where anything else stands among them."""
    count = len(content) // _RECORD.itemsize
    record = np.frombuffer(content, _RECORD, count)
    good = (
        (record["signature"] == b"LOBJ")
        & (record["version"] == 1)
        & (record["size"] == _RECORD.itemsize)
        & np.isin(record["type"], _FRAME_TYPES)
        & (record["length"] <= 8)
        & ((record["flags"] & _REMOTE) == 0)
        & (record["stamp"] < _EXACT)
    )
    if not good.all():
        return None
    # Whole numbers below 2**53: the quotient is the float nearest to the decimal.
    stamp_s = record["stamp"] / np.where(record["unit"] == 1, 1e5, 1e9) + start_s
    sane = (stamp_s >= 0.0) & (stamp_s < 9e9)
    length = record["length"]
    data = record["data"].copy()
    data[np.arange(8) >= length[:, None]] = 0
    channels: list[object] = [int(one) - 1 for one in np.unique(record["channel"])]
    return Columns(
        frames=[
            FrameBatch(
                time_ns=np.rint(np.where(sane, stamp_s, 0.0) * 1e9).astype(np.int64),
                identifier=record["identifier"] & np.uint32(_ID),
                flags=((record["identifier"] & _EXTENDED) != 0) * np.uint8(EXTENDED)
                | ((record["flags"] & _SENT) != 0) * np.uint8(SENT),
                length=length.copy(),
                data=data,
                bus=np.zeros(count, np.uint8),
            )
        ],
        channel=channels * count
        if len(channels) == 1
        else (record["channel"].astype(np.int64) - 1).tolist(),
    )


def _whole(content: bytes) -> int:
    """Return how many bytes are whole objects; up to what is none, which python-can will say."""
    place = 0
    while True:
        begin = content.find(b"LOBJ", place, place + 8)
        if begin < 0:
            return len(content) if place + 8 <= len(content) else place
        if begin + _OBJECT.size > len(content):
            return place
        size = _OBJECT.unpack_from(content, begin)[3]
        if begin + size > len(content) or size < _OBJECT.size:
            return place
        place = begin + size


def _read(head: bytes, content: bytes) -> tuple[Columns, Exception | None]:
    """Return what python-can reads of objects."""
    size = _OBJECT.size + _CONTAINER.size + len(content)
    container = _OBJECT.pack(b"LOBJ", _OBJECT.size, 1, size, _IS_CONTAINER)
    container += _CONTAINER.pack(0, len(content))
    alone = head[:4] + struct.pack("<L", _HEAD) + head[8:]
    messages = iter(can.BLFReader(io.BytesIO(alone + container + content)))
    columns = Columns()
    while True:
        more, fault = gather(messages)
        columns.frames += more.frames
        columns.channel += more.channel
        if fault is not None or len(more) == 0:
            return columns, fault
