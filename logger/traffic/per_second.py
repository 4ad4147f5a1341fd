"""The traffic of one bus, second by second: frames, load, error frames.

Frames are kept until the second is over and counted then, all at once: their exact lengths
would cost more in small batches than decoding them does. Pure.
"""

import math
from dataclasses import dataclass, field

import numpy as np

from logger.arrays import Ints
from logger.joint.batch import ERROR, REMOTE, FrameBatch, is_node_frame
from logger.traffic.frame_length import frame_bits

__all__ = ["BusSecond", "TrafficCounter"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BusSecond:
    """One bus over the last second or so; NaN for a load without a known bit rate."""

    frames_per_s: float
    """Data and remote frames; error frames count apart."""
    load: float
    error_frames: int
    remote_frames: int
    frames: FrameBatch = field(default_factory=FrameBatch.empty)
    """The received frames."""
    bits: Ints = field(default_factory=lambda: np.empty(0, np.int64))
    """The bit times of each."""


class TrafficCounter:
    """Counts one bus."""

    def __init__(self, bitrate: int | None) -> None:
        self._bitrate = bitrate
        self._frames: list[FrameBatch] = []
        self._sent_bits = 0

    def add_frames(self, frames: FrameBatch) -> None:
        """Add received frames."""
        if len(frames):
            self._frames.append(frames)

    def take_second(self, span_s: float, *, sent_bits: int) -> BusSecond:
        """Return the figures since the last call, and start again.

        Parameters
        ----------
        span_s
            How long that was.
        sent_bits
            Bit times of everything sent by this program so far, which is not received.
        """
        frames, self._frames = FrameBatch.concatenate(self._frames), []
        sent, self._sent_bits = sent_bits - self._sent_bits, sent_bits
        bits, load = frame_bits(frames), math.nan
        if self._bitrate is not None:
            load = (int(bits.sum()) + sent) / (self._bitrate * span_s)
        return BusSecond(
            frames_per_s=np.count_nonzero(is_node_frame(frames)) / span_s,
            load=load,
            error_frames=int(np.count_nonzero(frames.flags & ERROR)),
            remote_frames=int(np.count_nonzero((frames.flags & (REMOTE | ERROR)) == REMOTE)),
            frames=frames,
            bits=bits,
        )
