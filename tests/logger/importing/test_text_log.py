"""Lines of a text log: all at once is what python-can gives one by one, stamps exact."""

import io
from decimal import Decimal

import can
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.importing.message_batch import MessageBatch, read_message_batch
from logger.importing.text_log import read_text_log
from logger.joint.batch import FrameBatch
from tests.support.depth import examples

HEX = st.text("0123456789abcdefABCDEF", max_size=20)


@st.composite
def _lines(draw: st.DrawFn) -> str:
    seconds = draw(st.sampled_from(["1795000000", "0", "999999999", "8999999999", "12345678901"]))
    micros = draw(
        st.sampled_from(["000000", "123456", "999999", "5", "1234567", "123456789", "000000001"])
    )
    channel = draw(st.sampled_from(["can0", "can0", "vcan12", "7", "007", "c", "kanal-ä"]))
    identifier = draw(
        st.one_of(
            st.integers(0, 0x7FF).map("{:03X}".format),
            st.integers(0, 2**32 - 1).map("{:08x}".format),
            st.sampled_from(["2C3", "2C", "20000080", "1FFFFFFF", "12345"]),
        )
    )
    data = draw(
        st.one_of(
            st.binary(max_size=8).map(bytes.hex),
            st.binary(max_size=16).map(bytes.hex),
            HEX,
            st.binary(max_size=64).map(lambda content: f"#1{content.hex()}"),
            st.sampled_from(["R", "R4", "r", ""]),
        )
    )
    tail = draw(st.sampled_from(["", " R", " T", " r", " t"]))
    return f"({seconds}.{micros}) {channel} {identifier}#{data}{tail}"


BROKEN = st.sampled_from(
    ["(", "x y z", "(1.0) can0 2C3", "(1795000000.000000) can0 2C3#0g", "#" * 30]
)
SPACE = st.sampled_from(["", "  ", "\r"])


def _slow(text: str) -> tuple[MessageBatch, Exception | None]:
    messages = iter(can.CanutilsLogReader(io.StringIO(text)))
    columns = MessageBatch()
    while True:
        more, fault = read_message_batch(messages)
        columns.frames += more.frames
        columns.channels += more.channels
        if fault is not None or len(more) == 0:
            return columns, fault


def _fast(text: str) -> tuple[MessageBatch, Exception | None]:
    columns = MessageBatch()
    fault = None
    for more, fault in read_text_log(io.BytesIO(text.encode())):  # noqa: B007 - the last is meant
        columns.frames += more.frames
        columns.channels += more.channels
    return columns, fault


def _same(text: str) -> None:
    (slow, slow_fault), (fast, fast_fault) = _slow(text), _fast(text)
    assert (slow_fault is None) == (fast_fault is None)
    assert [str(one) if one is not None else None for one in slow.channels] == [
        str(one) if one is not None else None for one in fast.channels
    ]
    one, other = slow.to_frame_batch(), fast.to_frame_batch()
    # The digits of each line, where python-can has a float; what is later than 2255 is no time.
    lines = [line for line in text.split("\n") if line.strip()][: len(other)]
    stamps = [Decimal(line.split()[0][1:-1]) for line in lines]
    assert other.time_ns.tolist() == [int(at * 10**9) if at < 9 * 10**9 else 0 for at in stamps]
    for name in ("identifier", "flags", "length", "bus"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name), err_msg=name)
    np.testing.assert_array_equal(one.data[:, :8], other.data[:, :8])
    assert FrameBatch.concatenate([one, other]).data[len(one) :].sum() == one.data.sum()


@settings(max_examples=examples(300))
@given(st.lists(st.one_of(_lines(), _lines(), SPACE), max_size=12), st.booleans())
def test_all_at_once_is_one_by_one(lines: list[str], ended: bool):  # noqa: FBT001
    """Plain lines, unusual ones and both mixed: every field of every frame is alike."""
    _same("\n".join(lines) + ("\n" if ended else ""))


@settings(max_examples=examples(150))
@given(st.lists(_lines(), max_size=6), BROKEN, st.lists(_lines(), max_size=6))
def test_up_to_a_line_that_is_none(before: list[str], broken: str, after: list[str]):
    """All frames before it, none behind it, and the fault."""
    _same("\n".join([*before, broken, *after]))


@pytest.mark.parametrize("block", [64, 1000, 1 << 20])
def test_blocks_cut_lines_anywhere(monkeypatch: pytest.MonkeyPatch, block: int):
    """A line that lies across two blocks is one line."""
    monkeypatch.setattr("logger.importing.log_blocks.LOG_BLOCK_BYTES", block)
    _same(
        "".join(
            f"({1795000000 + place * 0.001:.6f}) can{place % 2} {place % 2048:03X}#{place:06X}\n"
            for place in range(500)
        )
    )
