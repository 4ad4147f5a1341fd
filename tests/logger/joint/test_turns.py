"""Single-turn encoder to continuous angle. Numbers: worked out from the rule of nearest move."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.joint.turns import TurnState, unwrap

M = 16384


def _two(first: int, second: int, *, dt_s: float, rpm: float = float("nan"), known_s: float = 1.0):
    speed = np.full(2, rpm / 60 * M)
    return unwrap(
        np.array([0, round(dt_s * 1e9)]),
        np.array([first, second]),
        speed,
        modulus=M,
        known_for_ns=round(known_s * 1e9),
        state=TurnState(),
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


@settings(max_examples=60, deadline=None)
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
    state, parts, segments = TurnState(), [], []
    edges = [0, *sorted(cuts), 400]
    for a, b in pairwise(edges):
        total, segment, state = unwrap(
            time_ns[a:b],
            truth[a:b] % M,
            speed[a:b],
            modulus=M,
            known_for_ns=250_000_000,
            state=state,
        )
        parts.append(total)
        segments.append(segment)
    total = np.concatenate(parts)
    assert set(np.concatenate(segments).tolist()) == {0}
    np.testing.assert_array_equal(total - total[0], truth - truth[0])
