"""Lines of an `.asc` log: all at once is what python-can gives one by one, stamps exact."""

import io

import can
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.importing.asc_log import read_asc_log
from logger.importing.log_stamps import LogLines, stamp_reader
from logger.importing.message_batch import MessageBatch, read_whole_batch
from logger.joint.batch import FrameBatch
from tests.support.depth import examples

HEADS = (
    "date Fri Nov 27 10:11:12.345 am 2026\nbase hex  timestamps absolute\ninternal events logged\n",
    "date Fri Nov 27 10:11:12 2026\nbase hex timestamps absolute\nno internal events logged\n//\n",
    "base dec timestamps absolute\ninternal events logged\n",
)
CUT_HEADS = ("date Fri Nov 27 10:11:12 2026\n", "// nothing but a comment\n", "")
EVENTS = st.sampled_from(
    [
        "Begin Triggerblock Fri Nov 27 10:11:12.000 2026", "End TriggerBlock", "", "   ",
        "   0.000000 Start of measurement", "   1.5 1  Statistic: D 0 R 0 XD 0", "// a comment",
        "   2.5 1  ErrorFrame", "   2.5 1  2C3 Rx r", "   2.5 1  2C3x Tx r 4", "0.5 1 2C3 Rx d",
        "   3.5 CANFD   1 Rx  2C3   name 1 0 8 8 01 02 03 04 05 06 07 08 0 0 1000 0 0 0 0 0",
        "   3.5 CANFD   2 Tx  1ABCDx  1 0 2 2 01 02 0 0 1000 0 0 0 0 0", "0.5 1 2C3 rx d 1 07",
        "Begin Triggerblock Sat Nov 28 01:02:03 2026", "0.5 1 7 Rx d 0", "0.0 1 0 Rx d 0",
    ]
)  # fmt: skip


@st.composite
def _frames(draw: st.DrawFn) -> str:
    stamp = draw(
        st.sampled_from(
            ["0.250000", "12.5", "7.123456789", "7.1234567891", "100000.000001", "9999999999.5",
             "0123.000000", "8.", ".5"]
        )
    )  # fmt: skip
    channel = draw(st.sampled_from(["1", "1", "2", "12", "0", "1234", "x"]))
    identifier = draw(
        st.sampled_from(
            ["2C3", "2c3", "7FF", "123456x", "1FFFFFFFx", "3FFFFFFFx", "12X", "x", "zz"]
        )
    )
    direction = draw(st.sampled_from(["Rx", "Rx", "Tx", "RX", "rx"]))
    kind = draw(st.sampled_from(["d", "d", "d", "D", "e"]))
    length = draw(st.sampled_from(["0", "1", "3", "8", "8", "9", "F", "08"]))
    data = draw(st.lists(st.sampled_from(["00", "18", "fF", "A5", "7", "123", "2_"]), max_size=10))
    blank = draw(st.sampled_from([" ", "  ", "\t", "\x0b", "\u00a0"]))
    tail = draw(st.sampled_from(["", " ", "  Length = 240000 BitCount = 124 ID = 707"]))
    words = [stamp, channel, identifier, direction, kind, length, *data]
    return draw(st.sampled_from(["", "   "])) + blank.join(words) + tail


REGULAR = st.builds(
    lambda at, number, content: (
        f"{at / 1e6: 9.6f} 1  {number:<15X} Rx   d {len(content):x} {content.hex(' ').upper()}"
    ),
    st.integers(0, 10**10), st.integers(0, 0x7FF), st.binary(max_size=8),
)  # fmt: skip
BROKEN = st.sampled_from(
    ["1.5 1 zz Rx d 1 07", "1.5 1 2C3 Rx d g 07", "1.5 1 2C3 Rx d 1 gg", "1.5 1 2C3 Rx x",
     "Begin Triggerblock Fri 99 2026"]
)  # fmt: skip


def _fast(text: str, *, dated: bool) -> tuple[MessageBatch, Exception | None]:
    columns, fault = MessageBatch(), None
    for more, fault in read_asc_log(io.BytesIO(text.encode()), dated=dated):  # noqa: B007
        columns.frames += more.frames
        columns.channels += more.channels
    return columns, fault


def _same(text: str, *, dated: bool = True, told: str = "") -> MessageBatch:
    """Hold a log against what python-can reads of it, or of `told`."""
    lines = LogLines(io.BytesIO((told or text).encode()), "utf-8", errors="replace")
    reader = can.ASCReader(lines, relative_timestamp=not dated)
    slow, slow_fault = read_whole_batch(iter(reader), stamp_reader(reader, lines))
    fast, fault = _fast(text, dated=dated)
    assert type(slow_fault) is type(fault), (slow_fault, fault)
    assert fast.channels == slow.channels
    one, other = slow.to_frame_batch(), fast.to_frame_batch()
    for name in ("time_ns", "identifier", "flags", "length", "bus"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name), err_msg=name)
    whole = FrameBatch.concatenate([one, other]).data
    np.testing.assert_array_equal(whole[: len(one)], whole[len(one) :])
    return fast


@settings(max_examples=examples(400))
@given(
    st.sampled_from(HEADS),
    st.lists(st.one_of(REGULAR, REGULAR, EVENTS, _frames()), max_size=14),
    st.sampled_from(["\n", "\n", "\r\n", "\r"]),
    st.booleans(),
)
def test_all_at_once_is_one_by_one(head: str, lines: list[str], end: str, dated: bool):  # noqa: FBT001
    """Regular lines, unusual ones, heads and triggers: every field of every frame is alike."""
    _same((head + "\n".join(lines)).replace("\n", end), dated=dated)


@settings(max_examples=examples(60))
@given(st.sampled_from(CUT_HEADS), st.lists(REGULAR, min_size=1, max_size=4), st.lists(EVENTS))
def test_the_first_frame_is_kept(head: str, lines: list[str], more: list[str]):
    """The line that python-can looks for at the end of the head is not there: it drops a frame."""
    rest = "\n".join([*lines, *more])
    _same(head + rest, told=f"{head}internal events logged\n{rest}")


@settings(max_examples=examples(150))
@given(
    st.sampled_from(HEADS[:2]),
    st.lists(st.one_of(REGULAR, EVENTS), max_size=6),
    BROKEN,
    st.lists(REGULAR, max_size=6),
)
def test_up_to_a_line_that_is_none(head: str, before: list[str], broken: str, after: list[str]):
    """All frames before it, none behind it, and the fault."""
    _same(head + "\n".join([*before, broken, *after, ""]))


@pytest.mark.parametrize("block", [64, 1000, 1 << 20])
def test_blocks_cut_lines_anywhere(monkeypatch: pytest.MonkeyPatch, block: int):
    """A line that lies across two blocks is one line; a trigger holds for all blocks after it."""
    monkeypatch.setattr("logger.importing.log_blocks.LOG_BLOCK_BYTES", block)
    lines = [
        f"{place * 0.001: 9.6f} {place % 2 + 1}  {place % 2048:<15X} Rx d 2 {place % 256:02X} 00\n"
        for place in range(500)
    ]
    lines.insert(100, "Begin Triggerblock Fri Nov 27 10:11:12.000 2026\n")
    lines.insert(333, "   9.0 1  2C3 Rx r\n")
    assert len(_same(HEADS[0] + "".join(lines))) == 501
    _same("")


def test_what_python_can_writes_is_kept_whole(tmp_path, monkeypatch: pytest.MonkeyPatch):
    """Every message of its own writer, and hardly one of them read by it again."""
    path = tmp_path / "log.asc"
    with can.Logger(path) as log:
        for place in range(1000):
            log(
                can.Message(
                    timestamp=1795000000 + place * 0.001, arbitration_id=place, channel=0,
                    is_extended_id=place % 2 == 1, is_rx=place % 3 > 0, data=bytes([place % 9] * 4),
                )
            )  # fmt: skip
    read = []
    of_lines = can.ASCReader._process_classic_can_frame

    def counted(self: can.ASCReader, *arguments: object) -> can.Message:
        read.append(1)
        return of_lines(self, *arguments)

    monkeypatch.setattr(can.ASCReader, "_process_classic_can_frame", counted)
    columns, fault = _fast(path.read_text(), dated=True)
    assert (len(columns), fault) == (1000, None)
    assert len(read) < 10
