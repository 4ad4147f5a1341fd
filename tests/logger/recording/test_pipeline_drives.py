"""Two CiA 402 drives on one bus, from frames into a recording: what is said, and what is not."""

import struct
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import bench_from_texts
from logger.joint.bench.layout import shipped_layout_text
from logger.limits.limit import parse_limits
from logger.recording.event_log import EventLog
from logger.recording.pipeline import Pipeline
from logger.store.layout.manifest import new_manifest
from logger.store.writing.live_writer import RecordingWriter
from replay.recording import Recording

START_NS = 1_795_000_000_000_000_000
S = 1_000_000_000
DRIVE = """
[[joint]]
name = "NAME"
layout = "cia402"
node = NODE
gear_ratio = 101
rated = { torque = 12.0, current = 8.0 }
  [joint.mapping]
  tpdo1 = ["0x6041/16", "0x6064/32", "0x6077/16"]
  [joint.value.position_rad]
  per_turn = 131072
  side = "motor"
"""
BENCH = '[bus]\ninterface = "virtual"\n' + "".join(
    DRIVE.replace("NAME", name).replace("NODE", node)
    for name, node in (("elbow", "1"), ("wrist", "2"))
)
LIMITS = """
format = 1
[[limit]]
name = "silent"
kind = "silence"
severity = "warning"
after_s = 1.5
"""
EMERGENCY = bytes.fromhex("0120020001020304")


def _frames() -> list[tuple[int, int, int, bytes]]:
    """Ten seconds: process data for three, heartbeats; the elbow's stop after five.

    The wrist reports an emergency twice and is switched on anew at six seconds.
    """
    rows: list[tuple[int, int, int, bytes]] = []
    for tenth in range(30):
        at_ns = START_NS + tenth * S // 10
        for node in (1, 2):
            data = struct.pack("<Hih", 0x0237, 6_619_136, -168 * node)
            rows.append((at_ns + node, 0x180 + node, 0, data))
    for second in range(10):
        at_ns = START_NS + second * S + 10
        rows += [
            (at_ns + node, 0x700 + node, 0, b"\x05") for node in (1, 2) if node == 2 or second < 5
        ]
    rows += [(START_NS + at_ns, 0x82, 0, EMERGENCY) for at_ns in (4 * S, 4 * S + S // 2)]
    rows.append((START_NS + 6 * S, 0x702, 0, b"\x00"))
    rows.append((START_NS + 6 * S + 5, 0x182, 0, struct.pack("<Hih", 0x0250, 0, 0)))
    return sorted(rows)


@pytest.fixture(params=[1, 7, 1000], ids="chunks of {}".format)
def recording(request: pytest.FixtureRequest, tmp_path: Path) -> Recording:
    """Return the recording of these frames, taken so many at a time."""
    layout = shipped_layout_text("cia402")
    assert layout is not None
    bench = bench_from_texts(BENCH, {"cia402": layout}, where="bench.toml")
    writer = RecordingWriter(
        tmp_path / "rec", new_manifest(bench, name="drives", started_ns=START_NS), bench, now_s=0.0
    )
    events = EventLog(bench, writer)
    pipeline = Pipeline(
        bench, parse_limits(LIMITS, "limits.toml"), writer, events, start_ns=START_NS
    )
    events.begin(START_NS)
    rows = _frames()
    for low, high in pairwise([*range(0, len(rows), request.param), len(rows)]):
        pipeline.process(FrameBatch.from_rows(rows[low:high]), now_ns=rows[high - 1][0])
        pipeline.record_seconds(rows[high - 1][0])
    pipeline.process(FrameBatch.empty(), now_ns=START_NS + 10 * S)
    pipeline.record_seconds(START_NS + 10 * S)
    writer.close(ended_ns=START_NS + 10 * S, cause="done")
    return Recording.open(tmp_path / "rec")


def test_each_emergency_is_an_event(recording: Recording):
    """Of its drive, at its instant, with code and register in words; the other drive has none."""
    found = [event for event in recording.read_events() if event.kind == "fault"]
    assert [event.time_ns - START_NS for event in found] == [4 * S, 4 * S + S // 2]
    assert {(event.joint, event.value) for event in found} == {("wrist", float(0x2001))}
    assert {(event.frame, event.bus) for event in found} == {("emergency", 0)}
    assert {event.text for event in found} == {
        "wrist: emergency: code current (0x2001), error register current (0x02), "
        "manufacturer bytes 0x0001020304."
    }


def test_states_and_signs_of_life_are_told_where_they_change(recording: Recording):
    """A heartbeat each second and a statusword ten times a second are one event each."""
    told = [event.text for event in recording.read_events() if event.kind == "state"]
    assert [text for text in told if text.startswith("elbow")] == [
        "elbow: drive state operation enabled (0x0237).",
        "elbow: heartbeat: is operational (0x05).",
    ]
    assert [text for text in told if text.startswith("wrist")] == [
        "wrist: drive state operation enabled (0x0237).",
        "wrist: heartbeat: is operational (0x05).",
        "wrist: heartbeat: is switched on (0x00).",
        "wrist: drive state switch on disabled (0x0250).",
        "wrist: heartbeat: is operational (0x05).",
    ]


def test_a_heartbeat_is_no_silence(recording: Recording):
    """Seven seconds without process data raise nothing while it beats; its end does."""
    (alert,) = recording.read_alerts()
    assert (alert.joint, alert.limit) == ("elbow", "silent")
    assert alert.raised_ns - START_NS == pytest.approx(5.5 * S, abs=100)


def test_the_values_are_those_of_the_drives(recording: Recording):
    """Half a turn behind 101:1, per mille of 12 N.m; switched on anew is another segment."""
    for joint, torque in (("elbow", -2.016), ("wrist", -4.032)):
        batch = recording.read_readings(joint, START_NS, START_NS + 3 * S)
        position = batch.columns["position_rad"]
        held = ~np.isnan(position)
        assert position[held] == pytest.approx(np.pi)
        assert batch.columns["torque_Nm"][held] == pytest.approx(torque)
    batch = recording.read_readings("wrist", START_NS, START_NS + 10 * S)
    told = ~np.isnan(batch.columns["position_rad"])
    assert batch.position_segment[told].tolist() == [0] * 30 + [1]
