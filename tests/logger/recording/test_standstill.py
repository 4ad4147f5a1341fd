"""A recorder that was paused: told, counted, not held against the joints; live as afterwards."""

import math
import signal
import time
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from logger.arrays import to_ns
from logger.event_kind import EventKind
from logger.importing.redecode import redecode_frames
from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import bench_from_texts
from logger.limits.limit import parse_limits
from logger.recording.event_log import EventLog
from logger.recording.pipeline import Pipeline
from logger.simulate.line_protocol import CanFrame
from logger.store.layout.manifest import new_manifest
from logger.store.writing.live_writer import RecordingWriter
from replay.bus_events import find_outages
from replay.check import check_recording
from replay.evaluation.full_evaluation import evaluate_rows
from replay.excursions.over_rows import find_excursions
from replay.recording import Recording
from tests.support.adapter import Adapter
from tests.support.command import run
from tests.support.demo_drive import answer_id, health_answer

S = 1_000_000_000
MS = 1_000_000
START_NS = 1_795_000_000 * S
LAYOUT = """
format = 1
name = "talks"
[[frame]]
name = "motion"
identifier = "0x200 + node"
length = 1
period_s = 0.1
[[frame.value]]
channel = "temperature_housing_degC"
byte = 0
bits = 8
"""
BENCH = """
[[bus]]
name = "left"
interface = "virtual"
channel = "left"
[[bus]]
name = "right"
interface = "virtual"
channel = "right"
[[joint]]
name = "a"
bus = "left"
layout = "talks"
node = 1
[[joint]]
name = "b"
bus = "right"
layout = "talks"
node = 2
"""
LIMITS = """
format = 1
[[limit]]
name = "silent"
kind = "silence"
severity = "warning"
after_s = 0.5
[[limit]]
name = "warm"
kind = "level"
severity = "warning"
channel = "temperature_housing_degC"
above = 50.0
on_delay_s = 0.5
"""


def _frames() -> FrameBatch:
    """Ten seconds of both joints; from 4 s to 7 s bus 0 was not read, and 1 s of it was kept.

    Joint b is silent from 2 s to 3 s by itself. Both are warm from 3.8 s on.
    """
    rows = []
    for step in range(100):
        at_ns = START_NS + step * S // 10
        celsius = bytes([60 if step >= 38 else 20])
        if not 50 <= step < 70:
            rows.append((at_ns, 0x201, 0, celsius, 0))
        if not 20 < step < 30:
            rows.append((at_ns + 1, 0x202, 0, celsius, 1))
    batches = [
        FrameBatch.from_rows([(at_ns, identifier, flags, data)], bus=bus)
        for at_ns, identifier, flags, data, bus in rows
    ]
    return FrameBatch.concatenate(batches)


@pytest.mark.parametrize("cuts_s", [(), (4.0, 5.5, 7.0), tuple(np.arange(0.05, 10.0, 0.05))])
def test_a_standstill_is_no_silence_of_a_joint(tmp_path: Path, cuts_s: tuple[float, ...]):
    """In any chunking: only b's own silence is told; afterwards and decoded again likewise."""
    bench = bench_from_texts(BENCH, {"talks": LAYOUT}, where="bench.toml")
    limits = parse_limits(LIMITS, "limits.toml")
    path = tmp_path / "rec"
    store = RecordingWriter(
        path, new_manifest(bench, name="t", started_ns=START_NS, limits=limits), bench, now_s=0.0
    )
    events = EventLog(bench, store)
    pipeline = Pipeline(bench, limits, store, events, start_ns=START_NS)
    events.begin(START_NS)
    frames = _frames()
    stood_ns = (START_NS + 4 * S, START_NS + 7 * S)
    ends_ns = [START_NS, *(START_NS + round(cut_s * S) for cut_s in cuts_s), START_NS + 10 * S]
    for begin_ns, end_ns in pairwise(ends_ns):
        if begin_ns <= stood_ns[0] < end_ns:
            pipeline.note_standstill(*stood_ns, bus=0)
            events.emit(
                EventKind.STANDSTILL, time_ns=stood_ns[1], bus=0, duration_s=3.0, text="It stood."
            )
        rows = slice(*np.searchsorted(frames.time_ns, [begin_ns, end_ns]).tolist())
        pipeline.process(frames.select_rows(rows), now_ns=end_ns)
    events.end(START_NS + 10 * S, cause="stopped")
    store.close(ended_ns=START_NS + 10 * S, cause="stopped")
    recording = Recording.open(path)
    raised = [
        (event.joint, event.limit, event.time_ns)
        for event in recording.read_events()
        if event.kind == EventKind.RAISED
    ]
    assert [(joint, limit) for joint, limit, _ in raised if limit == "silent"] == [("b", "silent")]
    # A gap restarts a running delay, as any gap does; joint b had none.
    assert {joint: at_ns - START_NS for joint, limit, at_ns in raised if limit == "warm"} == {
        "a": 4300 * MS, "b": 4300 * MS + 1,
    }  # fmt: skip
    found = find_excursions(recording)
    assert sorted(raised) == sorted((one.joint, one.limit, one.start_ns) for one in found)
    for joint in ("a", "b"):
        evaluated = evaluate_rows(recording, joint, limits.limits)
        assert sorted(
            at_ns for alerts in evaluated for at_ns in alerts.raised_ns.tolist()
        ) == sorted(at_ns for name, _, at_ns in raised if name == joint)
    redecode_frames(path, bench=bench, out=tmp_path / "again")
    again = Recording.open(tmp_path / "again")
    assert sorted(
        (event.joint, event.limit, event.time_ns)
        for event in again.read_events()
        if event.kind == EventKind.RAISED
    ) == sorted(raised)
    checked = check_recording(again)
    assert (checked.standstills, checked.longest_standstill_s, checked.unknown_losses) == (1, 3, 1)
    assert not checked.is_complete
    assert {gap.cause for gap in checked.gaps if gap.joint == "a"} == {"the recorder stood still"}
    assert [(one.bus, one.start_ns, one.end_ns) for one in find_outages(again)] == [(0, *stood_ns)]


def test_a_recorder_that_is_paused_says_so(bench, until):
    """Stopped as by a debugger for a second and a half: an event, a loss, no silence of joints."""
    bench.limits.write_text(LIMITS.replace("50.0", "150.0"), encoding="utf-8")

    def talk() -> list[CanFrame]:
        return [CanFrame(identifier=answer_id(node), data=health_answer(30)) for node in (3, 4)]

    with Adapter(bench.line, talk=talk, every_s=0.002):
        process, path = bench.logger()
        until(lambda: Recording.open(path).newest_ns("elbow") is not None, "the joints are heard")
        process.send_signal(signal.SIGSTOP)
        time.sleep(1.5)
        process.send_signal(signal.SIGCONT)
        resumed_ns = time.time_ns()
        until(
            lambda: (Recording.open(path).newest_ns("elbow") or 0) > resumed_ns + S // 5,
            "the joints are heard again",
        )
        process.send_signal(signal.SIGTERM)
        assert process.wait(30) == 0
    recording = Recording.open(path)
    events = recording.read_events()
    stood = [event for event in events if event.kind == EventKind.STANDSTILL]
    longest = max(stood, key=lambda event: event.duration_s)
    assert longest.duration_s > 1.3
    assert longest.bus == 0
    assert math.isnan(longest.value)
    assert abs(longest.time_ns - resumed_ns) < 2 * S
    # On a machine that is busy beside it there may be silences; none is told of the standstill.
    raised_ns = [event.time_ns for event in events if event.kind == EventKind.RAISED]
    begun_ns = longest.time_ns - to_ns(longest.duration_s)
    assert not [at_ns for at_ns in raised_ns if begun_ns < at_ns <= longest.time_ns]
    checked = check_recording(recording)
    assert not checked.is_complete
    assert checked.longest_standstill_s == longest.duration_s
    covering = [gap for gap in checked.gaps if gap.duration_s > 1.3]
    assert {gap.joint for gap in covering} == {"shoulder", "elbow"}
    assert {gap.cause for gap in covering} == {"the recorder stood still"}
    shown = run("check", str(path))
    assert shown.returncode == 1, shown.stdout + shown.stderr
    assert "an unknown number lost" in shown.stdout
    assert "the recorder stood still" in shown.stdout
