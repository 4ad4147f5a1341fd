"""Spans in which a bus was not read: told with their length, and what waits is not mistaken."""

import os
from collections.abc import Iterator

import can
import numpy as np
import pytest

from logger.bus import source as source_file
from logger.bus.clock import ClockSample, RecordingClock
from logger.bus.merger import WatermarkMerger
from logger.bus.serial_protocol import ProtocolReader
from logger.bus.source import Source
from logger.bus.standstill import STANDSTILL_NS, StandstillWatch
from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import BusSettings

MS = 1_000_000
S = 1_000_000_000
WALL_NS = 1_795_000_000 * S


def _sample(at_ns: int, *, asleep_ns: int = 0) -> ClockSample:
    """`at_ns` after the anchor, of which `asleep_ns` in a suspend."""
    return ClockSample(
        boottime_ns=50 * S + at_ns, monotonic_ns=40 * S + at_ns - asleep_ns, wall_ns=WALL_NS + at_ns
    )


def test_only_what_exceeds_the_excused_time_is_a_standstill():
    """Waits and slow writes are no standstill; from the bound on there is one, with its ends."""
    watch = StandstillWatch()
    assert watch.note(_sample(0)) is None
    assert watch.note(_sample(STANDSTILL_NS - 1)) is None
    assert watch.note(_sample(2 * STANDSTILL_NS + 50 * MS), excused_ns=60 * MS + 1) is None
    found = watch.note(_sample(5 * S))
    assert found is not None
    assert not found.is_suspend
    assert found.start_ns == 50 * S + 2 * STANDSTILL_NS + 50 * MS
    assert found.start_ns + 4 * S < found.end_ns <= 55 * S


def test_a_suspend_is_one_and_says_so():
    """Boot time goes on while the machine sleeps; the monotonic clock does not."""
    watch = StandstillWatch()
    watch.reset(_sample(0))
    found = watch.note(_sample(61 * S, asleep_ns=60 * S))
    assert found is not None
    assert found.is_suspend


class _Kept:
    """An adapter that keeps what it receives, with stamps."""

    def __init__(self) -> None:
        self.waiting: list[can.Message] = []

    def recv(self, _timeout: float) -> can.Message | None:
        return self.waiting.pop(0) if self.waiting else None

    def fileno(self) -> int:
        return -1

    def shutdown(self) -> None:
        pass


@pytest.fixture
def clock_ns() -> list[int]:
    """Nanoseconds since the anchor, moved on by the test."""
    return [0]


@pytest.fixture
def adapter_and_source(
    monkeypatch: pytest.MonkeyPatch, clock_ns: list[int]
) -> Iterator[tuple[_Kept, Source]]:
    """Give an adapter whose frames the test chooses, and the source that reads it."""
    adapter = _Kept()
    monkeypatch.setattr(source_file, "open_bus", lambda *_: adapter)
    source = Source(
        BusSettings(interface="pcan"),
        RecordingClock(_sample(0)),
        where="bench.toml",
        clock_reader=lambda: _sample(clock_ns[0]),
    )
    yield adapter, source
    source.close()


def test_frames_that_were_kept_lie_where_they_were_stamped(
    adapter_and_source: tuple[_Kept, Source], clock_ns: list[int]
):
    """Five seconds of standstill: told once, on the axis; stamps within it are believed."""
    adapter, source = adapter_and_source
    assert source.receive(0.0).standstills == ()
    clock_ns[0] = 5 * S
    stamps_s = [WALL_NS / S + at_s for at_s in (0.5, 1.0, 1.5)]
    adapter.waiting = [can.Message(arbitration_id=1, timestamp=at_s) for at_s in stamps_s]
    received = source.receive(0.0)
    (standstill,) = received.standstills
    assert standstill.start_ns == WALL_NS
    assert 4 * S < standstill.duration_ns <= 5 * S
    assert not standstill.is_loss_counted
    np.testing.assert_allclose(
        received.frames.time_ns - WALL_NS, [S // 2, S, 3 * S // 2], atol=1000
    )
    assert source.receive(0.0).standstills == ()


def test_a_wait_and_an_adapter_that_takes_nothing_are_none(
    adapter_and_source: tuple[_Kept, Source], clock_ns: list[int], monkeypatch: pytest.MonkeyPatch
):
    """A whole second of waiting as asked is no standstill, nor is a bus that is away."""
    _, source = adapter_and_source
    monkeypatch.setattr(source_file.time, "sleep", lambda _s: None)
    source.receive(0.0)
    clock_ns[0] += S
    assert source.receive(1.0).standstills == ()
    source.close()
    clock_ns[0] += 9 * S
    assert source.receive(0.05).standstills == ()


def test_what_the_other_bus_kept_is_waited_for():
    """Read again one after the other: no frame that was kept is moved to a later time."""
    merger = WatermarkMerger(2, start_ns=0)
    for bus in (0, 1):
        merger.add_frames(bus, FrameBatch.empty(), until_ns=S)
    merger.take_until_watermark(S)
    merger.note_standstill(6 * S)
    merger.add_frames(0, FrameBatch.from_rows([(2 * S, 1, 0, b"")], bus=0), until_ns=6 * S)
    frames, _ = merger.take_until_watermark(6 * S + 200 * MS)
    assert len(frames) == 0
    merger.add_frames(1, FrameBatch.from_rows([(S + 1, 2, 0, b"")], bus=1), until_ns=6 * S)
    frames, _ = merger.take_until_watermark(6 * S + 200 * MS)
    assert frames.time_ns.tolist() == [S + 1, 2 * S]


def test_a_line_knows_whether_it_can_have_overrun():
    """Of a serial line little that waits means that nothing was held back; much, that it may be."""
    ours, theirs = os.pipe()
    reader = ProtocolReader(ours, bus_index=0)
    found = []
    for waiting in (3, 300):
        os.write(theirs, b"t28130102AA\r" * waiting)
        result = reader.read_frames()
        assert len(result.frames) == waiting
        found.append(result.may_have_overrun)
    os.close(ours)
    os.close(theirs)
    assert found == [False, True]
