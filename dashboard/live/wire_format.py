"""The binary message of a live update: a few numbers, little-endian.

    offset  type     what
    0       uint8    1: the whole window, replaces everything before; 0: continues it
    1       uint8    channels, c
    2       uint16   bins, n
    4       uint32   number of the update, to be acknowledged
    8       float64  now, seconds since the recording's start
    16      float64  start of the first bin
    24      float64  width of a bin
    32      float32  c pairs: time of the newest value as seconds before now, the value
    ...     float32  n * c triples: first extreme, second extreme, mean, in shown units

NaN where no value is held. Pure; `assets/live/` decodes it.
"""

import struct
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["UPDATE_HEADER", "Update", "pack_update", "unpack_update"]

UPDATE_HEADER: Final = struct.Struct("<BBHIddd")


@dataclass(frozen=True, slots=True, kw_only=True)
class Update:
    """One update; `bins` has the shape (n, c, 3), `newest` the shape (c, 2)."""

    whole: bool
    serial: int
    now_s: float
    start_s: float
    width_s: float
    newest: NDArray[np.float64]
    bins: NDArray[np.float64]


def pack_update(update: Update) -> bytes:
    """Return an update as bytes."""
    count, channels, _ = update.bins.shape
    head = UPDATE_HEADER.pack(
        int(update.whole),
        channels,
        count,
        update.serial,
        update.now_s,
        update.start_s,
        update.width_s,
    )
    return head + update.newest.astype("<f4").tobytes() + update.bins.astype("<f4").tobytes()


def unpack_update(message: bytes) -> Update:
    """Return the update that bytes carry."""
    whole, channels, count, serial, now_s, start_s, width_s = UPDATE_HEADER.unpack_from(message)
    middle = UPDATE_HEADER.size + channels * 8
    newest = np.frombuffer(message, "<f4", channels * 2, UPDATE_HEADER.size)
    bins = np.frombuffer(message, "<f4", count * channels * 3, middle)
    return Update(
        whole=bool(whole),
        serial=serial,
        now_s=now_s,
        start_s=start_s,
        width_s=width_s,
        newest=newest.reshape(channels, 2).astype(float),
        bins=bins.reshape(count, channels, 3).astype(float),
    )
