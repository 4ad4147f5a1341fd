"""Lines of a CSV log: all at once is what python-can gives one by one, stamps exact."""

import base64
import io
from decimal import Decimal

import can
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import logger.importing.csv_log
from logger.importing.csv_log import read_csv_log
from logger.importing.message_batch import MessageBatch, read_whole_batch
from logger.joint.batch import FrameBatch
from tests.support.depth import examples

HEAD = "timestamp,arbitration_id,extended,remote,error,dlc,data\n"


@st.composite
def _lines(draw: st.DrawFn) -> str:
    stamp = draw(
        st.sampled_from(
            ["1795000000.123456", "1795000000.1234567", "0", "0.0", "8999999999.999999999",
             "9000000000.0", "12345678901.5", "1795000000", "1795000000.12345678949", "1e3"]
        )
    )  # fmt: skip
    identifier = draw(
        st.one_of(
            st.integers(0, 0x7FF).map(hex),
            st.integers(0, 2**29 - 1).map(hex),
            st.sampled_from(["0x0", "2c3", "0X2C3", "0x2C3", "0x00dadada", "0x1fffffff"]),
        )
    )
    extended, remote, error = (
        draw(st.sampled_from(["0", "0", "0", "1", "", "2"])) for _ in range(3)
    )
    length = draw(st.sampled_from(["0", "1", "8", "08", "15"]))
    data = draw(
        st.one_of(
            st.binary(max_size=8).map(lambda content: base64.b64encode(content).decode()),
            st.binary(max_size=20).map(lambda content: base64.b64encode(content).decode()),
            st.sampled_from(["", "AA==", "AB==", "A A=", "AAAA=AAA"]),
        )
    )
    return f"{stamp},{identifier},{extended},{remote},{error},{length},{data}"


REGULAR = st.builds(
    lambda at, number, extended, content: (
        f"{1795000000 + at / 1e6!r},{number:#x},{extended:d},0,0,{len(content)},"
        + base64.b64encode(content).decode()
    ),
    st.integers(0, 10**12), st.integers(0, 2**29 - 1), st.booleans(), st.binary(max_size=8),
)  # fmt: skip
BROKEN = st.sampled_from(
    ["", "1.0,0x1", "x,0x1,0,0,0,0,", "1.0,zz,0,0,0,0,", "1.0,0x1,0,0,0,0,AAA", "1,0x1,0,0,0,0,,"]
)


def _fast(text: str) -> tuple[MessageBatch, Exception | None]:
    columns, fault = MessageBatch(), None
    for more, fault in read_csv_log(io.BytesIO(text.encode())):  # noqa: B007 - the last is meant
        columns.frames += more.frames
        columns.channels += more.channels
    return columns, fault


def _same(text: str) -> None:
    slow, slow_fault = read_whole_batch(iter(can.CSVReader(io.StringIO(text, newline=None))))
    fast, fault = _fast(text)
    assert (slow_fault is None) == (fault is None), (slow_fault, fault)
    assert fast.channels == slow.channels == [None] * len(slow)
    one, other = slow.to_frame_batch(), fast.to_frame_batch()
    # The digits of each line, where python-can has a float; what is later than 2255 is no time.
    lines = io.StringIO(text, newline=None).read().split("\n")[1 : len(other) + 1]
    stamps = [Decimal(line.partition(",")[0]) for line in lines]
    assert other.time_ns.tolist() == [round(at * 10**9) if at < 9 * 10**9 else 0 for at in stamps]
    for name in ("identifier", "flags", "length", "bus"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name), err_msg=name)
    whole = FrameBatch.concatenate([one, other]).data
    np.testing.assert_array_equal(whole[: len(one)], whole[len(one) :])


@settings(max_examples=examples(300))
@given(st.lists(st.one_of(_lines(), REGULAR), max_size=12), st.sampled_from(["\n", "\r\n", "\r"]))
def test_all_at_once_is_one_by_one(lines: list[str], end: str):
    """Regular lines, unusual ones and both mixed: every field of every frame is alike."""
    text = HEAD.replace("\n", end) + end.join(lines)
    _same(text + end if lines else text)


@settings(max_examples=examples(100))
@given(st.lists(REGULAR, max_size=6), BROKEN, st.lists(REGULAR, max_size=6))
def test_up_to_a_line_that_is_none(before: list[str], broken: str, after: list[str]):
    """All frames before it, none behind it, and the fault."""
    _same(HEAD + "\n".join([*before, broken, *after, ""]))


@pytest.mark.parametrize("block", [64, 1000, 1 << 20])
def test_blocks_cut_lines_anywhere(monkeypatch: pytest.MonkeyPatch, block: int):
    """A line that lies across two blocks is one line; only the first of the file is the head."""
    monkeypatch.setattr("logger.importing.log_blocks.LOG_BLOCK_BYTES", block)
    _same(
        HEAD
        + "".join(
            f"{1795000000 + place * 0.001!r},{place % 2048:#x},0,0,0,3,AAAA\n"
            for place in range(500)
        )
    )
    _same(HEAD)
    _same("")


@settings(max_examples=50)
@given(st.lists(REGULAR, min_size=1, max_size=12))
def test_regular_lines_are_not_read_one_by_one(lines: list[str]):
    """What the writer of the format writes goes the fast way."""
    text = "\n".join([*lines, ""]).encode()
    frames = logger.importing.csv_log._parse_columns(text)
    assert frames is not None
    assert len(frames) == len(lines)
