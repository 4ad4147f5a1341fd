"""What a broken line sends: garbage, half frames and absurd lengths are counted and skipped."""

import os
import pty
import random
import struct
import time
import tty
from collections.abc import Iterator

import pytest

from logger.bus.clock import RecordingClock, read_clocks
from logger.bus.source import Source
from logger.joint.bench.bench import BusSettings


@pytest.fixture
def line() -> Iterator[tuple[int, str]]:
    """Give a pseudo-terminal: the adapter's end, and the name that a client opens."""
    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    os.set_blocking(ours, False)
    yield ours, os.ttyname(theirs)
    os.close(ours)
    os.close(theirs)


def _source(interface: str, channel: str) -> Source:
    settings = BusSettings(interface=interface, channel=channel)
    return Source(settings, RecordingClock(read_clocks()), where="bench.toml")


def _heard(source: Source, ours: int, sent: bytes) -> list[int]:
    """Send bytes as they come from an adapter; return the identifiers that arrived."""
    identifiers: list[int] = []
    for first in range(0, len(sent), 500):
        os.write(ours, sent[first : first + 500])
        end = time.monotonic() + 0.2
        while time.monotonic() < end:
            received = source.receive(0.02)
            assert not received.remarks, received.remarks
            identifiers += received.frames.identifier.tolist()
            if not len(received.frames):
                break
    for _ in range(20):
        identifiers += source.receive(0.02).frames.identifier.tolist()
    return identifiers


GARBAGE = [
    b"tZZZ8xx",
    b"t12",
    b"t",
    b"t1239",
    b"t123811",
    b"T0000",
    b"hello",
    b"\xff\xfe\x00\x80",
    b"z",
    b"t" + b"9" * 300,
    b"t-0120102",
    b"r1",
]


@pytest.mark.parametrize("seed", range(3))
def test_garbage_between_lines_of_the_serial_protocol(line: tuple[int, str], seed: int):
    """Every whole frame arrives in order, nothing is made up, and the bus is not given up."""
    ours, channel = line
    source = _source("slcan", channel)
    dice = random.Random(seed)
    sent, expected = b"", []
    for number in range(0x100, 0x140):
        for _ in range(dice.randrange(3)):
            sent += dice.choice(GARBAGE) + b"\r"
        sent += f"t{number:03X}20102\r".encode()
        expected.append(number)
    got = _heard(source, ours, sent)
    assert got == expected
    assert source.garbled > 0
    source.close()


def test_half_a_line_waits_for_its_rest(line: tuple[int, str]):
    """A frame that is cut by a read is one frame when its rest has come."""
    ours, channel = line
    source = _source("slcan", channel)
    os.write(ours, b"t2C3201")
    for _ in range(5):
        assert len(source.receive(0.02).frames) == 0
    os.write(ours, b"02\r")
    assert _heard(source, ours, b"") == [0x2C3]
    assert source.garbled == 0
    source.close()


def test_garbage_on_the_serial_interface(line: tuple[int, str]):
    """Frames behind cut and foreign bytes arrive; the recorder does not end."""
    ours, channel = line
    source = _source("serial", channel)

    def frame(number: int) -> bytes:
        return b"\xaa" + struct.pack("<IBI", 0, 2, number) + b"\x01\x02" + b"\xbb"

    sent = frame(0x10) + b"\x00\x01\x02" + frame(0x11) + b"\xff" * 7 + frame(0x12)
    got = _heard(source, ours, sent)
    assert got[0] == 0x10
    assert 0x12 in got
    source.close()


def test_a_line_without_an_end_is_not_kept_for_ever(line: tuple[int, str]):
    """A device that never ends its lines: counted, let go, and the next frame is read."""
    ours, channel = line
    source = _source("slcan", channel)
    assert _heard(source, ours, b"t2C120102;" * 200) == []
    assert source.garbled > 0
    assert len(source._reader._text._rest) <= 300
    os.write(ours, b"\r")
    assert _heard(source, ours, b"t2C220102\r") == [0x2C2]
    source.close()
