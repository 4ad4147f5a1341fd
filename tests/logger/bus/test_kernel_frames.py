"""Frames taken many at a time are those that python-can gives one by one."""

import socket
import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.bus.kernel_frames import (
    BATCH_SLOTS,
    KernelReader,
    dropped_frames,
    enlarge_buffer,
    is_supported,
)
from logger.bus.opening import MessageReader
from logger.bus.python_can_workarounds import peer_closed
from logger.joint.batch import ERROR, EXTENDED, FD, REMOTE, FrameBatch
from tests.support.depth import examples
from tests.support.standin import bus_on, fd_frame, frame, pair

pytestmark = pytest.mark.skipif(not is_supported(), reason="needs Linux with a 64-bit long")

EFF, RTR, ERR = 0x80000000, 0x40000000, 0x20000000


def _same(ours: FrameBatch, theirs: FrameBatch) -> None:
    assert ours.identifier.tolist() == theirs.identifier.tolist()
    assert ours.flags.tolist() == theirs.flags.tolist()
    assert ours.length.tolist() == theirs.length.tolist()
    width = max(ours.data.shape[1], theirs.data.shape[1])
    for batch in (ours, theirs):
        assert batch.data.dtype == np.uint8
    padded = [
        np.pad(batch.data, ((0, 0), (0, width - batch.data.shape[1]))) for batch in (ours, theirs)
    ]
    np.testing.assert_array_equal(*padded)
    assert ours.bus.tolist() == theirs.bus.tolist()


@st.composite
def _classic(draw: st.DrawFn) -> bytes:
    kind = draw(st.sampled_from([0, EFF, RTR, EFF | RTR, ERR]))
    number = draw(st.integers(0, 0x1FFFFFFF if kind & EFF else 0x7FF))
    payload = draw(st.binary(max_size=8))
    behind = draw(st.binary(max_size=8 - len(payload)))
    if kind & RTR:
        # A remote frame asks for a length and carries nothing.
        return frame(number | kind, bytes(len(payload)))
    return frame(number | kind, payload, behind=behind)


@settings(max_examples=examples(60))
@given(st.lists(_classic(), max_size=40))
def test_both_ways_give_identical_batches(sent: list[bytes]):
    """Identifiers, flags, lengths and bytes, whatever lay behind a short payload."""
    sender, receiver = pair()
    other, theirs_end = pair()
    for one in sent:
        sender.send(one)
        other.send(one)
    ours, drained = KernelReader(receiver, fd=False, bus=2).read_frames()
    theirs = MessageReader(bus_on(theirs_end), bus_index=2, marks_sent=False).read_frames()
    assert drained
    _same(ours, theirs.frames)
    for end in (sender, receiver, other, theirs_end):
        end.close()


def test_fd_frames_of_every_length():
    """Up to 64 bytes beside classical ones, in one batch."""
    sizes = [0, 1, 8, 12, 16, 20, 24, 32, 48, 64]
    sent = [fd_frame(0x100 + size, bytes(range(size))) for size in sizes]
    sent.append(frame(0x7FF, b"\x01\x02"))
    batches = []
    for kernel in (True, False):
        sender, receiver = pair()
        for one in sent:
            sender.send(one)
        if kernel:
            batches.append(KernelReader(receiver, fd=True, bus=0).read_frames()[0])
        else:
            batches.append(
                MessageReader(bus_on(receiver), bus_index=0, marks_sent=False).read_frames().frames
            )
        sender.close()
        receiver.close()
    _same(*batches)
    assert batches[0].flags.tolist() == [FD] * len(sizes) + [0]
    assert batches[0].data[sizes.index(64)].tolist() == list(range(64))


def test_more_than_one_call_holds_come_in_order():
    """Nothing is lost, doubled or moved between two calls of the kernel."""
    sender, receiver = pair()
    reader = KernelReader(receiver, fd=False, bus=0)
    count = 3 * BATCH_SLOTS + 7
    taken: list[FrameBatch] = []
    for first in range(0, count, 100):
        for number in range(first, min(first + 100, count)):
            sender.send(frame(number % 0x7FF, number.to_bytes(8, "little")))
        taken.append(reader.read_frames()[0])
    while True:
        frames, drained = reader.read_frames()
        taken.append(frames)
        if drained:
            break
    numbers = FrameBatch.concatenate(taken).data.copy().view("<u8")[:, 0]
    assert numbers.tolist() == list(range(count))
    sender.close()
    receiver.close()


def test_the_stamps_are_the_kernels():
    """Nanoseconds of the wall clock at which each frame came, not when it was taken."""
    sender, receiver = pair()
    before = time.time_ns()
    sender.send(frame(1, b""))
    time.sleep(0.05)
    sender.send(frame(2, b""))
    after = time.time_ns()
    time.sleep(0.05)
    frames, _ = KernelReader(receiver, fd=False, bus=0).read_frames()
    first, second = frames.time_ns.tolist()
    assert before <= first
    assert second - first > 40_000_000
    assert second <= after
    sender.close()
    receiver.close()


def test_a_datagram_that_is_no_frame_has_no_bytes():
    """Cut or foreign: counted and stored with no payload; what follows is read."""
    sender, receiver = pair()
    sender.send(b"\x01\x02")
    sender.send(frame(5, b"\xff" * 8))
    frames, _ = KernelReader(receiver, fd=False, bus=0).read_frames()
    assert frames.length.tolist() == [0, 8]
    assert not frames.data[0].any()
    assert frames.identifier.tolist()[1] == 5
    sender.close()
    receiver.close()


def test_an_interface_that_is_gone_is_a_fault():
    """A socket that cannot be read is told, and does not read as a quiet bus."""
    sender, receiver = pair()
    reader = KernelReader(receiver, fd=False, bus=0)
    assert len(reader.read_frames()[0]) == 0
    sender.close()
    receiver.close()
    with pytest.raises(OSError, match="Bad file"):
        reader.read_frames()


def test_a_buffer_that_is_full_is_counted_exactly():
    """What the kernel drops is told to the frame."""
    sender, receiver = pair()
    receiver.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    for _ in range(500):
        sender.send(frame(1, b"\x01"))
    lost = dropped_frames(receiver)
    kept = 0
    receiver.settimeout(0)
    while True:
        try:
            receiver.recv(100)
        except BlockingIOError:
            break
        kept += 1
    assert lost > 0
    assert kept + lost == 500
    assert enlarge_buffer(receiver) > 4096
    sender.close()
    receiver.close()


def test_a_connection_that_the_other_side_closed_is_seen():
    """Interfaces over TCP that go on as if the bus were quiet are found out; others are left."""
    listener = socket.create_server(("127.0.0.1", 0))
    client = socket.create_connection(listener.getsockname())
    served, _ = listener.accept()
    assert not peer_closed(client.fileno())
    served.send(b"x")
    assert not peer_closed(client.fileno())
    served.close()
    client.recv(1)
    assert peer_closed(client.fileno())
    assert client.fileno() >= 0, "it was only looked at"
    assert not peer_closed(listener.fileno() + 1000)
    client.close()
    listener.close()


def test_flags_are_told_apart():
    """Extended, remote and error frames of the kernel's head bits."""
    sender, receiver = pair()
    for head in (0x123, 0x1ABCDEF | EFF, 0x5 | RTR, 0x20 | ERR):
        sender.send(frame(head, b""))
    frames, _ = KernelReader(receiver, fd=False, bus=0).read_frames()
    assert frames.flags.tolist() == [0, EXTENDED, REMOTE, ERROR]
    assert frames.identifier.tolist() == [0x123, 0x1ABCDEF, 5, 0x20]
    sender.close()
    receiver.close()
