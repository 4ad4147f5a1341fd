"""The recorder on a kernel's own SocketCAN: run where vcan0 is up, as root; a plain script.

Started by tests/logger/bus/test_vcan.py, in a virtual machine where the system has no SocketCAN.
Each step prints one line; a step that fails ends the script with its traceback.
"""

import json
import os
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

import can  # noqa: E402 - the root of the project comes first
import numpy as np  # noqa: E402

from logger.bus.clock import RecordingClock, read_clocks  # noqa: E402
from logger.bus.kernel_frames import enlarge_buffer  # noqa: E402
from logger.bus.opening import MessageReader, _KernelFrameReader, open_bus, reader_for  # noqa: E402
from logger.bus.source import Source  # noqa: E402
from logger.joint.batch import EXTENDED, FD, REMOTE, FrameBatch  # noqa: E402
from logger.joint.bench.bench import BusSettings  # noqa: E402
from tests.support.demo_drive import answer_id, health_answer  # noqa: E402

BENCH = """
[[bus]]
name = "left"
interface = "socketcan"
channel = "vcan0"
bitrate = 1_000_000
fd = true

[[bus]]
name = "right"
interface = "socketcan"
channel = "vcan1"
bitrate = 1_000_000

[[joint]]
name = "shoulder"
bus = "left"
layout = "harvest-joint"
node = 3

[[joint]]
name = "elbow"
bus = "right"
layout = "harvest-joint"
node = 3
"""


def ip(*words: str) -> None:
    """Change the system's interfaces."""
    subprocess.run(["ip", *words], check=True)


def settings(channel: str, *, fd: bool = False) -> BusSettings:
    """Return how an interface of this system is opened."""
    return BusSettings(interface="socketcan", channel=channel, fd=fd)


def everything(take: Callable[[], FrameBatch], count: int) -> FrameBatch:
    """Return frames until there are `count`, for at most five seconds."""
    found: list[FrameBatch] = []
    end = time.monotonic() + 5.0
    while sum(len(one) for one in found) < count and time.monotonic() < end:
        found.append(take())
        time.sleep(0.01)
    return FrameBatch.concatenate(found)


def both_ways_are_the_same() -> None:
    """Frames of every kind, taken by the hundred and one by one from two sockets of vcan0."""
    dice = np.random.default_rng(5)
    first, second = (open_bus(settings("vcan0", fd=True), "story") for _ in range(2))
    fast = reader_for(first, settings("vcan0", fd=True), 0)
    assert isinstance(fast, _KernelFrameReader), "the fast way was not chosen"
    enlarge_buffer(second.socket)
    slow = MessageReader(second, bus_index=0, marks_sent=False)
    with can.Bus(interface="socketcan", channel="vcan0", fd=True) as sender:
        for number in range(600):
            kind = number % 5
            length = int(dice.integers(0, 9))
            sender.send(
                can.Message(
                    arbitration_id=int(dice.integers(0, 0x800)) | (0x1ABC0000 if kind == 1 else 0),
                    is_extended_id=kind == 1,
                    is_remote_frame=kind == 2,
                    is_fd=kind == 3,
                    dlc=64 if kind == 3 else length,
                    data=None if kind == 2 else dice.bytes(64 if kind == 3 else length),
                )
            )
            if number % 50 == 49:
                time.sleep(0.01)
        ours = everything(lambda: fast.read_frames().frames, 600)
        theirs = everything(lambda: slow.read_frames().frames, 600)
    assert len(ours) == len(theirs) == 600, (len(ours), len(theirs))
    assert ours.identifier.tolist() == theirs.identifier.tolist()
    assert ours.flags.tolist() == theirs.flags.tolist()
    assert ours.length.tolist() == theirs.length.tolist()
    np.testing.assert_array_equal(ours.data, theirs.data)
    # The same kernel stamp, to the rounding of a float of that size.
    assert np.abs(ours.time_ns - theirs.time_ns).max() < 2_000
    kinds = set(ours.flags.tolist())
    assert {0, EXTENDED, REMOTE, FD} <= kinds, kinds
    first.shutdown()
    second.shutdown()


def what_the_kernel_drops_is_counted() -> None:
    """Stand still for a while: kept and lost together are what was sent."""
    source = Source(settings("vcan0"), RecordingClock(read_clocks()), where="story")
    endpoint = source._bus.socket
    endpoint.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    with can.Bus(interface="socketcan", channel="vcan0") as sender:
        for number in range(800):
            sender.send(can.Message(arbitration_id=number, is_extended_id=False))
    kept = lost = 0
    for _ in range(20):
        received = source.receive(0.01)
        kept += len(received.frames)
        lost += received.lost
    assert lost > 0
    assert kept + lost == 800, (kept, lost)
    source.close()


def heard(source: Source, kind: str, within_s: float) -> float:
    """Return after how many seconds the source says something of that kind."""
    begun = time.monotonic()
    while time.monotonic() - begun < within_s:
        if any(said == kind for said, _ in source.receive(0.05).remarks):
            return time.monotonic() - begun
    raise AssertionError(f"nothing of {kind!r} within {within_s} s")


def frames_come(source: Source) -> None:
    """See that what is sent now is received."""
    with can.Bus(interface="socketcan", channel="vcan1") as sender:
        sender.send(can.Message(arbitration_id=0x55, is_extended_id=False))
        assert len(everything(lambda: source.receive(0.05).frames, 1)) == 1


def a_link_that_goes_down_comes_back() -> None:
    """Noticed within two seconds, and received from again once it is up."""
    source = Source(settings("vcan1"), RecordingClock(read_clocks()), where="story")
    frames_come(source)
    ip("link", "set", "vcan1", "down")
    took_s = heard(source, "bus lost", 3.0)
    assert took_s < 2.0, took_s
    time.sleep(1.0)
    for _ in range(20):
        assert not any(said == "bus back" for said, _ in source.receive(0.05).remarks)
    ip("link", "set", "vcan1", "up")
    heard(source, "bus back", 15.0)
    frames_come(source)
    source.close()


def a_link_that_is_deleted_comes_back() -> None:
    """See the same for an interface that is taken away and made anew."""
    source = Source(settings("vcan1"), RecordingClock(read_clocks()), where="story")
    frames_come(source)
    ip("link", "del", "vcan1")
    took_s = heard(source, "bus lost", 3.0)
    assert took_s < 2.0, took_s
    time.sleep(0.5)
    ip("link", "add", "dev", "vcan1", "type", "vcan")
    ip("link", "set", "vcan1", "up")
    heard(source, "bus back", 15.0)
    frames_come(source)
    source.close()


def a_recorder_of_two_buses() -> None:
    """Run the command itself: both buses, nothing lost, ended by SIGTERM."""
    folder = Path(tempfile.mkdtemp())
    (folder / "bench.toml").write_text(BENCH, encoding="utf-8")
    out = folder / "rec"
    command = [sys.executable, str(ROOT / "dutytrace.py"), "record", str(folder / "bench.toml")]
    process = subprocess.Popen(
        [*command, "--out", str(out)],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        text=True,
    )
    line = process.stdout.readline()
    assert "Recording into" in line, line
    with (
        can.Bus(interface="socketcan", channel="vcan0") as left,
        can.Bus(interface="socketcan", channel="vcan1") as right,
    ):
        for number in range(1000):
            for bus in (left, right):
                bus.send(
                    can.Message(
                        arbitration_id=answer_id(3),
                        is_extended_id=False,
                        data=health_answer(number % 60),
                    )
                )
            time.sleep(0.001)
    time.sleep(1.0)
    process.send_signal(signal.SIGTERM)
    rest, _ = process.communicate(timeout=60)
    assert process.returncode == 0, rest
    found = json.loads(
        subprocess.run(
            [sys.executable, str(ROOT / "dutytrace.py"), "check", str(out), "--json"],
            env={**os.environ, "PYTHONPATH": str(ROOT)},
            stdout=subprocess.PIPE,
            text=True,
            check=False,
        ).stdout
    )
    assert found["whole"], found
    assert found["frames"] == 2000, found
    assert {name: one["rows"] for name, one in found["joints"].items()} == {
        "shoulder": 1000,
        "elbow": 1000,
    }
    assert found["dropped"] == 0


STORY = (
    both_ways_are_the_same,
    what_the_kernel_drops_is_counted,
    a_link_that_goes_down_comes_back,
    a_link_that_is_deleted_comes_back,
    a_recorder_of_two_buses,
)


if __name__ == "__main__":
    for step in STORY:
        step()
        sys.stdout.write(f"{step.__name__}: as promised\n")
        sys.stdout.flush()
