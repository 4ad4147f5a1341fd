"""Containers of a binary log: as records, what python-can gives message by message."""

import io

import can
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.log_columns import Columns, gather
from logger.log_objects import gathered_objects

PLAIN = st.builds(
    lambda at, identifier, extended, data, sent, channel: can.Message(
        timestamp=1_795_000_000 + at,
        arbitration_id=identifier if extended else identifier & 0x7FF,
        is_extended_id=extended,
        data=data,
        is_rx=not sent,
        channel=channel,
    ),
    st.floats(0, 1e5),
    st.integers(0, 2**29 - 1),
    st.booleans(),
    st.binary(max_size=8),
    st.booleans(),
    st.integers(0, 3),
)
ODD = st.one_of(
    st.binary(max_size=8).map(
        lambda data: can.Message(
            timestamp=1_795_000_000.5, is_fd=True, data=data, arbitration_id=5, channel=0
        )
    ),
    st.integers(0, 8).map(
        lambda dlc: can.Message(timestamp=1_795_000_000.5, is_remote_frame=True, dlc=dlc)
    ),
    st.just(can.Message(timestamp=1_795_000_000.5, is_error_frame=True)),
)


def _content(messages: list[can.Message], *, container: int, level: int = -1) -> bytes:
    file = io.BytesIO()
    closing = file.close
    file.close = lambda: None  # type: ignore[method-assign]
    writer = can.BLFWriter(file, compression_level=level)
    writer.max_container_size = container
    for message in messages:
        writer(message)
    writer.stop()
    content = file.getvalue()
    closing()
    return content


def _slow(content: bytes) -> tuple[Columns, Exception | None]:
    messages = iter(can.BLFReader(io.BytesIO(content)))
    columns = Columns()
    while True:
        more, fault = gather(messages)
        columns.frames += more.frames
        columns.channel += more.channel
        if fault is not None or len(more) == 0:
            return columns, fault


def _fast(content: bytes) -> tuple[Columns, Exception | None]:
    columns = Columns()
    fault = None
    for more, fault in gathered_objects(io.BytesIO(content)):  # noqa: B007 - the last is meant
        columns.frames += more.frames
        columns.channel += more.channel
    return columns, fault


def _alike(one: Columns, other: Columns) -> None:
    left, right = one.batch(), other.batch()
    assert one.channel == other.channel
    for name in ("time_ns", "identifier", "flags", "length", "bus"):
        np.testing.assert_array_equal(getattr(left, name), getattr(right, name), err_msg=name)
    np.testing.assert_array_equal(left.data[:, :8], right.data[:, :8])


@settings(max_examples=150, deadline=None)
@given(
    st.one_of(st.lists(PLAIN, max_size=40), st.lists(st.one_of(PLAIN, ODD), max_size=30)),
    st.sampled_from([100, 300, 131072]),
    st.sampled_from([-1, 0]),
)
def test_records_are_messages(messages: list[can.Message], container: int, level: int):
    """Packed or not, in containers that cut objects anywhere: every field is alike."""
    content = _content(messages, container=container, level=level)
    (fast, fault), (slow, slow_fault) = _fast(content), _slow(content)
    assert fault is None
    assert slow_fault is None
    # The writer of python-can itself forgets what fills more than one last container.
    assert container < 1000 or len(fast) == len(messages)
    _alike(fast, slow)


@pytest.mark.parametrize("container", [300, 131072])
def test_a_log_that_was_cut_anywhere(container: int):
    """What comes is a prefix of the frames; a cut within a container is told."""
    messages = [
        can.Message(timestamp=1_795_000_000 + at, data=at.to_bytes(2), channel=0)
        for at in range(30)
    ]
    content = _content(messages, container=container)
    whole = _fast(content)[0].batch()
    for end in range(len(content)):
        columns, fault = _fast(content[:end])
        frames = columns.batch()
        assert fault is not None or len(frames) <= len(whole)
        np.testing.assert_array_equal(frames.time_ns, whole.time_ns[: len(frames)])
        np.testing.assert_array_equal(frames.data, whole.data[: len(frames)])


def test_bytes_that_are_no_log():
    """A fault, and no frame."""
    for content in (b"", b"LOGG", b"x" * 500, bytes(500)):
        columns, fault = _fast(content)
        assert len(columns) == 0
        assert fault is not None
