"""Frames that come as text over a serial port: ours against python-can's own reading."""

import os
import pty
import tty
from typing import Final

import can
import pytest

from logger.bus.line_pattern import pattern_of
from logger.bus.serial_protocol import ProtocolReader
from logger.bus.serial_text import SerialText
from tests.benchmarks.measure import say, seconds

pytestmark = pytest.mark.slow

COUNT: Final = 10_000
BURST: Final = 100
"""Frames that a terminal holds at a time."""
AT_ONCE: Final = 4096
"""Bytes that a terminal gives at a time."""


def _blocks(sent: bytes) -> list[bytes]:
    return [sent[at : at + AT_ONCE] for at in range(0, len(sent), AT_ONCE)]


def test_the_serial_line_protocol():
    """The same bytes through a pseudo-terminal: python-can's recv loop, and in bulk."""
    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    sent = b"".join(b"t2C38%016X\r" % number for number in range(BURST))
    bus = can.Bus(interface="slcan", channel=os.ttyname(theirs), sleep_after_open=0)
    reader = ProtocolReader(bus.fileno(), place=0)

    def stock() -> None:
        for _ in range(COUNT // BURST):
            os.write(ours, sent)
            left = BURST
            while left:
                left -= bus.recv(0) is not None

    def bulk() -> None:
        for _ in range(COUNT // BURST):
            os.write(ours, sent)
            left = BURST
            while left:
                left -= len(reader.take().frames)

    mine = seconds(bulk)
    say(
        "serial-line protocol over a pseudo-terminal: python-can / ours", seconds(stock) / mine, "x"
    )
    say("serial-line protocol, ours", mine / COUNT * 1e6, "us a frame")
    bus.shutdown()
    os.close(ours)
    os.close(theirs)


def test_the_lines_of_a_microcontroller():
    """Lines with time, length and bytes apart, by their pattern."""
    sent = b"".join(
        b"%d 2C3 [8] 41 00 10 20 30 40 50 %02X\r\n" % (number, number % 256)
        for number in range(COUNT)
    )
    pattern = pattern_of("{time:ms} {id} [{length}] {data}")

    def ours() -> None:
        text = SerialText(-1, ends=b"\n\r", longest=1000)
        count = 0
        for block in _blocks(sent):
            for line in text.cut(block).lines:
                count += pattern.read(line.decode("latin-1")) is not None
        assert count == COUNT

    say("lines by pattern, a core", COUNT / seconds(ours) / 1000, "thousand lines/s")
