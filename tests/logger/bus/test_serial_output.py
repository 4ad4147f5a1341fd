"""Frames to an adapter on a serial line: whole lines, in order, and never waited for long."""

import contextlib
import os
import time
from collections.abc import Iterator

import can
import pytest
from can.interfaces.slcan import slcanBus

from logger.bus import serial_output as output_file
from logger.bus.serial_output import MAX_WRITE_S, SerialOutput


class _Port:
    write_timeout = MAX_WRITE_S


class _Bus(slcanBus):
    """What makes the lines, without a port."""

    def __init__(self) -> None:
        self.serialPortOrig = _Port()
        self.made = 0

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        self.made += 1
        super().send(msg, timeout)

    def shutdown(self) -> None:
        pass

    def __del__(self) -> None:
        pass


@pytest.fixture
def pipe() -> Iterator[tuple[int, int]]:
    """Give a pipe that does not block, for reading and for writing."""
    theirs, ours = os.pipe()
    os.set_blocking(ours, False)
    yield theirs, ours
    os.close(theirs)
    os.close(ours)


def _message(number: int) -> can.Message:
    return can.Message(arbitration_id=number, data=b"\x01", is_extended_id=False)


def test_a_line_is_made_once(pipe: tuple[int, int]):
    """The same request again is the same line; another message at its place is not."""
    theirs, ours = pipe
    bus = _Bus()
    output = SerialOutput(bus, ours)
    first, second = _message(0x101), _message(0x102)
    for _ in range(3):
        assert output.write_frames([first, second]) == 2
    assert bus.made == 2
    assert os.read(theirs, 4096) == 3 * b"t101101\rt102101\r"
    for number in range(0x200, 0x500):
        assert output.write_frames([_message(number)]) == 1
    lines = os.read(theirs, 65536).split(b"\r")
    assert lines[:-1] == [b"t%03X101" % number for number in range(0x200, 0x500)]


def test_what_is_not_taken_is_not_counted(pipe: tuple[int, int], monkeypatch: pytest.MonkeyPatch):
    """An adapter takes two and a half lines: two were sent, and the next begins with an end."""
    theirs, ours = pipe
    output = SerialOutput(_Bus(), ours)
    write = os.write
    most = [20]

    def takes_little(descriptor: int, content: bytes) -> int:
        if not most[0]:
            raise BlockingIOError
        written = write(descriptor, content[: most[0]])
        most[0] -= written
        return written

    monkeypatch.setattr(output_file.os, "write", takes_little)
    monkeypatch.setattr(output_file.select, "select", lambda *_: ([], [], []))
    messages = [_message(number) for number in (0x101, 0x102, 0x103)]
    assert output.write_frames(messages) == 2
    assert output.write_frames(messages[2:]) == 0
    most[0] = 1000
    assert output.write_frames(messages[2:]) == 1
    assert output.write_frames(messages[:1]) == 1
    assert os.read(theirs, 4096) == b"t101101\rt102101\rt103\rt103101\rt101101\r"


def test_what_an_adapter_takes_a_little_later_is_sent(
    pipe: tuple[int, int], monkeypatch: pytest.MonkeyPatch
):
    """It is waited for a moment, not given up at once."""
    theirs, ours = pipe
    output = SerialOutput(_Bus(), ours)
    write = os.write
    calls = iter((0, 3, 100))

    def takes_late(descriptor: int, content: bytes) -> int:
        most = next(calls)
        if not most:
            raise BlockingIOError
        return write(descriptor, content[:most])

    monkeypatch.setattr(output_file.os, "write", takes_late)
    assert output.write_frames([_message(0x101), _message(0x102)]) == 2
    assert os.read(theirs, 4096) == b"t101101\rt102101\r"


def test_one_that_takes_nothing_is_not_waited_for(pipe: tuple[int, int]):
    """Its buffer full, the call ends after a moment."""
    _, ours = pipe
    output = SerialOutput(_Bus(), ours)
    with contextlib.suppress(BlockingIOError):
        while True:
            os.write(ours, bytes(4096))
    begun_s = time.monotonic()
    assert output.write_frames([_message(0x101)]) == 0
    assert MAX_WRITE_S <= time.monotonic() - begun_s < MAX_WRITE_S + 1.0
