"""A bus second by second: exact load, error frames, what was sent here."""

import math

import numpy as np
import pytest

from logger.joint.batch import ERROR, REMOTE, FrameBatch
from logger.traffic.frame_length import frame_bits
from logger.traffic.per_second import TrafficCounter


def test_a_second_is_counted_whatever_its_batches():
    """The same figures for one batch and for many, and nothing is counted twice."""
    rows = [(n, 0x100 + n, 0, bytes(n % 9)) for n in range(200)]
    rows += [(200, 5, REMOTE, bytes(4)), (201, 6, ERROR, b"")]
    frames = FrameBatch.from_rows(rows)
    for size in (1, 7, 1000):
        traffic = TrafficCounter(500_000)
        for first in range(0, len(frames), size):
            traffic.add_frames(frames.select_rows(slice(first, first + size)))
        second = traffic.take_second(0.5, sent_bits=1000)
        bits = int(frame_bits(frames).sum()) + 1000
        assert second.load == pytest.approx(bits / (500_000 * 0.5))
        assert second.frames_per_s == 402  # 200 data frames and a remote frame in half a second
        assert (second.error_frames, second.remote_frames) == (1, 1)
        again = traffic.take_second(1.0, sent_bits=1000)
        assert (again.frames_per_s, again.load, again.error_frames) == (0.0, 0.0, 0)


def test_a_load_needs_a_bit_rate():
    """Without one it is not known, and nothing is made up."""
    traffic = TrafficCounter(None)
    traffic.add_frames(FrameBatch.from_rows([(0, 1, 0, b"")]))
    second = traffic.take_second(1.0, sent_bits=0)
    assert math.isnan(second.load)
    assert second.frames_per_s == 1.0
    assert np.isnan(second.load)
