"""Turns that are lost and found: told live, after a resume and afterwards alike."""

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from dashboard.figures.annotations import note_lines
from logger.event_kind import EventKind
from logger.importing.redecode import redecode_frames
from logger.joint.batch import FrameBatch
from logger.limits.limit import LimitSet
from logger.recording.event_log import EventLog
from logger.recording.pipeline import Pipeline
from logger.recording.resume import NEW_RECORDING, ResumePoint, resume_point
from logger.store.layout.manifest import ClockAnchor, new_manifest
from logger.store.writing.live_writer import RecordingWriter
from replay.check import check_recording
from replay.cli import _check_lines
from replay.recording import Recording
from tests.support.turning_joint import TURN_RAD, TurningJoint, turning_bench

S = 1_000_000_000
START_NS = 1_795_000_000 * S
TARGETS = [0.0, 3.3, 1.1, 5.7, 2.2, 4.4]
JOINT = TurningJoint(targets=[*TARGETS, *TARGETS], rest_s=1.5)


def _record(path: Path, frames: FrameBatch, *, bench_settings: str, split_s: float | None) -> None:
    """Record them in batches of 50 ms; from `split_s` on by a recorder that resumes."""
    bench = turning_bench(bench_settings)
    end_ns = int(frames.time_ns[-1]) + 1
    split_ns = end_ns if split_s is None else START_NS + round(split_s * S)
    for since_ns, until_ns in ((START_NS, split_ns), (split_ns, end_ns)):
        part = frames.select_rows((frames.time_ns >= since_ns) & (frames.time_ns < until_ns))
        if not len(part):
            continue
        start: ResumePoint = NEW_RECORDING
        begin_ns = since_ns
        if since_ns == START_NS:
            manifest = new_manifest(bench, name="t", started_ns=START_NS, limits=LimitSet())
            writer = RecordingWriter(path, manifest, bench, now_s=0.0)
            ended_ns = int(part.time_ns[-1]) + 1
        else:
            start = resume_point(path)
            begin_ns, ended_ns = int(part.time_ns[0]), until_ns
            clock = ClockAnchor(boottime_ns=1, wall_ns=begin_ns)
            writer = RecordingWriter.resume(path, bench, clock=clock, now_s=0.0)
        events = EventLog(bench, writer, start=start)
        pipeline = Pipeline(bench, LimitSet(), writer, events, start_ns=begin_ns, start=start)
        events.begin(begin_ns)
        for low, high in pairwise([*range(0, len(part), 6), len(part)]):
            batch = part.select_rows(slice(low, high))
            pipeline.process(batch, now_ns=int(batch.time_ns[-1]))
        pipeline.process(FrameBatch.empty(), now_ns=ended_ns)
        events.emit(EventKind.ENDED, time_ns=ended_ns, text="Recording ended: stopped.")
        writer.close(ended_ns=ended_ns, cause="stopped")


def _positions(recording: Recording) -> list[tuple[str, int, str]]:
    return [
        (str(event.kind), event.time_ns, event.anchor)
        for event in recording.read_events()
        if event.kind in {EventKind.POSITION_LOST, EventKind.POSITION_FOUND}
    ]


@pytest.mark.parametrize("split_s", [None, 16.3, 17.0])
def test_lost_and_found_live_and_afterwards(tmp_path: Path, split_s: float | None):
    """In a gap at rest, in one within a move, and over a recorder that ended and went on."""
    gaps = [(4.0, 4.5), (5.3, 5.9)]
    if split_s is not None:
        gaps.append((split_s - 0.8, split_s))
    frames = JOINT.frames(gaps)
    path, settings = tmp_path / "rec", "turns_found_within_s = 60"
    _record(path, frames, bench_settings=settings, split_s=split_s)
    redecode_frames(path, bench=turning_bench(settings), out=tmp_path / "again")
    live, again = Recording.open(path), Recording.open(tmp_path / "again")
    positions = _positions(live)
    assert _positions(again) == positions
    found = [anchor for kind, _, anchor in positions if kind == "position found"]
    assert found[:2] == ["standstill", "set-points"]
    assert len(found) == (2 if split_s is None else 3)
    one, other = (recording.read_readings("a", 0, 2**62) for recording in (live, again))
    np.testing.assert_array_equal(one.position_segment, other.position_segment)
    for channel, values in one.columns.items():
        np.testing.assert_array_equal(values, other.columns[channel], err_msg=channel)
    # Behind all of it the position is what it would have been without a gap.
    truth = JOINT.turns((int(frames.time_ns[-1]) - START_NS) / S) - JOINT.turns(0.0)
    counted = one.columns["position_rad"][one.position_segment >= 0]
    assert (counted[-1] - counted[0]) / TURN_RAD == pytest.approx(truth, abs=0.01)


def test_a_pause_in_which_it_may_have_been_switched_off(tmp_path: Path):
    """A recorder that was away for longer than that finds nothing again: a segment of its own."""
    _record(tmp_path / "rec", JOINT.frames([(12.0, 16.3)]), bench_settings="", split_s=16.3)
    assert _positions(Recording.open(tmp_path / "rec")) == []
    batch = Recording.open(tmp_path / "rec").read_readings("a", 0, 2**62)
    assert set(batch.position_segment.tolist()) == {-1, 0, 1}


def test_how_it_was_found_is_told(tmp_path: Path):
    """`check` counts and says by what, Replay marks where, the event has it in a column."""
    _record(
        tmp_path / "rec", JOINT.frames([(4.0, 4.5), (5.3, 5.9)]), bench_settings="", split_s=None
    )
    recording = Recording.open(tmp_path / "rec")
    found = check_recording(recording)
    assert found.to_json()["positions"] == [
        {"joint": "a", "lost": 2, "found": {"standstill": 1, "set-points": 1}}
    ]
    assert (
        "  a: position lost 2 times, found again 2 times (1 because it stood still at its "
        "set-point, 1 because it follows its set-points as before)"
    ) in list(_check_lines(found, "rec", {"a": "a"}))
    notes = [note.text for note in note_lines(recording.read_events(), START_NS)]
    assert notes == [
        "a position restarts",
        "a position found again: it stood still at its set-point",
        "a position restarts",
        "a position found again: it follows its set-points as before",
    ]
    events = recording.read_events()
    later = [replace(event, anchor="a later way") for event in events if event.anchor]
    assert note_lines(later, START_NS)[0].text == "a position found again: a later way"
    never = replace(found.positions[0], found={})
    assert never.describe() == "a: position lost 2 times, not found again"
