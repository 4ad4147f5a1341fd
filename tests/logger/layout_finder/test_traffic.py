"""Frames from outside become groups of one identifier and length."""

import numpy as np
import pytest

from logger.layout_finder.traffic import Traffic, frames_in, group_frames


def _traffic(data) -> Traffic:
    return Traffic(
        time_s=np.array([0.2, 0.0, 0.1]),
        identifier=np.array([7, 7, 7]),
        extended=np.array([False, False, True]),
        data=data,
    )


def test_both_forms_of_payloads_give_the_same_groups():
    """Bytes one by one, or an array padded with anything: the same frames, in order of time."""
    payloads = [b"\x01\x02", b"\x03\x04", b"\x05"]
    padded = np.full((3, 64), 0xEE, dtype=np.uint8)
    for row, payload in enumerate(payloads):
        padded[row, : len(payload)] = list(payload)
    for data in (payloads, (padded, np.array([2, 2, 1]))):
        first, second = sorted(group_frames(_traffic(data)), key=lambda group: group.extended)
        assert first.payload.tolist() == [[3, 4], [1, 2]]
        assert first.time_s.tolist() == [0.0, 0.2]
        assert (second.extended, second.payload.tolist()) == (True, [[5]])


def test_another_length_is_another_group():
    """One identifier with two lengths is two kinds of frames."""
    traffic = Traffic(np.arange(2.0), np.array([1, 1]), np.array([False] * 2), [b"a", b"ab"])
    assert sorted(group.payload.shape for group in group_frames(traffic)) == [(1, 1), (1, 2)]


def test_arrays_of_two_lengths_are_refused():
    """What does not belong together is said with its counts."""
    with pytest.raises(ValueError, match=r"\[2, 3\]"):
        group_frames(_traffic([b"a", b"b"]))


def test_no_frame_is_no_group():
    """An empty recording is no error."""
    empty = Traffic(np.zeros(0), np.zeros(0, int), np.zeros(0, bool), [])
    assert group_frames(empty) == ()


def test_frames_in_a_span():
    """The start counts, the end does not; no span has no frames."""
    time_s = np.array([0.0, 1.0, 2.0])
    assert time_s[frames_in(time_s, (1.0, 2.0))].tolist() == [1.0]
    assert time_s[frames_in(time_s, None)].tolist() == []
