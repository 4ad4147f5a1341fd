"""The writing thread, turn by turn: what a turn has begun is not undone by what it meets later."""

import errno
import time
from pathlib import Path

import pytest

from logger.bus.clock import read_clocks
from logger.bus.poller import Poller
from logger.bus.source import Received
from logger.event_kind import EventKind
from logger.joint.batch import FrameBatch, ReadingBatch
from logger.joint.bench.bench import bench_from_texts
from logger.limits.limit import parse_limits
from logger.recording.frame_queue import FrameQueue
from logger.recording.record_settings import RecordSettings
from logger.recording.writer import Writer
from logger.store.layout.events import Event
from logger.store.layout.manifest import new_manifest
from logger.store.writing.live_writer import RecordingWriter

LAYOUT = """
format = 1
name = "talks"
[[frame]]
name = "motion"
identifier = "0x200 + node"
length = 1
period_s = 0.01
[[frame.value]]
channel = "temperature_housing_degC"
byte = 0
bits = 8
"""
BENCH = '[bus]\ninterface = "virtual"\nchannel = "writer-test"\nsend = true\n' + "".join(
    f'[[joint]]\nname = "{name}"\nlayout = "talks"\nnode = {node}\n'
    f'[joint.stop]\nidentifier = {0x100 + node}\ndata = "00"\nrepeat = 1\n'
    for node, name in enumerate(("a", "b"), start=1)
)
LIMITS = """
format = 1
[[limit]]
name = "hot"
kind = "level"
severity = "trip"
channel = "temperature_housing_degC"
above = 70.0
"""


class _DiskFullAtB(RecordingWriter):
    """A store whose disk takes no more once the readings of joint b are to be written."""

    def append_readings(self, batch: ReadingBatch) -> None:
        if batch.joint == "b":
            raise OSError(errno.ENOSPC, "No space left on device")
        super().append_readings(batch)


def test_a_fault_in_the_same_turn_does_not_keep_back_a_stop(tmp_path: Path):
    """Joint a trips, then the disk is full: the stop is ordered and the caller has the event."""
    bench = bench_from_texts(BENCH, {"talks": LAYOUT}, where="bench.toml")
    limits = parse_limits(LIMITS, "limits.toml")
    anchor = read_clocks()
    store = _DiskFullAtB(
        tmp_path / "rec",
        new_manifest(bench, name="t", started_ns=anchor.wall_ns, limits=limits),
        bench,
        now_s=time.monotonic(),
    )
    poller = Poller(bench, now_s=0.0, send_stop=True)
    pipe = FrameQueue.for_buses(1, armed=True)
    told: list[Event] = []
    writer = Writer(
        RecordSettings(
            bench=bench,
            where="bench.toml",
            limits=limits,
            out=tmp_path / "rec",
            name="t",
            send_stop_on_trip=True,
        ),
        store,
        pipe,
        [poller],
        anchor=anchor,
        started_ns=anchor.wall_ns,
        on_event=told.append,
    )
    at_ns = anchor.wall_ns + 1_000_000
    frames = FrameBatch.from_rows([(at_ns, 0x201, 0, b"\x50"), (at_ns + 1000, 0x202, 0, b"\x20")])
    pipe.queue.put(Received(frames=frames, until_ns=at_ns + 2000))
    pipe.received_all.set()
    with pytest.raises(OSError, match="No space left"):
        writer.run()
    store.abandon()
    stops = poller.stop_sender.due_stops(time.monotonic(), now_ns=at_ns)
    assert [joint for joint, _ in stops] == ["a"]
    assert [(event.joint, event.limit) for event in told if event.kind == EventKind.RAISED] == [
        ("a", "hot")
    ]
