"""A slope over running hours: told where it is more than chance, else what would have been seen."""

import numpy as np
import pytest
from scipy import stats

from logger.findings.uncertainty import chances_of
from replay.sheet.change_point import slope_level
from replay.sheet.trend import fit_slope, trend_of
from tests.support.sheet_findings import sourced

HOURS = np.linspace(0.0, 300.0, 12)
TIMES = 4000


def _noise(hours: np.ndarray, share: float, *, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Return series of repeatability 1, a share of the variance correlated over 30 h; its law."""
    away = np.abs(hours[:, None] - hours[None, :])
    law = (1.0 - share) * np.eye(len(hours)) + share * np.exp(-away / 30.0)
    dice = np.random.default_rng(seed)
    return dice.normal(size=(TIMES, len(hours))) @ np.linalg.cholesky(law).T, law


def _told(values: np.ndarray, hours: np.ndarray = HOURS) -> float:
    slope, uncertainty = fit_slope(hours, values, np.ones(len(hours)))
    freedom = np.full(slope.shape, len(hours) - 2.0)
    level = slope_level(hours, np.ones(len(hours)))
    return float(np.mean(chances_of(slope, uncertainty, freedom) < level))


@pytest.mark.parametrize(("share", "least"), [(0.5, 0.88), (0.0, 0.72)])
def test_false_and_found_from_twelve_recordings(share: float, least: float):
    """False in 5 of 100 with half the variance correlated over 30 h, and found where one could.

    The ideal knows noise and law, and finds 95 of 100. Where the scatter has no memory, what is
    assumed of it costs some of that.
    """
    noise, law = _noise(HOURS, share, seed=3)
    design = np.column_stack([np.ones(12), HOURS - HOURS.mean()])
    ideal = np.sqrt(np.linalg.inv(design.T @ np.linalg.solve(law, design))[1, 1])
    slope = ideal * (stats.norm.ppf(0.975) + stats.norm.ppf(0.95))
    assert _told(noise) <= 0.055
    assert _told(noise + slope * (HOURS - HOURS.mean())) >= least


def test_two_per_cent_in_a_hundred_hours():
    """Wear of that size is found at a repeatability of 1 %, over 300 h."""
    noise, _ = _noise(HOURS, 0.5, seed=4)
    assert _told(0.01 * noise + 1.0 + 0.02 * HOURS / 100.0) >= 0.97


def test_what_would_have_been_seen():
    """A slope as steep as is told is seen nine times in ten."""
    noise, _ = _noise(HOURS, 0.5, seed=6)
    trends = [
        trend_of(
            [
                sourced(10.0 + float(value), own=1.0, hours=float(hour))
                for hour, value in zip(HOURS, row, strict=True)
            ]
        )
        for row in noise[:40]
    ]
    told = float(np.mean([one.unseen_below for one in trends]))
    assert 0.85 <= _told(noise + told * HOURS / 100.0) <= 0.96
    assert all(one.count == 12 and one.span_h == pytest.approx(300.0) for one in trends)


def test_an_exact_line():
    """Its slope for 100 h, in whatever order; what the findings share has no part in it."""
    found = [
        sourced(10.0 + 0.02 * hours, own=0.1, arm=5.0, hours=hours)
        for hours in (300.0, 0.0, 100.0, 200.0)
    ]
    trend = trend_of(found)
    assert trend.per_100_h == pytest.approx(2.0)
    assert trend.is_seen
    assert trend.low == pytest.approx(trend.high, abs=1e-6)


def test_the_unsure_finding_weighs_less():
    """A wild one that says so does not bend the line."""
    found = [sourced(10.0 + 0.01 * h, own=0.1, hours=h) for h in (0.0, 100.0, 200.0, 300.0)]
    wild = sourced(30.0, own=20.0, hours=400.0)
    assert trend_of([*found, wild]).per_100_h == pytest.approx(1.0, abs=0.15)


def test_too_few_for_a_trend():
    """Two findings, or all of one hour."""
    assert trend_of([sourced(1.0), sourced(2.0, hours=50.0)]) is None
    assert trend_of([sourced(float(n), number=n) for n in range(5)]) is None
