"""A plan that is followed: its cycles, stages and events, in any chunking and through a restart."""

from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.campaign.plan import parse_plan
from logger.event_kind import EventKind
from logger.joint.batch import ReadingBatch
from logger.limits.limit import LimitSet
from logger.recording.campaign_resume import recorded_campaign
from logger.recording.campaign_rows import CampaignRows
from logger.recording.event_log import EventLog
from logger.recording.pipeline import Pipeline
from logger.recording.resume import resume_point
from logger.store.layout.files import cycles_stream
from logger.store.layout.manifest import ClockAnchor, new_manifest
from logger.store.reading.reader import RecordingReader
from logger.store.writing.live_writer import RecordingWriter
from replay.campaign.read_cycles import read_cycles
from replay.recording import Recording
from tests.logger.campaign.pick_and_place import RATE_HZ, START_NS, S, course, readings
from tests.support.one_joint import one_joint_bench

LAYOUT = """
[[frame]]
name = "s"
identifier = 0x10
length = 8
[[frame.value]]
channel = "position_rad"
byte = 0
bits = 16
signed = true
scale = 0.001
[[frame.value]]
channel = "speed_rad_s"
byte = 2
bits = 16
signed = true
scale = 0.01
[[frame.value]]
channel = "torque_Nm"
byte = 4
bits = 16
signed = true
scale = 0.01
[[frame.value]]
channel = "temperature_housing_degC"
byte = 6
bits = 16
signed = true
scale = 0.1
"""
BENCH = one_joint_bench(LAYOUT)
PLAN = """
format = 1
name = "Gear endurance"
[[stage]]
name = "run in"
cycles = 10
[[stage]]
name = "load"
duration_s = 60
watch = ["rms_torque_Nm"]
[[stage]]
name = "until somebody says"
until = { note = "enough" }
[[stage]]
name = "last"
cycles = 1000
"""


def _rows(cycles: int = 60) -> ReadingBatch:
    """Return cycles with a stop of eight minutes within one, and turns that were lost."""
    moving = course("one peak", cycles)
    stop = round(41.6 * RATE_HZ * 4.0)
    position = np.concatenate([moving[:stop], np.full(24000, moving[stop]), moving[stop:]])
    segment = np.zeros(len(position), np.int32)
    lost = stop + 24000 + 905
    segment[lost:] = 1
    made = readings(np.where(segment > 0, position + 50.0, position), segment=segment)
    columns = {name: values for name, values in made.columns.items() if name != "current_A"}
    return ReadingBatch(joint="a", time_ns=made.time_ns, position_segment=segment, columns=columns)


ROWS = _rows()
END_NS = int(ROWS.time_ns[-1]) + S


def _record(path: Path, cuts: Sequence[int], *, restarts: Sequence[int] = ()) -> Recording:
    """Record the rows in batches that end at these places; at some of them the recorder ends."""
    plan = parse_plan(PLAN, "plan.toml")
    manifest = new_manifest(BENCH, name="made", started_ns=START_NS, plan=PLAN)
    writer = RecordingWriter(path, manifest, BENCH, now_s=0.0)
    events = EventLog(BENCH, writer)
    campaign = CampaignRows(plan, BENCH, start_ns=START_NS)
    pipeline = Pipeline(BENCH, LimitSet(), writer, events, start_ns=START_NS, campaign=campaign)
    for first, last in pairwise([0, *sorted({*cuts, *restarts}), len(ROWS)]):
        batch = ROWS.select_rows(slice(first, last))
        if not len(batch):
            continue
        now_ns = int(batch.time_ns[-1]) + 1
        pipeline.process_readings(batch, now_ns=now_ns)
        pipeline.record_seconds(now_ns)
        if last in restarts:
            pipeline.finish(now_ns)
            writer.close(ended_ns=now_ns, cause="test")
            start = resume_point(path)
            clock = ClockAnchor(boottime_ns=0, wall_ns=now_ns)
            writer = RecordingWriter.resume(path, BENCH, clock=clock, now_s=0.0)
            events = EventLog(BENCH, writer, start=start)
            campaign = CampaignRows(plan, BENCH, start_ns=now_ns, start=start.campaign)
            pipeline = Pipeline(
                BENCH, LimitSet(), writer, events, start_ns=now_ns, start=start, campaign=campaign
            )
            events.begin(now_ns)
    pipeline.finish(END_NS)
    writer.close(ended_ns=END_NS, cause="test")
    return Recording.open(path)


def _told(recording: Recording) -> list[tuple[str, str, float, int]]:
    kinds = {
        *(EventKind.STAGE_BEGUN, EventKind.STAGE_ENDED, EventKind.PLAN_DONE),
        *(EventKind.CYCLES_MISSING, EventKind.CYCLES_AGAIN, EventKind.DAY_OVER),
    }
    return [
        (str(event.kind), event.stage, event.value, event.time_ns - START_NS)
        for event in recording.read_events()
        if event.kind in kinds
    ]


def _assert_as_in_batch(recording: Recording) -> None:
    batch = read_cycles(recording, "a")
    stream = cycles_stream("a")
    table = recording.read_rows(stream, start_ns=0, end_ns=END_NS + 1)
    assert table["time"].cast("int64").to_pylist() == batch.end_ns.tolist()
    assert table["start"].cast("int64").to_pylist() == batch.start_ns.tolist()
    assert table["kind"].to_pylist() == [str(kind) for kind in batch.kinds]
    assert table["cycle"].to_pylist() == list(range(1, len(batch) + 1))
    for name, values in batch.figures.items():
        stored = table[name].fill_null(np.nan).to_numpy()
        assert np.allclose(stored, values, rtol=1e-12, atol=1e-12, equal_nan=True), name


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Recording:
    """Give the recording of one batch."""
    return _record(tmp_path_factory.mktemp("campaign") / "whole", [])


def test_the_stages_and_what_failed_to_come_are_events(whole: Recording):
    """Ten cycles, a minute, then a note that nobody writes; the joint stops for eight minutes."""
    told = _told(whole)
    assert [one[:2] for one in told] == [
        ("stage begun", "run in"),
        ("stage ended", "run in"),
        ("stage begun", "load"),
        ("stage ended", "load"),
        ("stage begun", "until somebody says"),
        ("cycles missing", "until somebody says"),
        ("cycles again", "until somebody says"),
    ]
    first = whole.read_rows(cycles_stream("a"), start_ns=0, end_ns=END_NS)
    tenth_ns = first["time"].cast("int64")[9].as_py() - START_NS
    assert told[1][2:] == (10.0, tenth_ns)
    assert told[3][2:] == (15.0, tenth_ns + 60 * S)
    assert told[5][3] == pytest.approx(41.6 * 4 * S + 300 * S, abs=4 * S)
    stages = first["stage"].to_pylist()
    assert stages == [*["run in"] * 10, *["load"] * 15, *["until somebody says"] * (59 - 25)]
    newest = whole.newest_row("progress")
    assert (newest["stage"], newest["cycles"], newest["stage_cycles"]) == (
        *("until somebody says", 59),
        59 - 25,
    )
    _assert_as_in_batch(whole)


@given(
    cuts=st.lists(st.integers(1, len(ROWS) - 1), max_size=12),
    restarts=st.lists(st.integers(1200, len(ROWS) - 1), max_size=2, unique=True),
)
@settings(
    max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_batches_of_any_size_and_restarts_give_the_same(
    tmp_path_factory: pytest.TempPathFactory,
    whole: Recording,
    cuts: list[int],
    restarts: list[int],
):
    """The table is that of `dutytrace cycles` afterwards, and the events are the same."""
    path = tmp_path_factory.mktemp("campaign") / "parts"
    recording = _record(path, cuts, restarts=restarts)
    _assert_as_in_batch(recording)
    assert _told(recording) == _told(whole)


def test_where_it_goes_on_is_read_back(whole: Recording):
    """The stage, the count, the rule: nothing but what is recorded is needed."""
    start = recorded_campaign(RecordingReader(whole.path))
    assert start is not None
    assert start.state is not None
    assert (start.state.stage, start.state.cycles, start.state.cycles_before) == (2, 59, 25)
    assert start.finder.number == 59
    assert start.finder.rule is not None
