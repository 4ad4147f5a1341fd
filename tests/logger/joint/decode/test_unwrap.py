"""Single-turn encoder to continuous angle; the numbers are derived from the rule, by hand."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.joint.decode.unwrap import UnwrapState, unwrap_counts
from tests.support.depth import examples

M = 16384


def _two(first: int, second: int, *, dt_s: float, rpm: float = float("nan"), known_s: float = 1.0):
    speed = np.full(2, rpm / 60 * M)
    return unwrap_counts(
        np.array([0, round(dt_s * 1e9)]),
        np.array([first, second]),
        speed,
        modulus=M,
        valid_for_ns=round(known_s * 1e9),
        state=UnwrapState(),
    )


@pytest.mark.parametrize(
    ("first", "second", "dt_s", "rpm", "move"),
    [
        (16000, 200, 0.001, float("nan"), 584),
        (200, 16000, 0.001, float("nan"), -584),
        (1000, 4277, 0.020, 3600.0, 19661),
        (1000, 4277, 0.020, float("nan"), 3277),
        (5000, 13192, 0.020, -4500.0, -24576),
    ],
)
def test_worked_moves(first: int, second: int, dt_s: float, rpm: float, move: int):
    """Nearest move, and the turns that the speed tells; derived by hand for a 14-bit encoder."""
    total, segment, _ = _two(first, second, dt_s=dt_s, rpm=rpm)
    assert total[1] - total[0] == move
    assert segment.tolist() == [0, 0]


def test_exactly_half_a_turn_is_not_guessed():
    """Without a speed, a move of half a turn starts a new segment."""
    _, segment, _ = _two(5000, 13192, dt_s=0.02)
    assert segment.tolist() == [0, 1]


def test_a_long_silence_starts_a_segment():
    """Beyond the time for which turns are known, the count begins anew at its raw value."""
    total, segment, _ = _two(100, 300, dt_s=2.0, rpm=1.0)
    assert segment.tolist() == [0, 1]
    assert total.tolist() == [100, 300]


@settings(max_examples=examples(60))
@given(
    st.integers(0, 2**31 - 1),
    st.lists(st.integers(1, 399), max_size=8),
    st.floats(0.001, 0.02),
)
def test_a_moving_shaft_is_followed(seed: int, cuts: list[int], dt_s: float):
    """With a speed reading, a smoothly moving shaft unwraps to the truth, in any chunking."""
    dice = np.random.default_rng(seed)
    t = np.arange(400) * dt_s
    turns = 15 * np.sin(t * dice.uniform(0.2, 2.0)) + dice.uniform(-3, 3) * t
    truth = np.rint(turns * M).astype(np.int64)
    speed = np.gradient(turns, t) * M
    time_ns = np.rint(t * 1e9).astype(np.int64)
    state, parts, segments = UnwrapState(), [], []
    edges = [0, *sorted(cuts), 400]
    for a, b in pairwise(edges):
        total, segment, state = unwrap_counts(
            time_ns[a:b],
            truth[a:b] % M,
            speed[a:b],
            modulus=M,
            valid_for_ns=250_000_000,
            state=state,
        )
        parts.append(total)
        segments.append(segment)
    total = np.concatenate(parts)
    assert set(np.concatenate(segments).tolist()) == {0}
    np.testing.assert_array_equal(total - total[0], truth - truth[0])


def test_exactly_half_a_turn_is_decided_by_a_speed():
    """With a speed, half a turn is no riddle: it went the way that the speed says."""
    assert _two(0, M // 2, dt_s=0.02, rpm=1500.0)[0].tolist() == [0, M // 2]
    assert _two(0, M // 2, dt_s=0.02, rpm=-1500.0)[0].tolist() == [0, -M // 2]


@pytest.mark.parametrize("speeds", [(float("nan"), 983040.0), (983040.0, float("nan"))])
def test_one_speed_of_two_readings_is_used(speeds: tuple[float, float]):
    """3600 rpm over 20 ms is 1.2 turns, though only one of the readings has a speed beside it."""
    total, segment, _ = unwrap_counts(
        np.array([0, 20_000_000]),
        np.array([1000, 4277]),
        np.array(speeds),
        modulus=M,
        valid_for_ns=10**9,
        state=UnwrapState(),
    )
    assert (total[1] - total[0], segment.tolist()) == (19661, [0, 0])


def test_a_speed_that_leaps_leaves_the_turns_open():
    """From rest to 6000 rpm within 100 ms: anything up to ten turns, so a new segment."""
    _, segment, _ = unwrap_counts(
        np.array([0, 100_000_000]),
        np.array([0, 0]),
        np.array([0.0, 100.0 * M]),
        modulus=M,
        valid_for_ns=10**9,
        state=UnwrapState(),
    )
    assert segment.tolist() == [0, 1]


@pytest.mark.parametrize("speed", [1e6, -1e12, float("nan")])
def test_the_first_reading_is_taken_as_it_is(speed: float):
    """No turns are counted from the epoch, whatever the speed; it begins with the raw count."""
    total, segment, state = unwrap_counts(
        np.array([1_795_000_000_000_000_000]),
        np.array([123]),
        np.array([speed]),
        modulus=M,
        valid_for_ns=10**9,
        state=UnwrapState(),
    )
    assert (total.tolist(), segment.tolist(), state.total) == ([123], [0], 123)


@pytest.mark.parametrize(
    ("count", "zero", "begins"),
    [(M - 10, 0, -10), (10, 0, 10), (100, M - 50, M + 100), (M // 2, 0, -M // 2), (20, None, 20)],
)
def test_a_segment_is_signed_about_the_zero(count: int, zero: int | None, begins: int):
    """It begins within half a turn of the joint's zero, also where that lies near a turn's end."""
    total, segment, state = unwrap_counts(
        np.array([0, 10**10, 10**10 + 10**6]),
        np.array([count, count, (count + 3) % M]),
        np.full(3, np.nan),
        modulus=M,
        valid_for_ns=10**9,
        zero=zero,
        state=UnwrapState(),
    )
    assert total.tolist() == [begins, begins, begins + 3]
    assert segment.tolist() == [0, 1, 1]
    assert state.total == begins + 3


@settings(max_examples=examples(150))
@given(
    st.integers(3, 2**20),
    st.lists(
        st.tuples(
            st.floats(0.0005, 0.4),
            st.floats(-40.0, 40.0),
            st.floats(-0.49, 0.49),
        ),
        min_size=1,
        max_size=40,
    ),
)
def test_right_while_the_speed_is_wrong_by_less_than_half_a_turn(
    modulus: int, steps: list[tuple[float, float, float]]
):
    """|speed error| * dt + quantisation < half a turn finds the truth, whatever the shaft does.

    The bound of the rule k = round((v dt - d0) / M), derived.
    """
    truth, time_ns, errors = [0], [0], []
    for dt_s, turns_s, off in steps:
        truth.append(truth[-1] + round(turns_s * dt_s * modulus))
        time_ns.append(time_ns[-1] + round(dt_s * 1e9))
        errors.append(off)
    found, begun = [], []
    for i in range(1, len(truth)):
        dt_s = (time_ns[i] - time_ns[i - 1]) * 1e-9
        # Half a turn less one count: what rounding the truth to counts may cost.
        off = errors[i - 1] * (modulus - 2) / dt_s
        speed = (truth[i] - truth[i - 1]) / dt_s + off
        pair = slice(i - 1, i + 1)
        total, segment, _ = unwrap_counts(
            np.array(time_ns[pair]),
            np.array(truth[pair]) % modulus,
            np.full(2, speed),
            modulus=modulus,
            valid_for_ns=500_000_000,
            state=UnwrapState(),
        )
        found.append(int(total[1] - total[0]))
        begun.append(int(segment[1] - segment[0]))
    assert found == np.diff(truth).tolist()
    assert set(begun) == {0}


@settings(max_examples=examples(100))
@given(st.integers(0, 2**31 - 1), st.lists(st.integers(0, 200), max_size=12))
def test_any_chunking_of_anything_is_the_whole(seed: int, cuts: list[int]):
    """Gaps, leaps, half turns, speeds that come and go: pieces give what the whole gives."""
    dice = np.random.default_rng(seed)
    n = 200
    time_ns = np.cumsum(dice.choice([0, 1_000_000, 40_000_000, 300_000_000], n)) + 10**18
    count = dice.choice([0, 1, M // 4, M // 2, M - 1], n)
    speed = dice.choice([np.nan, 0.0, 3.0 * M, 3.1 * M, -50.0 * M], n)

    def run(edges: list[int]) -> tuple[list[int], list[int], UnwrapState]:
        state, totals, segments = UnwrapState(), [], []
        for a, b in pairwise(edges):
            total, segment, state = unwrap_counts(
                time_ns[a:b],
                count[a:b],
                speed[a:b],
                modulus=M,
                valid_for_ns=250_000_000,
                state=state,
            )
            totals += total.tolist()
            segments += segment.tolist()
        return totals, segments, state

    whole, pieces = run([0, n]), run([0, *sorted(cuts), n])
    assert pieces[:2] == whole[:2]
    assert repr(pieces[2]) == repr(whole[2])
