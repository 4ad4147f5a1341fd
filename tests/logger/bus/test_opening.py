"""Messages of python-can as batches: what a read costs, and that nothing of `recv` is left out."""

import sys
from collections.abc import Callable
from types import FrameType

import can
import numpy as np
import pytest

from logger.bus.opening import MessageReader
from logger.bus.python_can_workarounds import is_plausible_frame
from logger.joint.batch import ERROR, EXTENDED, FD, REMOTE, SENT


def _messages() -> list[can.Message]:
    return [
        can.Message(arbitration_id=number, is_extended_id=False, data=bytes(number % 9))
        for number in range(300)
    ]


def _calls(work: Callable[[], object]) -> int:
    """Return how many functions of Python are called: it depends on no load."""
    count = 0

    def note(_frame: FrameType, event: str, _what: object) -> None:
        nonlocal count
        count += event == "call"

    sys.setprofile(note)
    try:
        work()
    finally:
        sys.setprofile(None)
    return count


def test_a_message_costs_no_more_calls_than_its_receipt():
    """A read calls less of Python for each message than a bare loop over `recv`."""
    with (
        can.Bus(interface="virtual", channel="calls") as sender,
        can.Bus(interface="virtual", channel="calls") as receiver,
    ):
        reader = MessageReader(receiver, bus_index=0)
        reader.read_frames()

        def bare() -> None:
            while receiver.recv(0) is not None:
                pass

        calls = []
        for work in (bare, reader.read_frames):
            for message in _messages():
                sender.send(message)
            calls.append(_calls(work))
    # Three for each message in python-can; what a read adds once is some thirty.
    assert calls[1] <= calls[0], calls


@pytest.mark.parametrize("filtered", [False, True])
def test_filters_of_a_bus_hold(filtered: bool):  # noqa: FBT001 - a parameter of the test
    """A bus that was opened with filters gives what passes them, and no more."""
    options = {"can_filters": [{"can_id": 0x10, "can_mask": 0x7F0}]} if filtered else {}
    with (
        can.Bus(interface="virtual", channel="filters") as sender,
        can.Bus(interface="virtual", channel="filters", **options) as receiver,
    ):
        for message in _messages():
            sender.send(message)
        reader = MessageReader(receiver, bus_index=0)
        found: list[int] = []
        # What is filtered out ends a read with no time to wait.
        for _ in range(301):
            found += reader.read_frames().frames.identifier.tolist()
    assert found == (list(range(0x10, 0x20)) if filtered else list(range(300)))


class _OwnWay(can.BusABC):
    """A bus that receives in a way of its own."""

    def __init__(self, messages: list[can.Message]) -> None:
        super().__init__(channel="own")
        self._messages = messages

    def recv(self, timeout: float | None = None) -> can.Message | None:
        """Return the next message; `timeout` is not looked at."""
        del timeout
        return self._messages.pop(0) if self._messages else None

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        """Refuse: nothing is sent here."""
        raise NotImplementedError


def test_a_bus_with_a_way_of_its_own():
    """`recv` is used where an interface has its own."""
    with _OwnWay(_messages()) as bus:
        assert len(MessageReader(bus, bus_index=0).read_frames().frames) == 300


def test_flags_of_every_kind():
    """Flags, lengths and bytes of each kind of message beside the others; no others."""
    messages = [
        can.Message(arbitration_id=0x12, is_extended_id=False, data=b"\x01\x02"),
        can.Message(arbitration_id=0x12345678, is_extended_id=True, data=b"\x03"),
        can.Message(arbitration_id=0x13, is_extended_id=False, is_remote_frame=True, dlc=4),
        can.Message(arbitration_id=0, is_extended_id=False, is_error_frame=True),
        can.Message(arbitration_id=0x14, is_extended_id=False, is_fd=True, data=bytes(range(12))),
        can.Message(arbitration_id=0x15, is_extended_id=False, data=b"\x04", is_rx=False),
    ]
    cut = can.Message(arbitration_id=0x16, is_extended_id=False, data=b"\x05")
    cut.dlc = 8
    beyond = can.Message(arbitration_id=0x17, is_extended_id=False, data=b"\x06")
    beyond.arbitration_id = 0x800
    assert [is_plausible_frame(one) for one in (cut, beyond)] == [False, False]
    with _OwnWay([*messages, cut, beyond]) as bus:
        result = MessageReader(bus, bus_index=3).read_frames()
    frames = result.frames
    assert result.garbled == 2
    assert frames.flags.tolist() == [0, EXTENDED, REMOTE, ERROR, FD, SENT]
    assert frames.length.tolist() == [2, 1, 4, 0, 12, 1]
    assert frames.identifier.tolist() == [0x12, 0x12345678, 0x13, 0, 0x14, 0x15]
    np.testing.assert_array_equal(frames.data[4, :12], np.arange(12))
    assert frames.bus.tolist() == [3] * 6
