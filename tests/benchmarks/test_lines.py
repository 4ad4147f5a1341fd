"""Frames that come as text over a serial port: ours against python-can's own reading."""

import os
import pty
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Final

import can
import pytest

from logger.bus.line_pattern import compile_pattern
from logger.bus.line_reader import LineBus
from logger.bus.reader import FrameReader
from logger.bus.serial_protocol import ProtocolReader
from logger.bus.serial_text import SerialText
from tests.benchmarks.measure import guard_at_least, guard_at_most, measure_cpu_s, report

pytestmark = pytest.mark.slow

COUNT: Final = 10_000
BURST: Final = 100
"""Frames that a terminal holds at a time."""
AT_ONCE: Final = 4096
"""Bytes that a terminal gives at a time."""
# Times as fast as python-can's loop over its own protocol, which reads byte by byte: 54 in bulk.
LEAST_PROTOCOL: Final = 20.0
# Lines are three times as long as the protocol's frames and their form is free: 16 in bulk, 0.64
# where they are taken one by one as python-can's interface has it.
LEAST_LINES: Final = 6.0
LEAST_LINES_ONE_BY_ONE: Final = 0.25
# A pattern takes any form and refuses what does not fit it, a split trusts what it gets: 5.7.
MOST_OF_A_PLAIN_SPLIT: Final = 15.0


def _blocks(sent: bytes) -> list[bytes]:
    return [sent[at : at + AT_ONCE] for at in range(0, len(sent), AT_ONCE)]


@contextmanager
def _terminal() -> Iterator[tuple[int, str]]:
    """Give an adapter's end of a pseudo-terminal, and the port's name."""
    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    yield ours, os.ttyname(theirs)
    os.close(ours)
    os.close(theirs)


def _one_by_one(bus: can.BusABC, ours: int, sent: bytes) -> Callable[[], None]:
    """Return a run of python-can's recv loop."""

    def run() -> None:
        for _ in range(COUNT // BURST):
            os.write(ours, sent)
            left = BURST
            while left:
                left -= bus.recv(0) is not None

    return run


def _in_bulk(reader: FrameReader, ours: int, sent: bytes) -> Callable[[], None]:
    """Return a run of one of our readers, batches and all."""

    def run() -> None:
        for _ in range(COUNT // BURST):
            os.write(ours, sent)
            left = BURST
            while left:
                left -= len(reader.read_frames().frames)

    return run


def test_the_serial_line_protocol():
    """The same bytes through a pseudo-terminal: python-can's recv loop, and in bulk."""
    sent = b"".join(b"t2C38%016X\r" % number for number in range(BURST))
    with (
        _terminal() as (ours, channel),
        can.Bus(interface="slcan", channel=channel, sleep_after_open=0) as bus,
    ):
        mine = measure_cpu_s(_in_bulk(ProtocolReader(bus.fileno(), bus_index=0), ours, sent))
        stock = measure_cpu_s(_one_by_one(bus, ours, sent))
    report("serial-line protocol, ours", mine / COUNT * 1e6, "us a frame")
    guard_at_least(
        "serial-line protocol over a pseudo-terminal: python-can / ours",
        stock / mine,
        LEAST_PROTOCOL,
    )


def test_a_microcontroller_against_the_serial_line_protocol():
    """Printed lines with the board's time, and the same frames as python-can reads its own."""
    protocol = b"".join(b"t2C38%016X\r" % number for number in range(BURST))
    sent = b"".join(
        f"{number} 2C3 [8] {number.to_bytes(8).hex(' ')}\n".encode() for number in range(BURST)
    )
    with (
        _terminal() as (ours, channel),
        can.Bus(interface="slcan", channel=channel, sleep_after_open=0) as bus,
    ):
        stock = measure_cpu_s(_one_by_one(bus, ours, protocol))
    with (
        _terminal() as (ours, channel),
        LineBus(channel, pattern="{time:ms} {id} [{length}] {data}") as bus,
    ):
        os.write(ours, b"\n")
        single = measure_cpu_s(_one_by_one(bus, ours, sent))
        reader = bus.line_reader(bus_index=0, now_ns=time.time_ns)
        os.write(ours, b"\n")
        mine = measure_cpu_s(_in_bulk(reader, ours, sent))
    report("lines over a pseudo-terminal, ours, a batch at a time", mine / COUNT * 1e6, "us a line")
    guard_at_least(
        "python-can's serial-line recv loop / lines, a batch at a time", stock / mine, LEAST_LINES
    )
    guard_at_least(
        "python-can's serial-line recv loop / lines, recv one by one",
        stock / single,
        LEAST_LINES_ONE_BY_ONE,
    )


def test_the_lines_of_a_microcontroller():
    """Lines with time, length and bytes apart: by their pattern, against a split by hand."""
    sent = b"".join(
        b"%d 2C3 [8] 41 00 10 20 30 40 50 %02X\r\n" % (number, number % 256)
        for number in range(COUNT)
    )
    pattern = compile_pattern("{time:ms} {id} [{length}] {data}")

    def ours() -> None:
        text = SerialText(-1, ends=b"\n\r", longest=1000)
        count = 0
        for block in _blocks(sent):
            for line in text.split_lines(block).lines:
                count += pattern.parse_line(line.decode("latin-1")) is not None
        assert count == COUNT

    def split() -> None:
        count = 0
        for line in sent.decode("latin-1").splitlines():
            time, identifier, length, *payload = line.split()
            count += (int(time), int(identifier, 16), int(length[1:-1])) != (0, 0, 0)
            bytes.fromhex("".join(payload))
        assert count == COUNT

    mine = measure_cpu_s(ours)
    report("lines by pattern, a core", COUNT / mine / 1000, "thousand lines/s")
    guard_at_most(
        "lines by pattern / by hand, one form only",
        mine / measure_cpu_s(split),
        MOST_OF_A_PLAIN_SPLIT,
    )
