"""What is computed live is the same for an hour at once and for 50 ms at a time."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.joint.batch import ERROR, REMOTE, FrameBatch, ReadingBatch
from logger.recording.per_second import FramesPerSecond, RmsTorque, second_marks
from logger.simulate.scenario import scenario_bench
from logger.traffic.bus_statistics import bus_statistics, statistics_plan
from logger.traffic.per_second import TrafficCounter
from tests.support.depth import examples

S = 1_000_000_000
START_NS = 1_795_000_000 * S
HOLD_NS = 300_000_000


def _trace(seed: int) -> ReadingBatch:
    dice = np.random.default_rng(seed)
    n = int(dice.integers(2, 800))
    steps = dice.choice([1_000_000, 100_000_000, 800_000_000, 5 * S], n, p=[0.3, 0.5, 0.18, 0.02])
    torque = np.where(dice.random(n) < 0.8, dice.normal(0, 20, n), np.nan)
    return ReadingBatch(
        joint="a",
        time_ns=START_NS + np.cumsum(steps),
        position_segment=np.full(n, -1, np.int32),
        columns={"torque_Nm": torque},
    )


def _told(trace: ReadingBatch, cuts: list[int]) -> list[tuple[int, float]]:
    torque, rows, second = RmsTorque(HOLD_NS), [], START_NS + S
    for first, behind in zip([0, *cuts], [*cuts, len(trace)], strict=True):
        part = trace.select_rows(slice(first, behind))
        torque.add_readings(part)
        if len(part) and int(part.time_ns[-1]) >= second:
            marks = second_marks(second, int(part.time_ns[-1]))
            rows += zip(marks.tolist(), torque.rms_at(marks).tolist(), strict=True)
            second = int(marks[-1]) + S
    return rows


@settings(max_examples=examples(100))
@given(st.integers(0, 2**32 - 1), st.lists(st.floats(0, 1), max_size=30))
def test_the_rms_is_that_of_the_minute_before_each_second(seed: int, shares: list[float]):
    """Against the readings themselves, weighted by the time they held."""
    trace = _trace(seed)
    time_ns, value = trace.channel_series("torque_Nm")
    whole = _told(trace, [])
    if len(time_ns) == 0:
        return
    ends = np.minimum(np.append(time_ns[1:], time_ns[-1] + HOLD_NS), time_ns + HOLD_NS)
    for mark, rms in whole:
        begins = np.maximum(time_ns, mark - 60 * S)
        held = np.maximum(np.minimum(ends, mark) - begins, 0) * 1e-9
        if held.sum() > 0:
            expected = np.sqrt((value**2 * held).sum() / held.sum())
            assert rms == pytest.approx(expected, rel=1e-9, abs=1e-9)
    cuts = sorted(int(share * len(trace)) for share in shares)
    pieces = _told(trace, cuts)
    assert [mark for mark, _ in pieces] == [mark for mark, _ in whole]
    assert [rms for _, rms in pieces] == pytest.approx(
        [rms for _, rms in whole], rel=1e-9, abs=1e-9, nan_ok=True
    )


def test_the_newest_torque_counts_up_to_the_mark():
    """A torque every 2 s: at a mark it has held for a second, before the next one is known."""
    torque, told = RmsTorque(6 * S), []
    for second in range(0, 9):
        if second % 2 == 0:
            torque.add_readings(_torque_at(START_NS + second * S, 10.0 if second < 8 else 40.0))
        told += torque.rms_at(np.array([START_NS + second * S + S])).tolist()
    assert told[:8] == pytest.approx([10.0] * 8)
    assert told[8] == pytest.approx(np.sqrt((8 * 100 + 1600) / 9))
    # Nothing follows it: it counts for its hold of 6 s and no longer.
    later = torque.rms_at(START_NS + S * np.array([14, 16, 75])).tolist()
    assert later == pytest.approx([np.sqrt((800 + 6 * 1600) / 14)] * 2 + [np.nan], nan_ok=True)


def _torque_at(time_ns: int, torque: float) -> ReadingBatch:
    return ReadingBatch(
        joint="a",
        time_ns=np.array([time_ns]),
        position_segment=np.full(1, -1, np.int32),
        columns={"torque_Nm": np.array([torque])},
    )


def test_frames_are_counted_in_their_second():
    """One batch over many seconds, or many batches in one: the same counts, none twice."""
    times = START_NS + np.sort(np.random.default_rng(1).integers(0, 10 * S, 1000))
    frames = FrameBatch.from_rows([(int(at), 1, 0, b"") for at in times])
    expected = np.bincount((times - START_NS) // S, minlength=10)
    for size in (7, 100, 1000):
        counted, rows, second = FramesPerSecond(), [], START_NS + S
        for first in range(0, len(frames), size):
            part = frames.select_rows(slice(first, first + size))
            counted.add_frames(part)
            if int(part.time_ns[-1]) >= second:
                marks = second_marks(second, int(part.time_ns[-1]))
                rows += counted.counts_at(marks)
                second = int(marks[-1]) + S
        assert rows == expected[: len(rows)].tolist()
        assert len(rows) == 9


def test_a_year_of_nothing_gives_no_year_of_rows():
    """What a log leaves out is not filled with rows of nothing."""
    marks = second_marks(START_NS, START_NS + 365 * 86_400 * S)
    assert len(marks) == 100_000
    assert marks[-1] == START_NS + 365 * 86_400 * S


@pytest.mark.parametrize("size", [1, 3, 100])
def test_frames_a_second_are_those_of_nodes(size: int):
    """Data and remote frames count; an error frame, which no node sent, does not: as on Bus."""
    rows = [(START_NS + at * S // 4, 0x10, 0, b"\1") for at in range(8)]
    rows += [(START_NS + 2 * S, 0, ERROR, b"")] * 5
    rows += [(START_NS + 2 * S + 1, 0x11, REMOTE, b""), (START_NS + 3 * S, 0, ERROR, b"")]
    frames = FrameBatch.from_rows(rows)
    counted = FramesPerSecond()
    for first in range(0, len(rows), size):
        counted.add_frames(frames.select_rows(slice(first, first + size)))
    marks = second_marks(START_NS + S, START_NS + 4 * S)
    assert counted.counts_at(marks) == [4.0, 4.0, 1.0, 0.0]
    bench = scenario_bench(channel="can0")
    for at, told in enumerate([4.0, 4.0, 1.0, 0.0]):
        begin, end = START_NS + at * S, START_NS + (at + 1) * S
        inside = (frames.time_ns >= begin) & (frames.time_ns < end)
        one_second = frames.select_rows(inside)
        (statistics,) = bus_statistics(
            one_second, statistics_plan(bench), start_ns=begin, end_ns=end
        )
        traffic = TrafficCounter(None)
        traffic.add_frames(one_second)
        second = traffic.take_second(1.0, sent_bits=0)
        assert statistics.frames_per_s == second.frames_per_s == told
        assert statistics.error_frames == second.error_frames == len(one_second) - told
