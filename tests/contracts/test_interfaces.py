"""Each way to reach a bus, shown working: known frames through the real recorder, read back.

SocketCAN on a kernel's own vcan is told by `tests/support/vcan_story.py` (`make slow`, with
VCAN_VM); here
are the others: in-process, a server on the loopback, and over a pseudo-terminal the serial-line CAN
protocol, python-can's own serial framing, and the lines of a microcontroller.
"""

import os
import pty
import struct
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path

import can
import pytest

from logger.joint.bench.bench import bench_from_texts
from logger.limits.limit import LimitSet
from logger.recording.record_settings import RecordSettings
from replay.recording import Recording
from tests.support.recorder import Recorder
from tests.support.standin import Server

COUNT = 300
LAYOUT = """
format = 1
name = "l"
[[frame]]
name = "f"
identifier = 0x2C3
length = 8
  [[frame.value]]
  channel = "voltage_V"
  byte = 0
  bits = 16
"""

Send = Callable[[int, bytes], None]


@contextmanager
def _virtual() -> Iterator[tuple[str, Send]]:
    with can.Bus(interface="virtual", channel="interfaces") as other:
        yield (
            'interface = "virtual"\nchannel = "interfaces"',
            lambda number, data: other.send(
                can.Message(arbitration_id=number, data=data, is_extended_id=False)
            ),
        )


@contextmanager
def _socketcand() -> Iterator[tuple[str, Send]]:
    server = Server()
    try:
        yield (
            'interface = "socketcand"\nchannel = "can0"\n'
            f'options = {{ host = "127.0.0.1", port = {server.port} }}',
            lambda number, data: server.send(
                f"< frame {number:03X} {time.time():.6f} {data.hex()} >".encode()
            ),
        )
    finally:
        server.close()


@contextmanager
def _terminal(keys: str, frame: Callable[[int, bytes], bytes]) -> Iterator[tuple[str, Send]]:
    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    try:
        yield (
            f'channel = "{os.ttyname(theirs)}"\n{keys}',
            lambda number, data: _write(ours, frame(number, data)),
        )
    finally:
        os.close(ours)
        os.close(theirs)


def _board() -> AbstractContextManager[tuple[str, Send]]:
    # The end of its banner first: the piece that is under way when listening begins is not read.
    first = [b"ready\r\n"]

    def line(number: int, data: bytes) -> bytes:
        banner = first.pop() if first else b""
        return banner + f"{number:X} [{len(data)}] {data.hex(' ')}\r\n".encode()

    return _terminal('interface = "lines"\noptions = { pattern = "{id} [{length}] {data}" }', line)


def _write(descriptor: int, content: bytes) -> None:
    while content:
        content = content[os.write(descriptor, content) :]


WAYS = {
    "virtual": _virtual,
    "socketcand": _socketcand,
    "slcan": lambda: _terminal(
        'interface = "slcan"\nbitrate = 1000000',
        lambda number, data: f"t{number:03X}{len(data)}{data.hex()}\r".encode(),
    ),
    "serial": lambda: _terminal(
        'interface = "serial"',
        lambda number, data: b"\xaa" + struct.pack("<IBI", 0, len(data), number) + data + b"\xbb",
    ),
    "lines": _board,
}


@pytest.mark.parametrize("way", WAYS)
def test_a_recording_over_each_interface(tmp_path: Path, way: str):
    """All frames arrive whole and in order, decoded; nothing is lost or garbled."""
    with WAYS[way]() as (keys, send):
        bench = bench_from_texts(
            f'[bus]\n{keys}\n[[joint]]\nname = "a"\nlayout = "l"\n',
            {"l": LAYOUT},
            where="bench.toml",
        )
        settings = RecordSettings(
            bench=bench, where="bench.toml", limits=LimitSet(), out=tmp_path / "rec", name="t"
        )
        recorder = Recorder(settings)
        assert recorder.fault is None
        for number in range(COUNT):
            send(0x2C3, struct.pack("<HHI", number, 0, 7))
            if number % 10 == 9:
                # A receive buffer holds so much and no more.
                time.sleep(0.005)
        time.sleep(0.3)
        ended = recorder.end()
    assert ended is not None
    assert (ended.frames, ended.dropped, ended.undecoded) == (COUNT, 0, 0)
    rows = Recording.open(tmp_path / "rec").read_readings("a", 0, 2**62)
    assert rows.columns["voltage_V"].tolist() == list(range(COUNT))
