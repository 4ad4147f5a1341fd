"""Damaged and missing frames become events: the first at once, the rest counted once a minute."""

from pathlib import Path

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from logger.event_kind import EventKind
from logger.importing.import_frames import import_frames
from logger.joint.batch import FrameBatch
from logger.joint.decode.frame_faults import FrameFaults
from logger.limits.limit import LimitSet
from logger.recording.fault_report import FaultReport
from replay.check import check_recording
from replay.recording import Recording
from tests.support.one_joint import one_joint_bench

S = 1_000_000_000
LAYOUT = """
[[frame]]
name = "state"
identifier = 0x10
length = 3
period_s = 0.01
checksum = { byte = 2, method = "sum" }
counter = { byte = 0, bits = 8 }
[[frame.value]]
channel = "voltage_V"
byte = 1
bits = 8
"""
BENCH = one_joint_bench(LAYOUT)


class _Emitted:
    """Takes events in place of the recording."""

    def __init__(self) -> None:
        self.events: list[tuple[EventKind, int, float]] = []

    def emit(self, kind: EventKind, *, time_ns: int, value: float, **_: object) -> None:
        self.events.append((kind, time_ns // S, value))


def _reported(seconds: list[int], batch_s: int) -> list[tuple[EventKind, int, float]]:
    """Return (kind, s, count) of the events about faults at whole seconds, taken in batches."""
    report, emitted = FaultReport(BENCH), _Emitted()
    until = max(seconds, default=0) + 1
    for start in range(0, until, batch_s):
        mine = [second for second in seconds if start <= second < start + batch_s]
        if mine:
            faults = FrameFaults(
                kind=EventKind.DAMAGED, joint="a", frame="state",
                time_ns=np.array(mine) * S, count=np.ones(len(mine), np.int64),
            )  # fmt: skip
            report.add_faults(faults, emitted)
        report.emit_due(min(start + batch_s, until) * S - 1, emitted)
    report.emit_due(until * S, emitted, is_end=True)
    return emitted.events


def test_the_first_at_once_and_then_once_a_minute():
    """Counts add up to the total."""
    found = _reported([5, 6, 7, 64, 70, 200], batch_s=1)
    kind = EventKind.DAMAGED
    assert found == [(kind, 5, 1), (kind, 65, 3), (kind, 125, 1), (kind, 200, 1)]


@given(st.lists(st.integers(0, 400), unique=True), st.sampled_from([7, 60, 500]))
def test_batches_of_any_size_report_the_same(seconds: list[int], batch_s: int):
    """The times of the frames decide, not when they were taken."""
    found = _reported(sorted(seconds), batch_s)
    assert found == _reported(sorted(seconds), 1)
    assert sum(count for *_, count in found) == len(seconds)


def test_a_recording_says_what_was_damaged_and_lost(tmp_path: Path):
    """Events, the check, and what was not decoded; every frame is stored."""
    rows = [
        (S + 10_000_000 * number, 0x10, 0, bytes([number, 7, number + 7 + (number in {20, 21})]))
        for number in range(100)
        if number not in {50, 51, 52, 70}
    ]
    frames = FrameBatch.from_rows(rows)
    made = import_frames([frames], bench=BENCH, limits=LimitSet(), out=tmp_path / "rec", name="t")
    assert made.rejected == {"checksum wrong": 2}
    recording = Recording.open(tmp_path / "rec")
    events = [
        (event.kind, event.value, event.joint, event.frame)
        for event in recording.read_events()
        if event.kind in {EventKind.DAMAGED, EventKind.SKIPPED}
    ]
    assert sorted(events) == [
        ("damaged frames", 1.0, "a", "state"),
        ("damaged frames", 1.0, "a", "state"),
        ("skipped frames", 1.0, "a", "state"),
        ("skipped frames", 3.0, "a", "state"),
    ]
    check = check_recording(recording)
    assert (check.damaged, check.skipped, check.dropped) == (2, 4, 0)
    assert not check.is_complete
    assert recording.row_count("frames") == 96
    assert recording.reading_count("a") == 94
