"""Periods that are known come out, with an interval that holds them; what has none has none."""

import numpy as np
import pytest

from replay.duty.cycle_search import UniformLoad, cycle_of_blocks, period_in, refined_period


def _course(period_s, *, seconds, step_s=0.05, noise=0.0, seed=0, begin_s=0.0):
    """Return a pick and place: up, hold, down, rest, as means over steps."""
    time_s = begin_s + np.arange(round(seconds / step_s)) * step_s
    phase = (time_s / period_s) % 1.0
    load = np.select([phase < 0.2, phase < 0.5, phase < 0.7], [9.0, 5.0, -3.0], 0.5)
    load = load + np.random.default_rng(seed).normal(0, noise, len(load))
    return UniformLoad(begin_s=begin_s, step_s=step_s, load=load)


@pytest.mark.parametrize("period_s", [0.9, 3.137, 8.02, 19.6])
@pytest.mark.parametrize("noise", [0.0, 1.5])
def test_a_known_period_is_found(period_s, noise):
    """To a hundredth from one minute, and the period itself, no multiple of it."""
    found = period_in(_course(period_s, seconds=60, noise=noise))
    assert found is not None
    assert found[0] == pytest.approx(period_s, rel=0.01)
    assert found[1] > 0.6


@pytest.mark.parametrize(
    "load",
    [
        np.full(1200, 5.0),
        np.random.default_rng(1).normal(0, 1, 1200),
        np.cumsum(np.random.default_rng(2).normal(0, 1, 1200)),
        np.repeat(np.random.default_rng(3).uniform(0, 9, 40), 30),
        np.full(1200, np.nan),
        np.linspace(0, 9, 1200),
    ],
)
def test_what_does_not_repeat_has_no_period(load):
    """A constant, noise, a random walk, loads held for one time each, a gap, a ramp."""
    assert period_in(UniformLoad(begin_s=0.0, step_s=0.05, load=load)) is None


def test_what_is_too_quick_is_not_told_as_its_multiple():
    """Six samples a period: no period, rather than two or three of them."""
    load = np.sin(np.arange(1200) * 2 * np.pi / 6.28)
    assert period_in(UniformLoad(begin_s=0.0, step_s=0.02, load=load)) is None


def test_gaps_leave_the_period():
    """A tenth of the samples missing."""
    trace = _course(8.02, seconds=60)
    trace.load[300:420] = np.nan
    found = period_in(trace)
    assert found is not None
    assert found[0] == pytest.approx(8.02, rel=0.01)


@pytest.mark.parametrize("drift_per_h", [0.0, 0.02, -0.005])
def test_a_drift_of_the_period_is_told(drift_per_h):
    """Blocks over four hours, each found anew from a period that is 1 % off."""
    middles = np.linspace(300, 14_100, 20)
    periods = 8.02 * (1 + drift_per_h * (middles - middles.mean()) / 3600)
    found = [
        refined_period(
            _course(period, seconds=100, step_s=0.16, noise=0.5, seed=at, begin_s=middle - 50),
            8.02 * 1.01,
        )
        for at, (middle, period) in enumerate(zip(middles, periods, strict=True))
    ]
    cycle = cycle_of_blocks(middles.tolist(), found)
    assert cycle is not None
    assert cycle.share == 1.0
    _, low, high = cycle.drift_per_h
    assert low <= drift_per_h <= high
    assert high - low < 0.002
    assert cycle.period_s[0] == pytest.approx(8.02, rel=2e-3)


def test_a_cycle_in_a_few_blocks_only_is_none():
    """Less than half of the recording."""
    assert cycle_of_blocks([1.0, 2.0, 3.0, 4.0, 5.0], [8.0, 8.0, None, None, None]) is None
    assert refined_period(_course(3.0, seconds=60), 8.0) is None
