"""A load is another one or it is not: cycles, pauses and noise are no change, steps are."""

import numpy as np
import pytest

from logger.joint.load_change import find_load_change

SPAN_S = 240


def _cycles(period_s: int, duty: float, phase: int, seed: int) -> np.ndarray:
    """Return the mean squares of a duty: moves with a payload of their own each, then pauses."""
    dice = np.random.default_rng(seed)
    second = np.arange(SPAN_S) + phase
    moves = (second % period_s) < duty * period_s
    payload = 1.0 + 0.2 * dice.random(SPAN_S // period_s + 3)
    return np.where(moves, payload[second // period_s], 0.02)


@pytest.mark.parametrize("period_s", [3, 8, 13, 24])
@pytest.mark.parametrize("duty", [0.3, 0.6, 0.9])
def test_a_duty_is_one_load(period_s: int, duty: float):
    """Whatever its cycle, its pauses and the phase at which one looks."""
    for phase in range(0, period_s, 3):
        assert find_load_change(_cycles(period_s, duty, phase, seed=phase)) is None


STEPS = [
    (ago_s, before, after)
    for before, after in ((1.0, 0.0), (0.0, 1.0), (1.0, 2.5), (2.5, 1.0))
    for ago_s in (12, 20, 30, 45, 60, 90, 120, 170)
    # Moves differ by payload: a load that is merely heavier takes some cycles to tell.
    if 0.0 in {before, after} or ago_s >= 45
]


@pytest.mark.parametrize(("ago_s", "before", "after"), STEPS)
@pytest.mark.parametrize("period_s", [1, 8])
def test_a_step_is_found_where_it_was(ago_s: int, before: float, after: float, period_s: int):
    """Switched off or on, heavier or lighter, in cycles or steady; to a cycle and a move."""
    second = np.arange(SPAN_S)
    factor = np.where(second < SPAN_S - ago_s, before, after)
    found = find_load_change(_cycles(period_s, 0.6 if period_s > 1 else 1.0, 0, seed=1) * factor)
    assert found is not None
    assert found == pytest.approx(SPAN_S - ago_s, abs=16)


def test_the_newest_of_two_changes_is_found():
    """On after a long rest, and off again."""
    second = np.arange(SPAN_S)
    found = find_load_change(np.where((second >= 60) & (second < 180), 1.0, 0.0))
    assert found == pytest.approx(180, abs=5)


def test_noise_and_rest_are_one_load():
    """A joint at rest, its noise alone, and one of which nothing is known."""
    dice = np.random.default_rng(3)
    assert find_load_change(np.zeros(SPAN_S)) is None
    assert find_load_change(np.full(SPAN_S, np.nan)) is None
    assert find_load_change(1e-6 * (1 + 0.2 * dice.random(SPAN_S))) is None
    assert find_load_change(np.array([0.0, 5.0] * 5)) is None
