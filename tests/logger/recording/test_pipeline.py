"""Frames in, rows and events out: what is said of a position that was lost."""

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from logger.importing.import_frames import import_frames
from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import bench_from_texts
from logger.joint.decode.decode import DecodeState, decode, decode_plan
from logger.limits.limit import LimitSet
from logger.recording.event_log import EventLog
from logger.recording.pipeline import Pipeline
from logger.simulate import scenario
from logger.simulate.offline import simulate_frames
from logger.store.layout.files import derived_stream
from logger.store.layout.manifest import new_manifest
from logger.store.reading.reader import RecordingReader
from logger.store.writing.live_writer import RecordingWriter
from replay.check import check_recording
from replay.recording import Recording
from replay.statistics import span_statistics
from replay.window import read_polyline

START_NS = 1_795_000_000_000_000_000
S = 1_000_000_000
FULL = "the receive buffer was full."


def test_a_lost_position_is_said_and_breaks_the_line(tmp_path: Path):
    """A silence over which turns cannot be known: an event, a new segment, a break in the trace.

    Once it has come to rest at two set-points they are known again, and its position with them.
    """
    made = FrameBatch.concatenate(
        list(simulate_frames(hours=1 / 120, rate_Hz=100.0, seed=1, start_ns=START_NS))
    )
    at_s = (made.time_ns - START_NS) * 1e-9
    cut = made.select_rows(~((at_s >= 10.0) & (at_s < 10.6)))
    import_frames(
        [cut.select_rows(slice(0, 2000)), cut.select_rows(slice(2000, None))],
        bench=scenario.scenario_bench(channel="x"),
        limits=LimitSet(),
        out=tmp_path / "rec",
        name="t",
        start_ns=START_NS,
        end_ns=START_NS + 30 * S,
    )
    recording = Recording.open(tmp_path / "rec")
    lost = [event for event in recording.read_events() if event.kind == "position lost"]
    assert {event.joint for event in lost} == {"shoulder", "elbow"}
    assert all(0.55 < event.duration_s < 0.7 for event in lost)
    batch = recording.read_readings("elbow", START_NS, START_NS + 30 * S)
    assert set(batch.position_segment[batch.position_segment >= 0].tolist()) == {0, 1, 2}
    found = [event for event in recording.read_events() if event.kind == "position found"]
    assert {(event.joint, event.anchor) for event in found} == {
        ("shoulder", "set-points"), ("elbow", "set-points"),
    }  # fmt: skip
    whole, _ = decode(decode_plan(recording.bench), DecodeState(), made)
    again = batch.position_segment == 2
    at_all = np.isin(whole.readings[1].time_ns, batch.time_ns[again])
    np.testing.assert_allclose(
        batch.columns["position_rad"][again], whole.readings[1].columns["position_rad"][at_all]
    )
    x, y = read_polyline(recording, "elbow", "position_rad", START_NS, START_NS + 30 * S, bins=4000)
    assert np.isnan(y[(x > START_NS + 9 * S) & (x < START_NS + 11 * S)]).sum() == 1


def test_rms_of_the_last_minute_is_of_the_whole_minute(tmp_path: Path):
    """Fed as live, fifty batches a second: the derived RMS is that of the minute in replay."""
    made = FrameBatch.concatenate(
        list(simulate_frames(hours=1 / 40, rate_Hz=100.0, seed=1, start_ns=START_NS))
    )
    edges = START_NS + np.arange(0, 90 * S, S // 50)
    places = [*np.searchsorted(made.time_ns, edges).tolist(), len(made)]
    import_frames(
        (made.select_rows(slice(low, high)) for low, high in pairwise(places)),
        bench=scenario.scenario_bench(channel="x"),
        limits=LimitSet(),
        out=tmp_path / "rec",
        name="t",
        start_ns=START_NS,
        end_ns=START_NS + 90 * S,
    )
    recording = Recording.open(tmp_path / "rec")
    table = RecordingReader(tmp_path / "rec").read_rows(
        derived_stream("shoulder"), start_ns=0, end_ns=2**62
    )
    times = table["time"].cast("int64").to_numpy()
    assert len(times) >= 89
    assert (np.diff(times) == S).all()
    for row in (30, 59, 70, 85):
        at_ns = int(times[row])
        since_ns = max(at_ns - 60 * S, START_NS)
        expected = span_statistics(recording, "shoulder", "torque_Nm", since_ns, at_ns).rms
        assert table["torque_rms_60s_Nm"][row].as_py() == pytest.approx(expected, rel=2e-3)


def test_lost_frames_are_events_a_figure_and_an_alert(tmp_path: Path):
    """Each loss with its count, the sum every second, and one warning of the recorder's own."""
    bench = scenario.scenario_bench(channel="x")
    writer = RecordingWriter(
        tmp_path / "rec", new_manifest(bench, name="lost", started_ns=START_NS), bench, now_s=0.0
    )
    events = EventLog(bench, writer)
    pipeline = Pipeline(bench, LimitSet(), writer, events, start_ns=START_NS)
    events.begin(START_NS)
    pipeline.emit_frame_loss(7, since_ns=START_NS, time_ns=START_NS + 1, bus=0, cause=FULL)
    pipeline.process(FrameBatch.empty(), now_ns=START_NS + 2 * S)
    pipeline.record_seconds(START_NS + 2 * S)
    pipeline.emit_frame_loss(1, since_ns=START_NS + S, time_ns=START_NS + 2 * S, bus=0, cause=FULL)
    pipeline.process(FrameBatch.empty(), now_ns=START_NS + 3 * S)
    pipeline.record_seconds(START_NS + 3 * S)
    writer.close(ended_ns=START_NS + 4 * S, cause="done")
    recording = Recording.open(tmp_path / "rec")
    lost = [event for event in recording.read_events() if event.kind == "dropped"]
    assert [(event.value, event.bus) for event in lost] == [(7.0, 0), (1.0, 0)]
    assert lost[1].text == "1 frame was lost on the bus x: the receive buffer was full."
    (alert,) = recording.read_alerts()
    assert (alert.limit, alert.joint, alert.severity) == ("frames-lost", "", "warning")
    assert recording.latest_health().dropped == 8
    found = check_recording(recording)
    assert (found.dropped, found.is_complete) == (8, False)


def test_a_value_that_no_joint_can_have_is_told_once_with_its_frame(tmp_path: Path):
    """The sentence names channel, value, range and frame; the value is kept."""
    bench = bench_from_texts(
        '[bus]\ninterface = "virtual"\n[[joint]]\nname = "a"\nlayout = "l"\n',
        {
            "l": 'format = 1\nname = "l"\n[[frame]]\nname = "s"\nidentifier = 0x281\nlength = 2\n'
            '[[frame.value]]\nchannel = "temperature_housing_degC"\nbyte = 0\nbits = 16\n'
        },
        where="bench.toml",
    )
    writer = RecordingWriter(
        tmp_path / "rec", new_manifest(bench, name="odd", started_ns=START_NS), bench, now_s=0.0
    )
    events = EventLog(bench, writer)
    pipeline = Pipeline(bench, LimitSet(), writer, events, start_ns=START_NS)
    for turn in range(3):
        rows = [(START_NS + turn * S + n, 0x281, 0, bytes([n, 4])) for n in range(3)]
        pipeline.process(FrameBatch.from_rows(rows), now_ns=START_NS + turn * S + 3)
        pipeline.record_seconds(START_NS + turn * S + 3)
    writer.close(ended_ns=START_NS + 3 * S, cause="done")
    recording = Recording.open(tmp_path / "rec")
    (event,) = [one for one in recording.read_events() if one.kind == "strange value"]
    assert (event.joint, event.channel, event.value) == ("a", "temperature_housing_degC", 1024.0)
    assert "of 1024 lies outside -60 to 250 (frame 0x281, 00 04)" in event.text
    batch = recording.read_readings("a", 0, 2**62)
    assert batch.columns["temperature_housing_degC"].tolist() == [1024.0, 1025.0, 1026.0] * 3
