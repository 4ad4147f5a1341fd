"""Messages as columns: the fast way is the slow way, whatever the messages are."""

import can
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.arrays import stamps_to_ns
from logger.importing.message_batch import BATCH_MESSAGES, MessageBatch, read_message_batch
from logger.joint.batch import ERROR, EXTENDED, FD, REMOTE, SENT, FrameBatch
from tests.support.depth import examples

STAMPS = st.one_of(
    st.floats(0.0, 4e9), st.floats(-10.0, 1e10), st.sampled_from([float("nan"), float("inf"), 0.0])
)


@st.composite
def _messages(draw: st.DrawFn) -> can.Message:
    fd = draw(st.booleans())
    remote = not fd and draw(st.booleans())
    data = draw(st.binary(max_size=64 if fd else 8))
    return can.Message(
        timestamp=draw(STAMPS),
        arbitration_id=draw(st.integers(0, 2**29 - 1)),
        is_extended_id=draw(st.booleans()),
        is_remote_frame=remote,
        is_error_frame=draw(st.booleans()),
        is_fd=fd,
        is_rx=draw(st.booleans()),
        dlc=draw(st.integers(0, 15)) if remote else len(data),
        data=data,
    )


def _row(message: can.Message) -> tuple[int, int, int, bytes]:
    """Return a message as a row, field by field."""
    flags = (
        (EXTENDED if message.is_extended_id else 0)
        | (REMOTE if message.is_remote_frame else 0)
        | (ERROR if message.is_error_frame else 0)
        | (FD if message.is_fd else 0)
        | (0 if message.is_rx else SENT)
    )
    is_time = 0.0 <= message.timestamp < 9e9
    stamp_ns = int(stamps_to_ns(np.array([message.timestamp]))[0]) if is_time else 0
    payload = bytes(min(message.dlc, 8)) if message.is_remote_frame else bytes(message.data)
    return stamp_ns, message.arbitration_id, flags, payload


@settings(max_examples=examples(200))
@given(st.lists(_messages(), min_size=1, max_size=20))
def test_columns_are_what_rows_give(messages: list[can.Message]):
    """Every field of every frame is that of the message-by-message way of a bus."""
    slow = FrameBatch.from_rows([_row(message) for message in messages])
    columns, fault = read_message_batch(iter(messages))
    assert fault is None
    fast = columns.to_frame_batch()
    for name in ("time_ns", "identifier", "flags", "length", "data", "bus"):
        one, other = getattr(fast, name), getattr(slow, name)
        assert one.dtype == other.dtype, name
        np.testing.assert_array_equal(one, other, err_msg=name)


def test_what_stood_before_a_fault_is_kept():
    """A reader that breaks gives all messages before the break, and the fault."""

    def broken(count: int):
        for _ in range(count):
            yield can.Message(data=b"12345678")
        raise ValueError("torn")

    messages = broken(BATCH_MESSAGES + 700)
    columns, fault = read_message_batch(messages)
    assert (len(columns), fault) == (BATCH_MESSAGES, None)
    columns, fault = read_message_batch(messages)
    assert len(columns) == 700
    assert str(fault) == "torn"


def test_a_payload_that_no_frame_can_carry_is_refused():
    """More than 64 bytes are no frame."""
    with pytest.raises(ValueError, match="65 bytes"):
        MessageBatch().append_messages([can.Message(data=bytes(65))])
