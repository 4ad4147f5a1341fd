"""What is computed live is the same for an hour at once and for 50 ms at a time."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.joint.batch import FrameBatch, ReadingBatch
from logger.recording.per_second import FramesPerSecond, RmsTorque, second_marks

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


@settings(max_examples=100, deadline=None)
@given(st.integers(0, 2**32 - 1), st.lists(st.floats(0, 1), max_size=30))
def test_the_rms_is_that_of_the_minute_before_each_second(seed: int, shares: list[float]):
    """Against the readings themselves, weighted by the time they held."""
    trace = _trace(seed)
    time_ns, value = trace.channel_series("torque_Nm")
    whole = _told(trace, [])
    if len(time_ns) == 0:
        return
    # The newest value counts once its hold is over: before that, nobody knows how long it is.
    over = int(trace.time_ns[-1]) - int(time_ns[-1]) >= HOLD_NS
    newest_end = time_ns[-1] + (HOLD_NS if over else 0)
    ends = np.minimum(np.append(time_ns[1:], newest_end), time_ns + HOLD_NS)
    for mark, rms in whole:
        begins = np.maximum(time_ns, mark - 60 * S)
        held = np.maximum(np.minimum(ends, mark) - begins, 0) * 1e-9
        if held.sum() > 0:
            expected = np.sqrt((value**2 * held).sum() / held.sum())
            assert rms == pytest.approx(expected, rel=1e-9, abs=1e-9)
    # At a mark between two batches the newest value's hold is not known yet: one value, one second.
    cuts = sorted(int(share * len(trace)) for share in shares)
    pieces = dict(_told(trace, cuts))
    assert list(pieces) == [mark for mark, _ in whole]
    assert len(whole) == len({mark for mark, _ in whole})


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
