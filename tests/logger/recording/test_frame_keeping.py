"""Raw frames that a plan lets go: stated first, gone last, and everything says so."""

from pathlib import Path

import pytest

from logger.campaign.plan import parse_plan
from logger.errors import InputError
from logger.event_kind import EventKind
from logger.importing.redecode import redecode_frames
from logger.joint.batch import FrameBatch
from logger.limits.limit import LimitSet, parse_limits
from logger.recording import frame_keeping
from logger.recording.event_log import EventLog
from logger.recording.frame_keeping import FrameKeeping
from logger.recording.pipeline import Pipeline
from logger.recording.resume import NEW_RECORDING, resume_point
from logger.simulate import scenario
from logger.store.layout.events import Event
from logger.store.layout.manifest import ClockAnchor, new_manifest, read_manifest
from logger.store.repair.recovery import seal
from logger.store.tools.cut import copy_span
from logger.store.writing.flush_policy import FlushPolicy
from logger.store.writing.journal_sealing import seal_journals
from logger.store.writing.live_writer import RecordingWriter
from replay.check import check_recording
from replay.recording import Recording
from tests.support.demo_drive import answer_id, health_answer
from tests.support.parts import parts_of, tick_into_parts

START_NS = 1_795_000_000_000_000_000
S = 1_000_000_000
STEP_NS = 600 * S
BENCH = scenario.scenario_bench(channel="x")
OF_A_STEP = FlushPolicy(first_part_s=1.0, max_part_s=1.0, seal=seal_journals)
PLAN = """
format = 1
name = "n"
joint = "shoulder"
keep = { frames_days = 0.0417 }
[[stage]]
name = "s"
duration_s = 1e6
"""
SILENT = """
format = 1
[[limit]]
name = "silent"
kind = "silence"
severity = "warning"
after_s = 300.0
"""


class _Recorder:
    """A recorder of one part every ten minutes, its clock turned by hand."""

    def __init__(self, path: Path) -> None:
        """Begin in a new folder, or go on in one that is there."""
        start = resume_point(path) if path.exists() else NEW_RECORDING
        if start.is_resume:
            clock = ClockAnchor(boottime_ns=0, wall_ns=start.newest_ns)
            self.store = RecordingWriter.resume(
                path, BENCH, clock=clock, now_s=0.0, flush_policy=OF_A_STEP
            )
        else:
            manifest = new_manifest(BENCH, name="t", started_ns=START_NS, plan=PLAN)
            self.store = RecordingWriter(path, manifest, BENCH, now_s=0.0, flush_policy=OF_A_STEP)
        rule = parse_plan(PLAN, "plan.toml").keep
        self.events = EventLog(BENCH, self.store, start=start, on_event=self._on_event)
        self.keeping = FrameKeeping(rule, self.store, self.events, raised=start.raised.values())
        self._pipeline = Pipeline(
            BENCH, LimitSet(), self.store, self.events, start_ns=START_NS, start=start
        )
        self.events.begin(start.newest_ns + 1 if start.is_resume else START_NS)
        self._ticks = 0

    def _on_event(self, event: Event) -> None:
        self.keeping.on_event(event)

    def record_steps(self, first: int, count: int, *, alerts: tuple[int, ...] = ()) -> None:
        """Record the first 50 s of so many steps; in some an alert is raised."""
        for step in range(first, first + count):
            at_ns = START_NS + step * STEP_NS
            rows = [
                (at_ns + second * S, answer_id(3), 0, health_answer(20 + second))
                for second in range(50)
            ]
            self._pipeline.process(FrameBatch.from_rows(rows), now_ns=at_ns + 50 * S)
            if step in alerts:
                self.events.emit(
                    EventKind.RAISED,
                    time_ns=at_ns + 30 * S,
                    joint="shoulder",
                    limit="hot",
                    alert=1,
                    duration_s=3.0,
                    text="hot",
                )
            self._ticks += 1
            tick_into_parts(self.store, 2.0 * self._ticks)
            self.look(at_ns + 60 * S)

    def look(self, time_ns: int) -> None:
        """Let go what is due: it is found on the disk's thread, and goes at the next turn."""
        for _ in range(2):
            self.keeping.do_due(time_ns)
            self.store._disk.wait()

    def end(self, step: int) -> Recording:
        """End it, and open what it recorded."""
        ended_ns = START_NS + step * STEP_NS
        self.events.end(ended_ns, cause="test")
        self.store.close(ended_ns=ended_ns, cause="test")
        return Recording.open(self.store.path)


def _steps_with_frames(path: Path) -> list[int]:
    return [(part.spans[0][0] - START_NS) // STEP_NS for part in parts_of(path, "frames")]


@pytest.fixture(scope="module")
def three_hours(tmp_path_factory: pytest.TempPathFactory) -> Recording:
    """Give 18 steps; the frames of six are kept, and an alert was raised in the fifth."""
    recorder = _Recorder(tmp_path_factory.mktemp("kept") / "rec")
    recorder.record_steps(0, 18, alerts=(5,))
    return recorder.end(18)


def test_older_frames_go_and_all_else_stays(three_hours: Recording):
    """The newest frames and those about the alert; every reading, and nothing counts as missing."""
    steps = _steps_with_frames(three_hours.path)
    assert steps == [4, 5, 6, *range(12, 18)], "15 min before and after the alert's onset"
    assert three_hours.reading_count("shoulder") == 18 * 50
    found = check_recording(three_hours)
    assert found.is_complete, found.missing
    assert [(one.first_row, one.end_row) for one in found.frames_let_go] == [
        (0, 4 * 50),
        (7 * 50, 12 * 50),
    ]
    told = [one for one in three_hours.read_events() if one.kind == EventKind.FRAMES_LET_GO]
    assert sum(event.whole_value for event in told) == 9 * 50
    assert three_hours.row_count("frames") == 9 * 50


def test_what_cannot_be_decoded_again_is_said(three_hours: Recording, tmp_path: Path):
    """The new recording has what there are frames of; where there are none no joint is silent."""
    limits = parse_limits(SILENT, "limits.toml")
    made = redecode_frames(three_hours.path, bench=BENCH, out=tmp_path / "again", limits=limits)
    assert len(made.notices) == 2
    assert made.readings["shoulder"] == 9 * 50
    again = Recording.open(tmp_path / "again")
    found = check_recording(again)
    assert found.is_complete, found.missing
    assert found.frames_let_go == three_hours.manifest.frames_let_go
    silent = [one.raised_ns for one in again.read_alerts() if one.joint == "shoulder"]
    let_go = again.manifest.frames_let_go
    assert silent, "50 s of each step were recorded"
    assert not [at for at in silent for span in let_go if span.from_ns < at < span.to_ns]


def test_a_cut_says_what_of_it_was_let_go(three_hours: Recording, tmp_path: Path):
    """Its rows have numbers of their own, so none of them is missing."""
    begin_ns = START_NS + 3 * STEP_NS
    cut = copy_span(
        three_hours.path, out=tmp_path / "cut", start_ns=begin_ns, end_ns=three_hours.end_ns
    )
    recording = Recording.open(cut.path)
    found = check_recording(recording)
    assert found.is_complete, found.missing
    assert found.frames_let_go[0].from_ns == begin_ns
    assert recording.row_count("frames") == three_hours.row_count("frames")


def test_a_crash_before_they_go_leaves_them_stated(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """recording.json has them first: killed in between, they go when it is resumed."""
    path = tmp_path / "rec"
    recorder = _Recorder(path)
    with monkeypatch.context() as patched:
        patched.setattr(frame_keeping, "remove_let_go", lambda _path: 0)
        recorder.record_steps(0, 10)
    recorder.store.abandon()
    seal(path)
    stated = read_manifest(path).frames_let_go
    assert stated
    assert _steps_with_frames(path)[0] == 0
    resumed = _Recorder(path)
    resumed.record_steps(10, 1)
    recording = resumed.end(11)
    assert _steps_with_frames(path)[0] * 50 >= stated[-1].end_row
    assert not [text for text in recording.describe_missing() if "frames: rows" in text]
    assert recording.reading_count("shoulder") == 11 * 50


def test_the_newest_frames_stay_whatever_their_age(tmp_path: Path):
    """Their numbers are gone on from: after a long pause none is given twice."""
    path = tmp_path / "rec"
    recorder = _Recorder(path)
    recorder.record_steps(0, 3)
    recorder.end(3)
    resumed = _Recorder(path)
    resumed.look(START_NS + 100 * STEP_NS)
    assert _steps_with_frames(path) == [2]
    resumed.record_steps(200, 1)
    recording = resumed.end(201)
    assert parts_of(path, "frames")[-1].first_row == 150
    assert check_recording(recording).is_complete


def test_what_cannot_be_removed_ends_no_recording(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """A file that somebody protects stays, stated, and goes with a later look."""
    recorder = _Recorder(tmp_path / "rec")
    recorder.record_steps(0, 3)
    with monkeypatch.context() as patched:

        def protected(_path: Path, **_options: object) -> None:
            raise PermissionError(1, "Operation not permitted")

        patched.setattr(Path, "unlink", protected)
        recorder.look(START_NS + 12 * STEP_NS)
    assert _steps_with_frames(recorder.store.path) == [0, 1, 2]
    recorder.look(START_NS + 13 * STEP_NS)
    recorder.end(14)
    assert _steps_with_frames(recorder.store.path) == [2]


def test_a_rule_that_lets_go_of_readings_is_refused():
    """Only raw frames can be let go, after a positive time."""
    for rule in ("readings_days = 90", "frames_days = 0", "frames_days = -1"):
        with pytest.raises(InputError, match="keep"):
            parse_plan(PLAN.replace("frames_days = 0.0417", rule), "plan.toml")
