"""Frames of the serial-line CAN protocol in bulk: the same as python-can's own reading."""

import io
import itertools
import os
import queue

import can
import pytest
from can.interfaces.slcan import slcanBus
from hypothesis import given
from hypothesis import strategies as st

from logger.bus.python_can_workarounds import is_plausible_frame
from logger.bus.serial_protocol import MAX_PROTOCOL_LINE, ProtocolReader, parse_frame_lines
from logger.bus.serial_text import SerialText
from logger.joint.batch import EXTENDED, FD, REMOTE

FD_CODES = {12: "9", 16: "A", 20: "B", 24: "C", 32: "D", 48: "E", 64: "F"}


class _Port(io.BytesIO):
    """What pyserial offers of a port."""

    @property
    def in_waiting(self) -> int:
        return len(self.getvalue()) - self.tell()


def _stock(sent: bytes) -> list[tuple[int, int, bytes]]:
    """Return what python-can's interface reads from the same bytes, but for what is no frame."""
    bus = object.__new__(slcanBus)
    bus._is_shutdown = True
    bus._queue, bus._buffer = queue.Queue(), bytearray()
    bus.serialPortOrig = _Port(sent)
    rows = []
    for _ in range(sent.count(b"\r") + sent.count(b"\a") + 1):
        try:
            message, _ = bus._recv_internal(0)
        except (can.CanError, ValueError, IndexError, KeyError):
            bus._buffer.clear()
            continue
        if message is None or not is_plausible_frame(message):
            continue
        flags = message.is_extended_id * EXTENDED | message.is_remote_frame * REMOTE
        data = bytes(min(message.dlc, 8)) if message.is_remote_frame else bytes(message.data)
        rows.append((message.arbitration_id, flags | message.is_fd * FD, data))
    return rows


@st.composite
def _line(draw) -> bytes:
    extended = draw(st.booleans())
    number = draw(st.integers(0, 0x1FFFFFFF if extended else 0x7FF))
    kind = draw(st.sampled_from("trdb"))
    length = draw(st.integers(0, 8) if kind in "tr" else st.sampled_from([0, 3, 8, *FD_CODES]))
    data = b"" if kind == "r" else draw(st.binary(min_size=length, max_size=length))
    stamp = draw(st.sampled_from(["", "", "1A2F"]))
    digits = draw(st.sampled_from([str.upper, str.lower]))
    head = f"{number:08X}" if extended else f"{number:03X}"
    body = digits(f"{head}{FD_CODES.get(length, length)}{data.hex()}{stamp}")
    return f"{kind.upper() if extended else kind}{body}\r".encode()


_OTHER = st.sampled_from([b"\r", b"\a", b"z\r", b"Z\r", b"V1013\r", b"F00\r"])


@given(lines=st.lists(st.one_of(_line(), _OTHER), max_size=20))
def test_whole_lines_are_what_python_can_reads(lines: list[bytes]):
    """Every kind of frame, with and without a stamp, between answers to commands."""
    sent = b"".join(lines)
    text = SerialText(-1, ends=b"\r\a\n", longest=MAX_PROTOCOL_LINE).split_lines(sent)
    rows, bad = parse_frame_lines(text.lines)
    assert bad == []
    assert rows == _stock(sent)


@given(
    lines=st.lists(_line(), min_size=1, max_size=12),
    cuts=st.lists(st.integers(0, 400), max_size=6),
    wrong=st.integers(0, 400),
    byte=st.sampled_from(b"g#\x80\x00 "),
)
def test_cut_anywhere_and_one_byte_wrong(
    lines: list[bytes], cuts: list[int], wrong: int, byte: int
):
    """A wrong byte costs its line; however the rest is cut into reads, it is what was sent."""
    sent = bytearray(b"".join(lines))
    place = wrong % len(sent)
    hit = bytes(sent[: place + 1]).count(b"\r") - (sent[place] == 0x0D)
    sent[place] = byte
    # A line end that is lost costs the line behind it as well.
    spared = [
        line for at, line in enumerate(lines) if at not in {hit, hit + (place_ends(lines, place))}
    ]
    text = SerialText(-1, ends=b"\r\a\n", longest=MAX_PROTOCOL_LINE)
    edges = [0, *sorted(cut for cut in cuts if cut < len(sent)), len(sent)]
    rows = []
    for start, end in itertools.pairwise(edges):
        rows += parse_frame_lines(text.split_lines(bytes(sent[start:end])).lines)[0]
    assert rows == _stock(b"".join(spared))


def place_ends(lines: list[bytes], place: int) -> bool:
    """Whether the byte at `place` is the end of a line."""
    return b"".join(lines)[place] == 0x0D


@pytest.mark.parametrize(
    "line",
    [b"t12", b"t1238001122", b"t12G20102", b"T1FFFFFFFF0", b"TFFFFFFFF0", b"t12391", b"hello"],
)
def test_what_is_no_frame(line: bytes):
    """Cut, too short, not hex, an identifier of more bits, a length that no frame has."""
    assert parse_frame_lines([line]) == ([], [0])


@pytest.mark.parametrize(
    ("sent", "identifiers"),
    [
        # The end of t2C38000000d1231FF00, of which d1231FF00 would be a frame of CAN FD.
        (b"d1231FF\rt12411F\r", [0x124]),
        (b"D000001230\rd1250\r", [0x125]),
        # No frame has such a letter further behind.
        (b"t12311F\rt12411F\r", [0x123, 0x124]),
        (b"00\rt12411F\r", [0x124]),
        (b"\rd1230\r", [0x123]),
    ],
)
def test_a_piece_of_a_line_is_no_frame_of_another_kind(sent: bytes, identifiers: list[int]):
    """What was under way at the opening is no fault, and never read as what it was not."""
    theirs, ours = os.pipe()
    os.write(ours, sent)
    taken = ProtocolReader(theirs, bus_index=0).read_frames()
    assert taken.frames.identifier.tolist() == identifiers
    assert taken.garbled == 0
    os.close(ours)
    os.close(theirs)
