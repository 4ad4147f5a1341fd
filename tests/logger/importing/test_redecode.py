"""Decoded again: what a right bench file would have given from the beginning."""

import shutil
import threading
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from logger.errors import InputError, OutsideFault
from logger.event_kind import EventKind
from logger.importing.import_frames import import_frames
from logger.importing.redecode import redecode_frames
from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import Bench, bench_from_texts
from logger.limits.limit import parse_limits
from logger.recording.event_log import EventLog
from logger.recording.pipeline import Pipeline
from logger.recording.recorder_health import BusHealth, RecorderHealth
from logger.recording.resume import resume_point
from logger.simulate import scenario
from logger.simulate.offline import simulate_frames
from logger.store.layout.manifest import ClockAnchor, new_manifest
from logger.store.parts.part import list_parts
from logger.store.reading.reader import RecordingReader
from logger.store.repair.keep_finding import keep_finding
from logger.store.repair.post_request import submit_request
from logger.store.writing.live_writer import RecordingWriter
from logger.traffic.per_second import BusSecond
from replay.recording import Recording
from tests.support.findings import play_finding
from tests.support.followed_plan import BENCH, Missing, Why, record_campaign, steady_rows
from tests.support.parts import forget_ids, parts_of

START_NS = 1_795_000_000_000_000_000
S = 1_000_000_000
RIGHT = scenario.scenario_bench(channel="x")
WRONG = bench_from_texts(
    RIGHT.text.replace("gear_ratio = 9.0", "gear_ratio = 90.0").replace("1.62", "16.2"),
    RIGHT.layout_texts,
    where="bench.toml",
)
LIMITS = parse_limits(scenario.scenario_limits_text(), "limits.toml")


IMAGE = """
[[limit]]
name = "image"
kind = "thermal"
severity = "warning"
channel = "current_A"
basic = 2.0
heating_s = 200.0
"""


def _made(path: Path, bench: Bench, batches=None) -> Recording:
    import_frames(
        simulate_frames(hours=0.1, rate_Hz=100.0, seed=3, start_ns=START_NS)
        if batches is None
        else batches,
        bench=bench,
        limits=LIMITS,
        out=path,
        name="t",
        start_ns=START_NS,
        end_ns=START_NS + 360 * S,
        note="first",
    )
    return Recording.open(path)


def _alike(one: Recording, other: Recording) -> None:
    assert one.joints == other.joints
    assert (one.start_ns, one.end_ns) == (other.start_ns, other.end_ns)
    for joint in one.joints:
        left = one.read_readings(joint, 0, 2**62)
        right = other.read_readings(joint, 0, 2**62)
        np.testing.assert_array_equal(left.time_ns, right.time_ns)
        np.testing.assert_array_equal(left.position_segment, right.position_segment)
        for channel in left.columns:
            np.testing.assert_array_equal(left.columns[channel], right.columns[channel])
        for channel in one.channels(joint):
            begin, end = START_NS // S * S, START_NS // S * S + 300 * S
            left_s, right_s = (
                recording.read_buckets(joint, channel, begin, end) for recording in (one, other)
            )
            np.testing.assert_allclose(left_s.mean, right_s.mean, rtol=1e-12)

    def said(recording: Recording) -> list[tuple[object, ...]]:
        return sorted(
            (event.time_ns, event.kind, event.joint, event.limit, event.text, event.who)
            for event in recording.read_events()
            # What the recorder watches about itself is looked at once a batch.
            if not (event.kind in {"raised", "returned"} and event.joint == "")
        )

    assert said(one) == said(other)


def test_a_wrong_scale_corrected_is_a_right_bench(tmp_path: Path):
    """Readings, overview and alerts are those that the right bench file would have given."""
    wrong = _made(tmp_path / "wrong", WRONG)
    right = _made(tmp_path / "right", RIGHT)
    shares: list[float] = []
    made = redecode_frames(wrong.path, bench=RIGHT, out=tmp_path / "again", progress=shares.append)
    again = Recording.open(tmp_path / "again")
    assert not np.array_equal(
        wrong.read_readings("shoulder", 0, 2**62).columns["torque_Nm"],
        again.read_readings("shoulder", 0, 2**62).columns["torque_Nm"],
        equal_nan=True,
    )
    _alike(again, right)
    assert again.bench.text.strip() == RIGHT.text.strip()
    assert not again.describe_missing()
    assert made.frames == again.row_count("frames") == wrong.row_count("frames")
    assert made.readings == {joint: again.reading_count(joint) for joint in again.joints}
    assert shares[-1] == 1.0
    for one, other in zip(
        parts_of(wrong.path, "frames"), parts_of(again.path, "frames"), strict=True
    ):
        assert other.verify_part() == "", "it says that it is of the new recording"
        old_content, new_content = one.path.read_bytes(), other.path.read_bytes()
        footer = one.footer.serialized_size + 8
        assert len(old_content) == len(new_content)
        assert old_content[:-footer] == new_content[:-footer]


def test_a_joint_that_the_old_bench_lacked(tmp_path: Path):
    """Its frames were always there; now they are read."""
    text = RIGHT.text[: RIGHT.text.rindex("[[joint]]")]
    alone = bench_from_texts(text, RIGHT.layout_texts, where="bench.toml")
    old = _made(tmp_path / "old", alone)
    assert old.joints == ("shoulder",)
    redecode_frames(old.path, bench=RIGHT, out=tmp_path / "again")
    _alike(Recording.open(tmp_path / "again"), _made(tmp_path / "right", RIGHT))


def test_what_people_said_stays(tmp_path: Path):
    """Notes and findings, before and after the end; deeds on alerts do not stay."""
    old = _made(tmp_path / "old", RIGHT)
    submit_request(old.path, kind="note", text="smelt warm", who="h")
    submit_request(old.path, kind="acknowledge", alert=1, who="h")
    found = keep_finding(old.path, play_finding(old, joint="elbow"))
    redecode_frames(old.path, bench=RIGHT, out=tmp_path / "again")
    again = Recording.open(tmp_path / "again")
    assert again.read_findings().findings == (found,), "as it was made"
    events = again.read_events()
    assert [event.joint for event in events if event.kind == "finding kept"] == ["elbow"]
    notes = {event.text: event for event in events if event.kind == "note"}
    assert set(notes) == {"first", "smelt warm"}
    assert notes["smelt warm"].who == "h"
    assert notes["smelt warm"].time_ns == next(
        event.time_ns
        for event in Recording.open(old.path).read_events()
        if event.text == "smelt warm"
    )
    assert "acknowledged" not in {event.kind for event in events}
    assert [event.sequence for event in events] == list(range(len(events)))


def test_a_recording_that_was_gone_on_with(tmp_path: Path):
    """Segments, alerts and losses of a recording with a pause come out as they were recorded.

    A thermal image that stood above its limit still does, less what it cooled by in the pause.
    """
    limits = parse_limits(LIMITS.text + IMAGE, "limits.toml")
    made = FrameBatch.concatenate(
        list(simulate_frames(hours=0.05, rate_Hz=50.0, seed=3, start_ns=START_NS))
    )
    made = made.select_rows(
        (made.time_ns < START_NS + 60 * S) | (made.time_ns >= START_NS + 90 * S)
    )
    path = tmp_path / "old"

    def fared() -> RecorderHealth:
        second = BusSecond(frames_per_s=7.0, load=0.25, error_frames=1, remote_frames=2)
        bus = BusHealth(second=second, lost=3, garbled=4)
        return RecorderHealth(buses=(bus,), disk_left_h=5.0)

    def feed(pipeline: Pipeline, writer, low_ns: int, high_ns: int) -> None:
        part = made.select_rows((made.time_ns >= low_ns) & (made.time_ns < high_ns))
        edges = [*range(0, len(part), 300), len(part)]
        for low, high in pairwise(edges):
            batch = part.select_rows(slice(low, high))
            pipeline.process(batch, now_ns=int(batch.time_ns[-1]))
            pipeline.record_seconds(int(batch.time_ns[-1]), fared())
        pipeline.process(FrameBatch.empty(), now_ns=high_ns)
        pipeline.record_seconds(high_ns, fared())

    manifest = new_manifest(RIGHT, name="t", started_ns=START_NS, limits=limits)
    writer = RecordingWriter(path, manifest, RIGHT, now_s=0.0)
    events = EventLog(RIGHT, writer)
    pipeline = Pipeline(RIGHT, limits, writer, events, start_ns=START_NS)
    events.begin(START_NS)
    feed(pipeline, writer, START_NS, START_NS + 30 * S)
    pipeline.emit_frame_loss(
        12, since_ns=START_NS + 29 * S, time_ns=START_NS + 30 * S, bus=0, cause="full"
    )
    feed(pipeline, writer, START_NS + 30 * S, START_NS + 60 * S)
    events.emit(EventKind.ENDED, time_ns=START_NS + 60 * S, text="Recording ended: first.")
    writer.close(ended_ns=START_NS + 60 * S, cause="stopped")

    start = resume_point(path)
    clock = ClockAnchor(boottime_ns=1, wall_ns=START_NS + 90 * S)
    writer = RecordingWriter.resume(path, RIGHT, clock=clock, now_s=0.0)
    events = EventLog(RIGHT, writer, start=start)
    pipeline = Pipeline(RIGHT, limits, writer, events, start_ns=START_NS + 90 * S, start=start)
    events.begin(START_NS + 90 * S)
    feed(pipeline, writer, START_NS + 90 * S, START_NS + 170 * S)
    events.emit(EventKind.ENDED, time_ns=START_NS + 170 * S, text="Recording ended: second.")
    writer.close(ended_ns=START_NS + 170 * S, cause="stopped")

    redecode_frames(path, bench=RIGHT, out=tmp_path / "again")
    old, again = Recording.open(path), Recording.open(tmp_path / "again")
    assert again.manifest.resumed == (clock,)
    batch = again.read_readings("elbow", 0, 2**62)
    assert set(batch.position_segment.tolist()) == {-1, 0, 1}
    _alike(again, old)
    # Their numbers are shared with the recorder's own, which are looked for once a batch.
    mine, theirs = (
        [replace(alert, number=0) for alert in one.read_alerts() if alert.joint]
        for one in (again, old)
    )
    assert mine == theirs
    assert [alert.limit for alert in again.read_alerts() if not alert.joint] == ["frames-lost"]
    (image,) = [
        one for one in again.read_alerts() if (one.limit, one.joint) == ("image", "shoulder")
    ]
    assert image.returned_ns is None
    reader = RecordingReader(tmp_path / "again")
    health = reader.read_rows("health", start_ns=0, end_ns=2**62).to_pylist()
    assert {(row["bus_load"], row["disk_left_h"]) for row in health[1:]} == {(0.25, 5.0)}
    assert health[-1]["dropped"] == 12
    buses = reader.read_rows("buses", start_ns=0, end_ns=2**62).to_pylist()
    assert {(row["lost"], row["garbled"], row["error_frames"]) for row in buses} == {(3, 4, 1)}


def test_frames_from_before_there_were_several_buses(tmp_path: Path):
    """Old parts without the bus are of the first one, and are written anew."""
    old = _made(tmp_path / "old", WRONG)
    forget_ids(old.path)
    for part in list_parts(old.path / "frames"):
        table = pq.read_table(part.path)
        pq.write_table(table.drop_columns(["bus"]), part.path)
    redecode_frames(old.path, bench=RIGHT, out=tmp_path / "again")
    again = Recording.open(tmp_path / "again")
    _alike(again, _made(tmp_path / "right", RIGHT))
    table = RecordingReader(again.path).read_rows("frames", start_ns=0, end_ns=2**62)
    assert pa.compute.max(table["bus"]).as_py() == 0
    assert table.num_rows == RecordingReader(old.path).row_count("frames")


def test_what_cannot_be_decoded_again(tmp_path: Path):
    """Being written, not closed, damaged, other buses, limits that do not fit, a target."""
    old = _made(tmp_path / "old", RIGHT)
    out = tmp_path / "again"
    with pytest.raises(InputError, match="no such recording"):
        redecode_frames(tmp_path / "none", bench=RIGHT, out=out)
    with pytest.raises(InputError, match="already exists"):
        redecode_frames(old.path, bench=RIGHT, out=old.path)
    strange = parse_limits(scenario.scenario_limits_text() + 'joint = "wrist"\n', "limits.toml")
    with pytest.raises(InputError, match="'wrist'"):
        redecode_frames(old.path, bench=RIGHT, out=out, limits=strange)
    writer = RecordingWriter(
        tmp_path / "live", new_manifest(RIGHT, name="t", started_ns=START_NS), RIGHT, now_s=0.0
    )
    with pytest.raises(InputError, match="is writing this recording"):
        redecode_frames(tmp_path / "live", bench=RIGHT, out=out)
    writer.abandon()
    with pytest.raises(InputError, match="dutytrace seal"):
        redecode_frames(tmp_path / "live", bench=RIGHT, out=out)
    part = list_parts(old.path / "frames")[0]
    content = bytearray(part.path.read_bytes())
    content[2000:3000] = bytes(1000)
    part.path.write_bytes(content)
    with pytest.raises(InputError, match="damaged"):
        redecode_frames(old.path, bench=RIGHT, out=out)
    part.path.write_bytes(content[:-20])
    with pytest.raises(InputError, match="damaged"):
        redecode_frames(old.path, bench=RIGHT, out=out)
    shutil.rmtree(old.path)
    shutil.rmtree(tmp_path / "live")
    assert list(tmp_path.iterdir()) == []


def test_stopped_it_leaves_nothing(tmp_path: Path):
    """Interrupted: the old recording as it was, and nothing else."""
    old = _made(tmp_path / "old", RIGHT)
    stop = threading.Event()
    with pytest.raises(OutsideFault, match="nothing was left behind"):
        redecode_frames(
            old.path, bench=RIGHT, out=tmp_path / "again", progress=lambda _: stop.set(), stop=stop
        )
    assert [one.name for one in tmp_path.iterdir()] == ["old"]
    assert not Recording.open(old.path).describe_missing()


def test_cycles_are_those_that_were_recorded_with_what_breaks_hid_of_them(tmp_path: Path):
    """A standstill is known before the frames that were kept of it, although its event ends it."""
    missing = [
        # A cycle ends within the span, and before the plan is looked at, within it as well.
        *(Missing(row=row, why=Why.STANDSTILL, kept=60) for row in (1470, 2470)),
        Missing(row=1950, count=9, why=Why.LOST),
        Missing(row=2150, count=9, why=Why.KILLED),
    ]
    old = record_campaign(tmp_path / "r", [], missing=missing, rows=steady_rows(20), as_frames=True)
    redecode_frames(old.path, bench=BENCH, out=tmp_path / "again")
    columns = ["start", "time", "cycle", "kind", "missing_s"]
    was, now = (
        Recording.open(tmp_path / name).read_rows(
            "cycles/joint=a", start_ns=0, end_ns=2**62, columns=columns
        )
        for name in ("r", "again")
    )
    assert sum(value > 0.0 for value in was["missing_s"].to_pylist()) >= 4
    assert now.equals(was)
