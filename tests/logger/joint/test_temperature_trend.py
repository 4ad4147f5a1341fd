"""The straight line through a temperature, its uncertainty, and when it meets a level."""

import math

import numpy as np
import pytest

from logger.joint.temperature_trend import (
    Trend,
    fit_steady_trend,
    fit_temperature_trend,
    time_to_level,
)


def test_trend_of_exact_readings():
    """A straight line without noise gives its slope, and next to no uncertainty."""
    time_s = np.linspace(0.0, 120.0, 50) + 1.7e9
    found = fit_temperature_trend(
        time_s, 40.0 + 1.5 / 60.0 * (time_s - time_s[0]), resolution_K=0.0
    )
    assert found.rate_K_per_min == pytest.approx(1.5, rel=1e-5)
    assert found.uncertainty_K_per_min < 1e-4


@pytest.mark.parametrize("noise_K", [0.0, 0.05, 0.15, 0.4])
@pytest.mark.parametrize("span_s", [60.0, 300.0])
@pytest.mark.parametrize("rate_K_per_min", [0.0, 0.3, 1.0, -5.0])
def test_trend_of_whole_degrees_is_honest(noise_K, span_s, rate_K_per_min):  # noqa: N803
    """Rounded ramps of any phase: off by the standard uncertainty, rarely by twice that."""
    dice = np.random.default_rng(5)
    time_s = np.arange(0.0, span_s, 0.1)
    off = []
    for _ in range(100):
        clean = 60.0 + dice.random() + rate_K_per_min / 60.0 * time_s
        found = fit_temperature_trend(
            time_s, np.rint(clean + noise_K * dice.standard_normal(len(time_s)))
        )
        off.append(abs(found.rate_K_per_min - rate_K_per_min) / found.uncertainty_K_per_min)
    assert np.mean(np.array(off) < 2.0) >= 0.8
    assert np.sqrt(np.mean(np.square(off))) < 1.3


def test_one_count_leaves_a_count_in_the_span_open():
    """Readings that never change still leave open about one degree in the span."""
    found = fit_temperature_trend(np.arange(0.0, 60.0, 0.1), np.full(600, 61.0))
    assert found.rate_K_per_min == pytest.approx(0.0, abs=1e-9)
    assert found.uncertainty_K_per_min == pytest.approx(1.0, rel=0.02)


@pytest.mark.parametrize(
    ("time_s", "values"),
    [
        ([], []),
        ([0.0, 1.0], [20.0, 21.0]),
        ([3.0, 3.0, 3.0], [1.0, 2.0, 3.0]),
        ([0, 1, 2], [1, np.nan, 2]),
    ],
)
def test_too_little_gives_no_trend(time_s, values):
    """Fewer than three readings, or all at one instant: NaN, not a guess."""
    assert math.isnan(fit_temperature_trend(time_s, values).rate_K_per_min)


def test_time_to_level_with_both_sides():
    """8.6 K at 0.72 +- 0.11 K/min: about 12 minutes, 9 to 17."""
    found = time_to_level(70.0, 61.4, Trend(rate_K_per_min=0.72, uncertainty_K_per_min=0.11))
    assert found.s == pytest.approx(8.6 / 0.72 * 60.0)
    assert found.soonest_s == pytest.approx(8.6 / 0.94 * 60.0)
    assert found.latest_s == pytest.approx(8.6 / 0.50 * 60.0)


def test_time_to_level_at_its_ends():
    """Falling is never, flat may still be soon, above is now, unknown is at once at the soonest."""
    falling = time_to_level(70.0, 60.0, Trend(rate_K_per_min=-1.0, uncertainty_K_per_min=0.1))
    assert (falling.s, falling.soonest_s, falling.latest_s) == (math.inf, math.inf, math.inf)
    flat = time_to_level(70.0, 60.0, Trend(rate_K_per_min=0.0, uncertainty_K_per_min=0.5))
    assert (flat.s, flat.soonest_s, flat.latest_s) == (math.inf, 600.0, math.inf)
    above = time_to_level(70.0, 70.0, Trend(rate_K_per_min=-1.0, uncertainty_K_per_min=0.1))
    assert (above.s, above.soonest_s, above.latest_s) == (0.0, 0.0, 0.0)
    unknown = time_to_level(
        70.0, 60.0, Trend(rate_K_per_min=math.nan, uncertainty_K_per_min=math.nan)
    )
    assert (unknown.s, unknown.soonest_s, unknown.latest_s) == (math.inf, 0.0, math.inf)


def test_a_reading_stands_for_its_whole_count():
    """Whole degrees: 3 K below a level it may be reached within 2 K, however the sensor rounds."""
    coarse = Trend(rate_K_per_min=1.0, uncertainty_K_per_min=0.0, resolution_K=1.0)
    found = time_to_level(70.0, 67.0, coarse)
    assert (found.soonest_s, found.s, found.latest_s) == (120.0, 150.0, 180.0)


COARSE_K, FINE_K = 1.0, 0.01


def _readings(
    slopes_K_per_min: tuple[float, ...],  # noqa: N803
    lengths_s: tuple[float, ...],
    resolution_K: float,  # noqa: N803
    seed: int,
) -> tuple[np.ndarray, np.ndarray]:
    """Return readings of pieces of ramps, rounded to counts, with a little noise."""
    dice = np.random.default_rng(seed)
    edges = np.cumsum((0.0, *lengths_s))
    levels = 60.0 + np.cumsum((0.0, *np.array(slopes_K_per_min) / 60.0 * lengths_s))
    time_s = np.arange(0.0, edges[-1], 0.5)
    clean = np.interp(time_s, edges, levels) + dice.random() * resolution_K
    noisy = clean + 0.2 * resolution_K * dice.standard_normal(len(time_s))
    return time_s, np.rint(noisy / resolution_K) * resolution_K


@pytest.mark.parametrize(("older", "newer"), [(3.0, -2.0), (0.0, 3.0), (3.0, 0.0), (1.0, 4.0)])
@pytest.mark.parametrize(
    ("resolution_K", "newer_s"),
    [(FINE_K, 30.0)]
    + [(count_K, newer_s) for count_K in (FINE_K, COARSE_K) for newer_s in (60, 90, 150, 210)],
)
def test_no_sure_rate_through_a_corner(resolution_K, newer_s, older, newer):  # noqa: N803
    """Off after a rise, on after a rest: no trend, or one that leaves the true rate open.

    Half a minute of a change is within a whole degree: there only the load tells it.
    """
    held = 0
    for seed in range(30):
        time_s, values = _readings((older, newer), (240.0 - newer_s, newer_s), resolution_K, seed)
        found = fit_steady_trend(time_s, values)
        held += found is None or (
            abs(found.rate_K_per_min - newer) <= 2.0 * found.uncertainty_K_per_min
            or abs(found.rate_K_per_min) <= 2.0 * found.uncertainty_K_per_min
        )
    assert held >= 27


@pytest.mark.parametrize("rate_K_per_min", [0.5, 2.0, -1.0])
@pytest.mark.parametrize("resolution_K", [FINE_K, COARSE_K])
def test_a_ramp_has_a_trend_that_holds_its_rate(rate_K_per_min, resolution_K):  # noqa: N803
    """One line describes it, and its rate lies within twice the uncertainty."""
    held = 0
    for seed in range(60):
        time_s, values = _readings((rate_K_per_min,), (240.0,), resolution_K, seed)
        found = fit_steady_trend(time_s, values)
        assert found is not None
        held += abs(found.rate_K_per_min - rate_K_per_min) <= 2.0 * found.uncertainty_K_per_min
    assert held >= 54


def test_a_joint_that_settles_is_told_with_the_bend_in_its_interval():
    """Towards 80 degC with ten minutes: the level 3 K above comes within both ends."""
    time_s = np.arange(0.0, 240.0, 0.5)
    for begun_s in (0.0, 120.0, 300.0):
        course = 80.0 - 40.0 * np.exp(-(time_s + begun_s) / 600.0)
        found = fit_steady_trend(time_s, np.round(course, 2))
        assert found is not None
        now = float(course[-1])
        level = now + 3.0
        true_s = 600.0 * np.log((80.0 - now) / (80.0 - level))
        ahead = time_to_level(level, now, found)
        assert ahead.soonest_s <= true_s <= ahead.latest_s
