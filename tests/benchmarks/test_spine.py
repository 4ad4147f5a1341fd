"""How fast the spine is, as ratios measured in one run: `make bench` prints the table.

Nothing is asserted about time: these are figures to read. Each is the median of five.
"""

import statistics
import time
from collections.abc import Callable
from pathlib import Path

import can
import cantools.database
import numpy as np
import pytest
from cantools.database.can import Database, Message, Signal
from cantools.database.conversion import BaseConversion

from logger.bring_in import bring_in
from logger.bus.clock import Axis, read_clocks
from logger.bus.source import Source
from logger.intake import Intake
from logger.joint.batch import FrameBatch
from logger.joint.bench import BusSettings
from logger.joint.decode import DecodeState, decode, plan_for
from logger.limits.limit import limits_from
from logger.simulate import scenario
from logger.simulate.offline import frames as simulated_frames
from logger.store.manifest import begun, versions
from logger.store.write import RecordingWriter

pytestmark = pytest.mark.slow

START_NS = 1_795_000_000_000_000_000
ROUNDS = 5


def _say(what: str, ratio: float, unit: str) -> None:
    print(f"\n{what:<72} {ratio:>10.3g} {unit}")  # noqa: T201 - a benchmark prints its table


def _seconds(run: Callable[[], object]) -> float:
    spent = []
    for _ in range(ROUNDS):
        before = time.process_time()
        run()
        spent.append(time.process_time() - before)
    return statistics.median(spent)


def _motion_frames() -> FrameBatch:
    made = FrameBatch.joined(
        list(simulated_frames(hours=0.05, rate_Hz=100.0, seed=3, start_ns=START_NS))
    )
    return made.taken((made.identifier == 0x2C3) & (made.data[:, 0] == 0x41))


def _reference() -> Message:
    """Return the shoulder's motion frame as cantools describes it."""

    def signal(name: str, start: int, length: int, *, big: bool, signed: bool, scale: float):
        return Signal(
            name,
            start,
            length,
            byte_order="big_endian" if big else "little_endian",
            is_signed=signed,
            conversion=BaseConversion.factory(scale=scale, offset=0),
        )

    message = Message(
        0x2C3,
        "motion",
        7,
        [
            signal("position", 8, 14, big=False, signed=False, scale=1),
            signal("speed", 31, 16, big=True, signed=True, scale=0.1),
            signal("current", 47, 16, big=True, signed=True, scale=0.01),
        ],
    )
    assert isinstance(cantools.database.can.Database([message]), Database)
    return message


def test_decode_against_cantools():
    """Decoding with turns and derived torque, against cantools frame by frame."""
    frames = _motion_frames()
    bench = scenario.bench(channel="x")
    plan = plan_for(bench)
    message = _reference()
    payloads = [bytes(row[:7]) for row in frames.data]

    def peer() -> None:
        for payload in payloads:
            message.decode(payload)

    def in_hundreds() -> None:
        state = DecodeState()
        for first in range(0, len(frames), 100):
            _, state = decode(plan, state, frames.taken(slice(first, first + 100)))

    by_peer = _seconds(peer)
    _say("decode, 100 frames a batch: cantools / ours", by_peer / _seconds(in_hundreds), "x faster")
    whole = _seconds(lambda: decode(plan, DecodeState(), frames))
    _say("decode, whole: cantools / ours", by_peer / whole, "x faster")


def test_recorder_against_a_bare_loop(tmp_path: Path):
    """Receive, decode, limits and journal, against python-can's own loop that only counts."""
    frames = _motion_frames().taken(slice(0, 10_000))
    bench = scenario.bench(channel="x")
    messages = [
        can.Message(arbitration_id=0x2C3, is_extended_id=False, data=bytes(row[:7]))
        for row in frames.data
    ]
    rounds = iter(range(10_000))

    def filled() -> tuple[can.BusABC, can.BusABC]:
        channel = f"bench-{next(rounds)}"
        sender = can.Bus(interface="virtual", channel=channel)
        receiver = can.Bus(interface="virtual", channel=channel)
        for message in messages:
            sender.send(message)
        return sender, receiver

    def bare() -> float:
        sender, receiver = filled()
        before = time.process_time()
        count = 0
        while receiver.recv(0) is not None:
            count += 1
        spent = time.process_time() - before
        assert count == len(messages)
        sender.shutdown()
        receiver.shutdown()
        return spent

    def whole() -> float:
        channel = f"bench-{next(rounds)}"
        sender = can.Bus(interface="virtual", channel=channel)
        source = Source(
            BusSettings(interface="virtual", channel=channel), Axis(read_clocks()), where="bench"
        )
        for message in messages:
            sender.send(message)
        manifest = begun(bench, name="bench", started_ns=START_NS)
        writer = RecordingWriter(tmp_path / channel, manifest, bench, now_s=0.0)
        limits = limits_from(scenario.limits_text(), "limits.toml")
        intake = Intake(bench, limits, writer, start_ns=START_NS)
        before = time.process_time()
        received = source.receive(0.0)
        for first in range(0, len(received.frames), 160):
            # 160 frames are 20 ms of a full bus: what the receiving thread hands on.
            part = received.frames.taken(slice(first, first + 160))
            intake.take(part, now_ns=int(part.time_ns[-1]))
            writer.tick(first * 1e-3)
        spent = time.process_time() - before
        writer.abandon()
        source.close()
        sender.shutdown()
        return spent

    ours = statistics.median(whole() for _ in range(ROUNDS))
    peer = statistics.median(bare() for _ in range(ROUNDS))
    _say("receive + decode + limits + journal, CPU a frame: ours / bare loop", ours / peer, "x")


def test_bytes_a_row(tmp_path: Path):
    """What a stored status row takes, and the pyramid on top of it."""
    bench = scenario.bench(channel="x", rate_Hz=1000.0)
    hours = 0.1
    out = tmp_path / "rows"
    bring_in(
        simulated_frames(hours=hours, rate_Hz=1000.0, seed=3, start_ns=START_NS),
        bench=bench,
        limits=limits_from(scenario.limits_text(), "limits.toml"),
        out=out,
        name="rows",
        start_ns=START_NS,
        end_ns=START_NS + int(hours * 3600e9),
    )
    size = {
        room: sum(file.stat().st_size for file in (out / room).rglob("*.parquet"))
        for room in ("status", "frames", "overview")
    }
    rows = np.sum([int(name.stem[18:]) for name in (out / "status").rglob("*.parquet")])
    _say("status, 1 kHz: bytes a row", size["status"] / rows, "bytes")
    _say("raw frames, 1 kHz: bytes a frame", size["frames"] / rows, "bytes")
    _say("pyramid: share of status", size["overview"] / size["status"], "")
    assert versions()["dutytrace"]
