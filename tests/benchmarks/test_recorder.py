"""The recorder's cost a frame against python-can's own loops: `make bench` prints the table.

A stand-in on the loopback takes the place of the kernel's CAN socket: the same bytes, stamps and
calls. The peer only counts; ours receives, decodes, evaluates limits and writes the journal.
"""

import gc
import logging
import statistics
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import can
import numpy as np
import pytest

from logger.bus.kernel_frames import dropped_frames, enlarge_buffer
from logger.bus.opening import MessageReader, _KernelFrameReader
from logger.bus.reader import FrameReader
from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import Bench
from logger.limits.limit import parse_limits
from logger.recording.event_log import EventLog
from logger.recording.pipeline import Pipeline
from logger.simulate import scenario
from logger.simulate.offline import simulate_frames as simulated_frames
from logger.store.layout.manifest import new_manifest
from logger.store.writing.live_writer import RecordingWriter
from tests.benchmarks.measure import ROUNDS, START_NS, guard_at_most, report
from tests.support.standin import Server, bus_on, frame, pair

pytestmark = pytest.mark.slow

COUNT: Final = 10_000
A_TICK: Final = 400
"""Frames of a full 1 Mbit/s bus that the receiving thread hands on at once (50 ms)."""
# Times python-can's bare loop, with all that a recorder does. The kernel's frames come by the
# hundred (0.4x). Elsewhere python-can takes them one by one for us as well, and what we add weighs
# more the less a loop costs: 1 us a frame on the in-process bus (3.5x), 2 us for a line (2.3x).
MOST_SOCKETCAN: Final = 1.8
MOST_IN_PROCESS: Final = 14.0
MOST_SERVER: Final = 9.0


@pytest.fixture(autouse=True)
def small_heap() -> Iterator[None]:
    """Leave the test runner's own objects out of garbage collection: a recorder has none."""
    gc.collect()
    gc.freeze()
    yield
    gc.unfreeze()


def _frames() -> FrameBatch:
    made = FrameBatch.concatenate(
        list(simulated_frames(hours=0.005, rate_Hz=1000.0, seed=3, start_ns=START_NS))
    )
    return made.select_rows(slice(0, COUNT))


@dataclass
class _Recording:
    """Everything behind the receive call."""

    pipeline: Pipeline
    writer: RecordingWriter
    ticks: int = 0

    @classmethod
    def at(cls, path: Path, bench: Bench) -> "_Recording":
        writer = RecordingWriter(
            path, new_manifest(bench, name="bench", started_ns=START_NS), bench, now_s=0.0
        )
        limits = parse_limits(scenario.scenario_limits_text(), "limits.toml")
        events = EventLog(bench, writer)
        return cls(Pipeline(bench, limits, writer, events, start_ns=START_NS), writer)

    def take(self, frames: FrameBatch) -> None:
        # As Source would stamp them: a full bus, and no step back from round to round.
        span_ns = np.arange(len(frames)) * 125_000
        frames = replace(frames, time_ns=START_NS + self.ticks * 50_000_000 + span_ns)
        self.pipeline.process(frames, now_ns=int(frames.time_ns[-1]))
        self.pipeline.record_seconds(int(frames.time_ns[-1]))
        self.ticks += 1
        self.writer.tick(self.ticks * 0.05)


def _ours(reader: FrameReader, send: Callable[[int], None], recording: _Recording) -> float:
    """Return the processor time for all frames, the sender's left out."""
    spent, done = 0.0, 0
    while done < COUNT:
        send(done)
        before = time.process_time()
        frames = reader.read_frames().frames
        recording.take(frames)
        spent += time.process_time() - before
        done += len(frames)
    return spent


def _bare(bus: can.BusABC, send: Callable[[int], None]) -> float:
    spent, done = 0.0, 0
    while done < COUNT:
        send(done)
        before = time.process_time()
        while bus.recv(0) is not None:
            done += 1
        spent += time.process_time() - before
    return spent


def test_the_socketcan_path(tmp_path: Path):
    """Frames by the hundred from the kernel, against a call for each that only counts."""
    made = _frames()
    sent = [
        frame(int(number), bytes(payload[:length]))
        for number, payload, length in zip(made.identifier, made.data, made.length, strict=True)
    ]
    bench = scenario.scenario_bench(channel="x", rate_Hz=1000.0)
    sender, receiver = pair()
    enlarge_buffer(receiver)

    def send(first: int) -> None:
        for one in sent[first : first + A_TICK]:
            sender.send(one)

    bus = bus_on(receiver)
    reader = _KernelFrameReader(receiver, fd=False, bus_index=0, buffer_bytes=1 << 20)
    recording = _Recording.at(tmp_path / "rec", bench)
    _ours(reader, send, recording)
    ours, bare = [], []
    for _ in range(ROUNDS):
        bare.append(_bare(bus, send))
        ours.append(_ours(reader, send, recording))
    recording.writer.abandon()
    assert dropped_frames(receiver) == 0
    sender.close()
    receiver.close()
    share = statistics.median(ours) / statistics.median(bare)
    report("a frame on the SocketCAN path", statistics.median(ours) / COUNT * 1e6, "us")
    guard_at_most(
        "receive + decode + limits + journal, SocketCAN path: ours / bare recv loop",
        share,
        MOST_SOCKETCAN,
    )


def test_any_other_interface(tmp_path: Path):
    """A call for each frame there too: the in-process bus is python-can's fastest."""
    made = _frames()
    messages = [
        can.Message(arbitration_id=int(number), is_extended_id=False, data=bytes(payload[:length]))
        for number, payload, length in zip(made.identifier, made.data, made.length, strict=True)
    ]
    bench = scenario.scenario_bench(channel="x", rate_Hz=1000.0)
    recording = _Recording.at(tmp_path / "rec", bench)
    with (
        can.Bus(interface="virtual", channel="bench") as sender,
        can.Bus(interface="virtual", channel="bench") as receiver,
    ):

        def send(first: int) -> None:
            for message in messages[first : first + A_TICK]:
                sender.send(message)

        reader = MessageReader(receiver, bus_index=0)
        _ours(reader, send, recording)
        ours, bare = [], []
        for _ in range(ROUNDS):
            bare.append(_bare(receiver, send))
            ours.append(_ours(reader, send, recording))
    recording.writer.abandon()
    share = statistics.median(ours) / statistics.median(bare)
    left = (statistics.median(ours) - statistics.median(bare)) / COUNT * 1e6
    report("on the in-process bus: what is added to a bare loop, a frame", left, "us")
    guard_at_most(
        "the same on the in-process bus (bare loop under 2 us a frame)", share, MOST_IN_PROCESS
    )


def test_a_server_on_the_loopback(tmp_path: Path, caplog: pytest.LogCaptureFixture):
    """python-can's interface to a server: what one pays where a frame is a line of text."""
    caplog.set_level(logging.CRITICAL)
    made = _frames()
    lines = [
        b"< frame %03X %.6f %s >" % (int(number), 1e-4 * at, bytes(payload[:length]).hex().encode())
        for at, (number, payload, length) in enumerate(
            zip(made.identifier, made.data, made.length, strict=True)
        )
    ]
    bench = scenario.scenario_bench(channel="x", rate_Hz=1000.0)
    recording = _Recording.at(tmp_path / "rec", bench)
    server = Server()
    bus = can.Bus(interface="socketcand", channel="can0", host="127.0.0.1", port=server.port)
    reader = MessageReader(bus, bus_index=0)

    def all_of_it(take: Callable[[], int]) -> float:
        spent = 0.0
        for first in range(0, COUNT, A_TICK):
            server.send(b"".join(lines[first : first + A_TICK]))
            time.sleep(0.06)
            before = time.process_time()
            left = A_TICK
            while left > 0:
                left -= take()
            spent += time.process_time() - before
        return spent

    held: list[FrameBatch] = []

    def ours() -> int:
        frames = reader.read_frames().frames
        held.append(frames)
        if sum(map(len, held)) >= A_TICK:
            recording.take(FrameBatch.concatenate(held))
            held.clear()
        return len(frames)

    all_of_it(ours)
    times = [(all_of_it(lambda: bus.recv(0) is not None), all_of_it(ours)) for _ in range(ROUNDS)]
    recording.writer.abandon()
    bus.shutdown()
    server.close()
    bare, whole = (statistics.median(column) for column in zip(*times, strict=True))
    report("over a server on the loopback, a frame", whole / COUNT * 1e6, "us")
    guard_at_most(
        "the same over a server on the loopback (socketcand): ours / bare loop",
        whole / bare,
        MOST_SERVER,
    )
