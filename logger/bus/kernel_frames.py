"""Frames from a SocketCAN socket, many at a time, with the kernel's nanosecond stamps.

python-can opens and configures the socket; here its frames are taken straight into arrays with
recvmmsg(2), a tenth of the cost of a call for each. Linux with a 64-bit long only
(`is_supported`); elsewhere python-can's own `recv` is used.
"""

import ctypes
import errno
import os
import socket
import struct
import sys
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.joint.batch import (
    CLASSIC_BYTES,
    ERROR,
    EXTENDED,
    FD,
    REMOTE,
    SENT,
    FrameBatch,
)

__all__ = ["KernelReader", "dropped_frames", "enlarge_buffer", "is_supported"]

BATCH_SLOTS: Final = 512
"""Frames taken with one call of the kernel."""
CLASSIC_FRAME_BYTES: Final = 16
FD_FRAME_BYTES: Final = 72
RECEIVE_BUFFER_BYTES: Final = 16 << 20
"""Bytes: over two seconds of a full 1 Mbit/s bus, at the kernel's cost of some 800 a frame."""

# linux/can.h
_EFF_MASK: Final = 0x1FFFFFFF
_SFF_MASK: Final = 0x7FF
_HEAD_FLAGS_SHIFT: Final = np.uint32(29)
"""The three flags are the highest bits: by them, what they are here and which bits are the id."""
_FLAGS_OF_HEAD: Final = np.array(
    [
        (EXTENDED if bits & 4 else 0) | (REMOTE if bits & 2 else 0) | (ERROR if bits & 1 else 0)
        for bits in range(8)
    ],
    np.uint8,
)
_ID_MASK_OF_HEAD: Final = np.array([_SFF_MASK] * 4 + [_EFF_MASK] * 4, np.uint32)
_PAYLOAD_BYTES: Final = np.arange(64, dtype=np.uint8)
# asm-generic/socket.h
_SO_RCVBUFFORCE: Final = 33
_SO_MEMINFO: Final = 55
_MEMINFO: Final = struct.Struct("9I")
_MEMINFO_DROPS_INDEX: Final = 8
_SCM_TIMESTAMPNS: Final = 35
_STAMP_BYTES: Final = 32
"""A control message with a time stamp: its header, and two long numbers."""
_MSG_DONTWAIT: Final = 0x40
_MSG_CONFIRM: Final = 0x800
"""On a frame: this very socket sent it (Documentation/networking/can.rst, 4.1.7)."""


class _IoVector(ctypes.Structure):
    _fields_ = (("base", ctypes.c_void_p), ("len", ctypes.c_size_t))


class _MessageHeader(ctypes.Structure):
    _fields_ = (
        ("name", ctypes.c_void_p),
        ("namelen", ctypes.c_uint32),
        ("vectors", ctypes.c_void_p),
        ("vectorlen", ctypes.c_size_t),
        ("control", ctypes.c_void_p),
        ("controllen", ctypes.c_size_t),
        ("flags", ctypes.c_int),
    )


class _ReceiveSlot(ctypes.Structure):
    _fields_ = (("header", _MessageHeader), ("received", ctypes.c_uint32))


class _TimestampControl(ctypes.Structure):
    """One control message with a struct timespec, and room for what is not looked at."""

    _fields_ = (
        ("len", ctypes.c_size_t),
        ("level", ctypes.c_int),
        ("type", ctypes.c_int),
        ("seconds", ctypes.c_int64),
        ("nanoseconds", ctypes.c_int64),
        ("rest", ctypes.c_char * 32),
    )


def is_supported() -> bool:
    """Return whether this system has what `KernelReader` needs."""
    is_64_bit = ctypes.sizeof(ctypes.c_long) == 8
    return sys.platform == "linux" and is_64_bit and hasattr(_libc(), "recvmmsg")


def _libc() -> ctypes.CDLL:
    return ctypes.CDLL(None, use_errno=True)


def enlarge_buffer(endpoint: socket.socket) -> int:
    """Ask for a receive buffer of `RECEIVE_BUFFER_BYTES`; return the bytes that were granted.

    Beyond the system's own limit (net.core.rmem_max) only root gets it.
    """
    for option in (_SO_RCVBUFFORCE, socket.SO_RCVBUF):
        try:
            endpoint.setsockopt(socket.SOL_SOCKET, option, RECEIVE_BUFFER_BYTES)
            break
        except OSError:
            continue
    return endpoint.getsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF)


def dropped_frames(endpoint: socket.socket) -> int:
    """Return how many frames the kernel has dropped for this socket since it was opened.

    The last entry of SO_MEMINFO; 0 where the kernel is too old to report it.
    """
    try:
        option_bytes = endpoint.getsockopt(socket.SOL_SOCKET, _SO_MEMINFO, _MEMINFO.size)
    except OSError:
        return 0
    return (
        int(_MEMINFO.unpack(option_bytes)[_MEMINFO_DROPS_INDEX])
        if len(option_bytes) == _MEMINFO.size
        else 0
    )


class KernelReader:
    """Takes frames from one socket; for one thread."""

    def __init__(self, endpoint: socket.socket, *, fd: bool, bus: int) -> None:
        self._endpoint = endpoint
        self._bus = bus
        self._size = FD_FRAME_BYTES if fd else CLASSIC_FRAME_BYTES
        self._frames = np.zeros((BATCH_SLOTS, self._size), np.uint8)
        self._controls = np.zeros(BATCH_SLOTS, np.dtype(_TimestampControl))
        self._vectors = np.zeros(BATCH_SLOTS, np.dtype(_IoVector))
        self._slots = np.zeros(BATCH_SLOTS, np.dtype(_ReceiveSlot))
        places = np.arange(BATCH_SLOTS, dtype=np.uint64)
        self._vectors["base"] = self._frames.ctypes.data + places * np.uint64(self._size)
        self._vectors["len"] = self._size
        headers = self._slots["header"]
        headers["vectors"] = self._vectors.ctypes.data + places * np.uint64(
            self._vectors.dtype.itemsize
        )
        headers["vectorlen"] = 1
        headers["control"] = self._controls.ctypes.data + places * np.uint64(
            self._controls.dtype.itemsize
        )
        # Columns of the same memory: to find them costs as much as to look at them.
        self._heads = self._frames[:, :4].view(np.uint32)[:, 0]
        self._sizes = self._slots["received"]
        self._message_flags = headers["flags"]
        self._control_lengths = headers["controllen"]
        self._control_levels, self._control_types = self._controls["level"], self._controls["type"]
        self._seconds, self._nanoseconds = self._controls["seconds"], self._controls["nanoseconds"]
        self._call = _libc().recvmmsg
        self._call.argtypes = (
            ctypes.c_int,
            ctypes.c_void_p,
            ctypes.c_uint,
            ctypes.c_int,
            ctypes.c_void_p,
        )

    def read_frames(self) -> tuple[FrameBatch, bool]:
        """Return up to `BATCH_SLOTS` frames with the kernel's stamps, and whether nothing is left.

        The stamps are of the wall clock, nanoseconds since the epoch; 0 where there was none.

        Raises
        ------
        OSError
            The interface went down or is gone.
        """
        self._control_lengths.fill(self._controls.dtype.itemsize)
        count = self._call(
            self._endpoint.fileno(), self._slots.ctypes.data, BATCH_SLOTS, _MSG_DONTWAIT, None
        )
        if count < 0:
            number = ctypes.get_errno()
            if number in {errno.EAGAIN, errno.EINTR}:
                return FrameBatch.empty(), True
            raise OSError(number, os.strerror(number))
        return self._to_batch(count), count < BATCH_SLOTS

    def _to_batch(self, count: int) -> FrameBatch:
        frames, size = self._frames[:count], self._sizes[:count]
        head = self._heads[:count].copy()
        # What is neither a frame nor an FD frame has no bytes: counted, and not decoded.
        width, length = CLASSIC_BYTES, np.minimum(frames[:, 4], CLASSIC_BYTES)
        flags = _FLAGS_OF_HEAD[head >> _HEAD_FLAGS_SHIFT]
        if np.count_nonzero(size != CLASSIC_FRAME_BYTES):
            is_classic, is_fd = size == CLASSIC_FRAME_BYTES, size == FD_FRAME_BYTES
            width = 64 if is_fd.any() else width
            fd_length = np.minimum(frames[:, 4], self._size - 8)
            length = np.where(is_classic, length, np.where(is_fd, fd_length, 0)).astype(np.uint8)
            flags[~is_classic] |= FD
        own = self._message_flags[:count] & _MSG_CONFIRM
        if np.count_nonzero(own):
            flags[own != 0] |= SENT
        data = frames[:, 8 : 8 + width].copy()
        if np.count_nonzero(length < width):
            # Bytes after the payload hold whatever was in the sender's memory.
            data *= _PAYLOAD_BYTES[:width] < length[:, None]
        head &= _ID_MASK_OF_HEAD[head >> _HEAD_FLAGS_SHIFT]
        return FrameBatch(
            time_ns=self._kernel_stamps(count),
            identifier=head,
            flags=flags,
            length=length,
            data=data,
            bus=np.full(count, self._bus, np.uint8),
        )

    def _kernel_stamps(self, count: int) -> NDArray[np.int64]:
        stamps = self._seconds[:count] * 1_000_000_000
        stamps += self._nanoseconds[:count]
        has_stamp = self._control_lengths[:count] >= _STAMP_BYTES
        has_stamp &= self._control_levels[:count] == socket.SOL_SOCKET
        has_stamp &= self._control_types[:count] == _SCM_TIMESTAMPNS
        if np.count_nonzero(has_stamp) < count:
            stamps[~has_stamp] = 0
        return stamps
