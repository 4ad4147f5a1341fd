"""Bytes of a serial line: read when they come, with the time of that, and parsed later."""

import os
from pathlib import Path

import pytest

from logger.bus import serial_text as text_file
from logger.bus.clock import ClockSample, RecordingClock, read_clocks
from logger.bus.source import Source
from logger.joint.bench.bench import BusSettings

S = 1_000_000_000


def test_bytes_are_stamped_when_they_come_and_parsed_when_they_are_taken(line: tuple[int, Path]):
    """Read at once and held: one `take` for what came in three pieces, each at its own time."""
    ours, link = line
    settings = BusSettings(interface="slcan", channel=str(link), options={"sleep_after_open": 0})
    clock_ns = [0]

    def clocks() -> ClockSample:
        return ClockSample(
            boottime_ns=clock_ns[0], monotonic_ns=clock_ns[0], wall_ns=S + clock_ns[0]
        )

    source = Source(settings, RecordingClock(clocks()), where="b", clock_reader=clocks)
    try:
        source.receive(0.0)
        for piece in (b"t12310A\rt1241", b"0B\r", b"t12510C\r"):
            clock_ns[0] += 10_000_000
            os.write(ours, piece)
            assert not source.wait(5.0)
            assert source.holds_bytes
        clock_ns[0] += 10_000_000
        assert not source.wait(0.0)
        received = source.take()
        assert not source.holds_bytes
        assert received.frames.identifier.tolist() == [0x123, 0x124, 0x125]
        # A line that comes in two pieces is there with the second.
        assert (received.frames.time_ns - S).tolist() == [10_000_000, 20_000_000, 30_000_000]
        assert received.until_ns == S + 40_000_000
    finally:
        source.close()


def test_a_step_of_the_wall_clock_moves_no_bytes_that_are_held(line: tuple[int, Path]):
    """Read, then the clock is set by an hour, then taken: the time is that of the reading."""
    ours, link = line
    settings = BusSettings(interface="slcan", channel=str(link), options={"sleep_after_open": 0})
    passed_ns, step_ns = [0], [0]

    def clocks() -> ClockSample:
        return ClockSample(
            boottime_ns=passed_ns[0],
            monotonic_ns=passed_ns[0],
            wall_ns=10_000 * S + passed_ns[0] + step_ns[0],
        )

    source = Source(settings, RecordingClock(clocks()), where="b", clock_reader=clocks)
    try:
        source.receive(0.0)
        passed_ns[0] = 10_000_000
        os.write(ours, b"t12310A\r")
        source.wait(5.0)
        passed_ns[0], step_ns[0] = 60_000_000, -3600 * S
        received = source.take()
        assert (received.frames.time_ns - 10_000 * S).tolist() == [10_000_000]
        assert [kind for kind, _ in received.remarks] == ["clock step"]
    finally:
        source.close()


def test_a_lost_line_is_taken_at_once(line: tuple[int, Path], monkeypatch: pytest.MonkeyPatch):
    """What was held is not lost with the bus, and its loss does not wait for the next hand-over."""
    ours, link = line
    settings = BusSettings(interface="slcan", channel=str(link), options={"sleep_after_open": 0})
    source = Source(settings, RecordingClock(read_clocks()), where="b")
    try:
        source.receive(0.0)
        os.write(ours, b"t12310A\r")
        assert not source.wait(5.0)

        def gone(_descriptor: int, _most: int) -> bytes:
            raise OSError(5, "Input/output error")

        os.write(ours, b"t12410A\r")
        with monkeypatch.context() as patched:
            patched.setattr(text_file.os, "read", gone)
            assert source.wait(5.0)
            received = source.take()
        assert received.frames.identifier.tolist() == [0x123]
        assert [kind for kind, _ in received.remarks] == ["bus lost"]
    finally:
        source.close()
