"""The writing thread, turn by turn: what a turn has begun is not undone by what it meets later."""

import errno
import queue
import time
from dataclasses import replace
from pathlib import Path

import pytest

from logger.bus.clock import read_clocks
from logger.bus.poller import Poller
from logger.bus.source import Received
from logger.event_kind import EventKind
from logger.joint.batch import FrameBatch, ReadingBatch
from logger.joint.bench.bench import bench_from_texts
from logger.limits.limit import LimitSet, parse_limits
from logger.recording.frame_queue import FrameQueue
from logger.recording.record_settings import RecordSettings
from logger.recording.writer import Writer
from logger.store.layout.events import Event
from logger.store.layout.manifest import new_manifest
from logger.store.writing.live_writer import RecordingWriter
from replay.check import check_recording
from replay.recording import Recording

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


def test_what_cannot_be_read_is_told(tmp_path: Path):
    """A port at the wrong speed: an event at once, the right hint, a count in every place."""
    text = (
        BENCH.replace('"virtual"', '"lines"')
        .replace("send = true", "")
        .replace(
            'channel = "writer-test"',
            'channel = "/dev/board"\noptions = { pattern = "{id} {data}", baud = 115200 }',
        )
    )
    bench = bench_from_texts(text, {"talks": LAYOUT}, where="bench.toml")
    anchor = read_clocks()
    path = tmp_path / "rec"
    store = RecordingWriter(
        path, new_manifest(bench, name="t", started_ns=anchor.wall_ns), bench, now_s=0.0
    )
    pipe = FrameQueue.for_buses(1)
    told: list[Event] = []
    writer = Writer(
        RecordSettings(
            bench=bench, where="bench.toml", limits=parse_limits("format = 1", ""), out=path,
            name="t", send_stop_on_trip=False,
        ),
        store, pipe, [Poller(bench, now_s=0.0)], anchor=anchor, started_ns=anchor.wall_ns,
        on_event=told.append,
    )  # fmt: skip
    for second in range(1, 7):
        pipe.counters[0].garbled += 300
        pipe.queue.put(
            Received(frames=FrameBatch.empty(), until_ns=anchor.wall_ns + second * 1_000_000_000)
        )
    pipe.received_all.set()
    writer.run()
    pipe.counters[0].garbled += 7
    writer.finish(cause="stopped")
    counts = [event.value for event in told if event.kind == EventKind.GARBLED]
    assert sum(counts) == 1807
    assert counts[-1] == 7
    assert {event.bus for event in told if event.kind == EventKind.GARBLED} == {0}
    found = check_recording(Recording.open(path))
    assert (found.garbled, found.dropped, found.is_complete) == (1807, 0, False)
    assert found.to_json()["garbled"] == 1807
    assert Recording.open(path).latest_health().undecoded == 0, "a line is no frame"


def test_lost_frames_are_told_with_the_span_in_which_they_were_lost(tmp_path: Path):
    """By the system, or because the writer did not keep up: since that bus last handed on."""
    bench = bench_from_texts(BENCH.replace("send = true", ""), {"talks": LAYOUT}, where="b.toml")
    anchor = read_clocks()
    path, begin_ns = tmp_path / "rec", anchor.wall_ns
    store = RecordingWriter(
        path, new_manifest(bench, name="t", started_ns=begin_ns), bench, now_s=time.monotonic()
    )
    pipe = replace(FrameQueue.for_buses(1), queue=queue.Queue(2))
    batches = [
        Received(
            frames=FrameBatch.from_rows([(begin_ns + after_ns, 0x7F0, 0, b"")] * count),
            until_ns=begin_ns + after_ns,
            lost=lost,
        )
        for after_ns, count, lost in ((100, 1, 0), (200, 1, 4), (300, 3, 0), (400, 1, 0))
    ]
    # The third does not fit; what comes after it says so.
    for one in batches[:3]:
        pipe.put_gathered([one])
    pipe.queue.maxsize = 3
    pipe.put_gathered(batches[3:])
    pipe.received_all.set()
    settings = RecordSettings(bench=bench, where="b.toml", limits=LimitSet(), out=path, name="t")
    writer = Writer(
        settings, store, pipe, [Poller(bench, now_s=0.0)], anchor=anchor, started_ns=begin_ns
    )
    writer.run()
    writer.finish(cause="test")
    events = Recording.open(path).read_events()
    lost = [one for one in events if one.kind == EventKind.DROPPED]
    assert [one.value for one in lost] == [4.0, 3.0]
    assert [one.time_ns - begin_ns for one in lost] == [200, 400]
    assert [round(one.duration_s * 1e9) for one in lost] == [100, 200]


def test_frames_of_four_buses_are_with_the_kernel_after_one_turn(tmp_path: Path):
    """They wait for the last bus, and for nothing else: not for the turn after."""
    names = ("a", "b", "c", "d")
    text = "".join(
        f'[[bus]]\nname = "{name}"\ninterface = "virtual"\nchannel = "four-{name}"\n'
        for name in names
    ) + "".join(
        f'[[joint]]\nname = "{name}"\nbus = "{name}"\nlayout = "talks"\nnode = 1\n'
        for name in names
    )
    bench = bench_from_texts(text, {"talks": LAYOUT}, where="bench.toml")
    anchor = read_clocks()
    path = tmp_path / "rec"
    store = RecordingWriter(
        path, new_manifest(bench, name="t", started_ns=anchor.wall_ns), bench, now_s=0.0
    )
    pipe = FrameQueue.for_buses(4)
    writer = Writer(
        RecordSettings(
            bench=bench, where="bench.toml", limits=parse_limits("format = 1", ""), out=path,
            name="t",
        ),
        store, pipe, [Poller(bench, now_s=0.0) for _ in names], anchor=anchor,
        started_ns=anchor.wall_ns,
    )  # fmt: skip
    at_ns = anchor.wall_ns + 1_000_000
    for bus in range(4):
        frames = FrameBatch.from_rows([(at_ns, 0x201, 0, b"\x20")], bus=bus)
        pipe.queue.put(Received(frames=frames, until_ns=at_ns + bus, bus=bus))
    seen: list[list[int | None]] = []
    tick = store.tick

    def look(now_s: float) -> None:
        tick(now_s)
        recording = Recording.open(path)
        seen.append([recording.newest_ns(name) for name in names])

    store.tick = look
    pipe.received_all.set()
    writer.run()
    writer.finish(cause="stopped")
    assert seen[0] == [at_ns] * 4


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
