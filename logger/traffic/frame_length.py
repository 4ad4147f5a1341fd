"""How many bit times a frame takes on the wire, stuff bits included, and so the load of a bus.

A classical frame is exact: its header and CRC are put together and its stuff bits counted, byte by
byte for all frames at once. What cannot be observed is assumed; `frame_bits` names the assumptions.
Pure arrays; reads no bus.

A frame is laid out as ISO 11898-1 has it (read second-hand; bits in their order on the wire)::

    11 bit   SOF  ID.11  RTR  IDE=0  r0  DLC.4                                data  CRC.15  |
    29 bit   SOF  ID.11  SRR=1  IDE=1  ID.18  RTR  r1  r0  DLC.4              data  CRC.15  |
    FD 11    SOF  ID.11  RRS  IDE=0  FDF=1  res  BRS  ESI  DLC.4              data          |
    FD 29    SOF  ID.11  SRR=1  IDE=1  ID.18  RRS  FDF=1  res  BRS  ESI  DLC.4  data        |

It is stuffed up to the bar. After it come the CRC delimiter, ACK and its delimiter, 7 bits of
end and 3 between frames; with FD, before those, a stuff count of 4 bits and a CRC of 17 (beyond 16
bytes of data: 21) with 6 (7) stuff bits at fixed places.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.joint.batch import ERROR, EXTENDED, FD, REMOTE, FrameBatch

__all__ = ["bus_load", "crc15", "frame_bits", "max_frame_bits", "stuff_bits"]

_POLYNOMIAL: Final = 0x4599
_MAX_CLASSIC_BYTES: Final = 8
_TAIL_BITS: Final = 1 + 1 + 1 + 7 + 3
"""CRC delimiter, ACK, ACK delimiter, end of frame, and the space to the next."""
_FD_SHORT_CRC_BITS: Final = 4 + 17 + 6
_FD_LONG_CRC_BITS: Final = 4 + 21 + 7
_FD_SIZES: Final = np.array([0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64])
_HEADER_SHIFTS: Final = (40, 32, 24, 16, 8, 0)
_NO_STUFFING_STATE: Final = 8
"""Stuffing state before the first bit; the others are bit * 4 + run - 1 with a run of 1 to 4."""


def frame_bits(batch: FrameBatch) -> NDArray[np.int64]:
    """Return the bit times of each frame and of the space after it, shape (n,).

    Exact for classical frames. `length` is taken as the data length code: a remote frame has no
    data, and a code above 8 means 8 bytes. For CAN FD the bit-rate switch is taken as set and the
    error indicator as clear, and data end in whole sizes, filled up with zeros: right to a stuff
    bit or two. An error frame counts 0: what an adapter reports is a notice, not a frame of known
    length.
    """
    wire = _wire_headers(batch)
    fixed = np.where(wire.fd, np.where(wire.size > 16, _FD_LONG_CRC_BITS, _FD_SHORT_CRC_BITS), 15)
    bits = wire.width + 8 * wire.size + _count_stuff_bits(wire, batch.data) + fixed + _TAIL_BITS
    return np.where((batch.flags & ERROR) != 0, 0, bits)


def max_frame_bits(length: int, *, extended: bool) -> int:
    """Return the most bit times that a data frame takes, with any payload.

    Parameters
    ----------
    length
        Bytes of data; more than 8 make it a CAN FD frame, taken at the nominal bit rate throughout.
    """
    if length <= _MAX_CLASSIC_BYTES:
        stuffed = (39 if extended else 19) + 8 * length + 15
        fixed = 0
    else:
        size = int(_FD_SIZES[np.searchsorted(_FD_SIZES, length)])
        stuffed = (41 if extended else 22) + 8 * size
        fixed = _FD_LONG_CRC_BITS if size > 16 else _FD_SHORT_CRC_BITS
    # The first stuff bit needs five alike; each further one may begin with the one before.
    return stuffed + (stuffed - 1) // 4 + fixed + _TAIL_BITS


def stuff_bits(batch: FrameBatch) -> NDArray[np.int64]:
    """Return the stuff bits in each frame, shape (n,); those at fixed places (FD) left out."""
    return _count_stuff_bits(_wire_headers(batch), batch.data)


def crc15(batch: FrameBatch) -> NDArray[np.int64]:
    """Return the CRC of each frame, shape (n,): of no meaning for CAN FD frames.

    Polynomial 0x4599, start 0, over the unstuffed bits from SOF to the data (CAN 2.0, part B).
    """
    return _crc_of_frames(_wire_headers(batch), batch.data)


def bus_load(bits: NDArray[np.int64], *, bitrate: int, span_s: float) -> float:
    """Return the share of a span that frames of these bit times keep the bus busy; 0.4 is 40 %.

    CAN FD is taken at the nominal bit rate throughout: with a faster data phase an upper bound.
    """
    return float(bits.sum() / (bitrate * span_s))


@dataclass(frozen=True, slots=True, kw_only=True)
class _WireHeaders:
    """What n frames look like before their data."""

    header: NDArray[np.int64]
    """The bits before the data, as one number."""
    width: NDArray[np.int64]
    """How many bits those are."""
    size: NDArray[np.int64]
    """How many bytes of data follow."""
    fd: NDArray[np.bool_]


def _wire_headers(batch: FrameBatch) -> _WireHeaders:
    extended = (batch.flags & EXTENDED) != 0
    fd = (batch.flags & FD) != 0
    remote = ((batch.flags & REMOTE) != 0) & ~fd
    length = batch.length.astype(np.int64)
    code = np.where(fd, np.searchsorted(_FD_SIZES, length), length).clip(max=15)
    size = np.where(fd, _FD_SIZES[code], np.where(remote, 0, length.clip(max=_MAX_CLASSIC_BYTES)))

    identifier = batch.identifier.astype(np.int64)
    long = ((identifier >> 18) << 20) | (0b11 << 18) | (identifier & 0x3FFFF)
    named = np.where(extended, long & 0x7FFFFFFF, identifier & 0x7FF)
    # RTR, IDE (or r1), r0.
    classical = (named << 3) | (remote.astype(np.int64) << 2)
    # RRS, with 11 bits IDE, then FDF 1, res, BRS 1, ESI.
    flexible = np.where(extended, (named << 5) | 0b01010, (named << 6) | 0b001010)
    return _WireHeaders(
        header=(np.where(fd, flexible, classical) << 4) | code,
        width=np.where(fd, np.where(extended, 41, 22), np.where(extended, 39, 19)),
        size=size,
        fd=fd,
    )


def _crc_of_frames(wire: _WireHeaders, data: NDArray[np.uint8]) -> NDArray[np.int64]:
    # A register that starts at 0 passes over leading zeros: the header needs no alignment.
    crc = np.zeros(len(wire.header), np.int64)
    for shift in _HEADER_SHIFTS:
        crc = _crc_of_byte(crc, (wire.header >> shift) & 0xFF)
    for index in range(min(_MAX_CLASSIC_BYTES, data.shape[1])):
        crc = np.where(index < wire.size, _crc_of_byte(crc, data[:, index].astype(np.int64)), crc)
    return crc


def _crc_of_byte(crc: NDArray[np.int64], octet: NDArray[np.int64]) -> NDArray[np.int64]:
    folded: NDArray[np.int64] = _CRC_OF[((crc >> 7) ^ octet) & 0xFF]
    return ((crc << 8) & 0x7FFF) ^ folded


def _count_stuff_bits(wire: _WireHeaders, data: NDArray[np.uint8]) -> NDArray[np.int64]:
    """Count stuff bits, a byte of every frame at a time.

    The header is filled up to whole bytes from the left with alternating bits that end in 1: SOF is
    0, so they add no stuff bit and change none. The CRC is filled up with the opposite of its last
    bit, for the same reason.
    """
    alternating = np.where(wire.width % 2 == 1, 0xAAAAAAAAAAAA, 0x555555555555)
    filled = ((alternating >> wire.width) << wire.width) | wire.header
    crc = _crc_of_frames(wire, data)
    crc = (crc << 1) | (~crc & 1)
    everywhere = np.ones(len(filled), np.bool_)
    octets = [((filled >> shift) & 0xFF, everywhere) for shift in _HEADER_SHIFTS]
    octets += [
        (data[:, index].astype(np.int64), index < wire.size)
        for index in range(min(int(wire.size.max(initial=0)), data.shape[1]))
    ]
    octets += [((crc >> 8) & 0xFF, ~wire.fd), (crc & 0xFF, ~wire.fd)]

    state = np.full(len(filled), _NO_STUFFING_STATE, np.int64)
    count = np.zeros(len(filled), np.int64)
    for octet, in_frame in octets:
        key = state * 256 + octet
        state = np.where(in_frame, _NEXT[key], state)
        count += np.where(in_frame, _STUFFED[key], 0)
    return count


def _crc_table() -> NDArray[np.int64]:
    crc = np.arange(256, dtype=np.int64) << 7
    for _ in range(8):
        crc = ((crc << 1) ^ np.where(crc & 0x4000, _POLYNOMIAL, 0)) & 0x7FFF
    return crc


def _stuffing_tables() -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the next state and the stuff bits for each key, state * 256 + byte."""
    state, octet = np.divmod(np.arange((_NO_STUFFING_STATE + 1) * 256, dtype=np.int64), 256)
    bit, run = np.divmod(state, 4)
    run = np.where(state == _NO_STUFFING_STATE, 0, run + 1)
    count = np.zeros(len(state), np.int64)
    for bit_index in range(7, -1, -1):
        new = (octet >> bit_index) & 1
        run = np.where((new == bit) & (run > 0), run + 1, 1)
        # The fifth alike is followed by one of the other sort, which counts in the next run.
        full = run == 5
        count += full
        bit = np.where(full, 1 - new, new)
        run = np.where(full, 1, run)
    return bit * 4 + run - 1, count


_CRC_OF: Final = _crc_table()
_NEXT, _STUFFED = _stuffing_tables()
