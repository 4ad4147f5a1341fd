"""A change at one time: told where more than chance at any place, honest about few findings."""

import numpy as np
import pytest

from logger.findings.uncertainty import chances_of
from replay.sheet.change_point import (
    LEAST_FOR_CHANGE,
    STRICTER,
    find_change,
    fit_steps,
    slope_level,
)
from replay.sheet.trend import fit_slope, trend_of
from tests.support.sheet_findings import sourced

TIMES = 3000


def _noise(hours: np.ndarray, share: float, *, seed: int, times: int = TIMES) -> np.ndarray:
    """Return series of repeatability 1, a share of the variance correlated over 30 h."""
    away = np.abs(hours[:, None] - hours[None, :])
    law = (1.0 - share) * np.eye(len(hours)) + share * np.exp(-away / 30.0)
    dice = np.random.default_rng(seed)
    return dice.normal(size=(times, len(hours))) @ np.linalg.cholesky(law).T


def _told(values: np.ndarray, hours: np.ndarray) -> np.ndarray:
    """Return of each series whether a change is told, as `find_change` does of one."""
    ones = np.ones(len(hours))
    changes, uncertainties, residuals = fit_steps(hours, values, ones)
    best = np.argmin(residuals, axis=0)[None]
    change, uncertainty = (
        np.take_along_axis(one, best, axis=0)[0] for one in (changes, uncertainties)
    )
    chance = chances_of(change, uncertainty, np.full(len(change), len(hours) - 2.0))
    return np.asarray(chance * len(changes) < slope_level(hours, ones) / STRICTER)


def _either(values: np.ndarray, hours: np.ndarray) -> np.ndarray:
    """Return of each series whether a slope or a change is told, as `trend_of` does of one."""
    ones = np.ones(len(hours))
    slope, uncertainty = fit_slope(hours, values, ones)
    sloping = chances_of(slope, uncertainty, np.full(len(slope), len(hours) - 2.0))
    return _told(values, hours) | (sloping < slope_level(hours, ones))


@pytest.mark.parametrize("count", [LEAST_FOR_CHANGE, 12, 30])
@pytest.mark.parametrize("share", [0.0, 0.5])
def test_of_nothing_nothing_is_told(count: int, share: float):
    """A slope or a change in 5 of 100, however many places are tried; a change in less than 1."""
    hours = np.linspace(0.0, 300.0, count)
    noise = _noise(hours, share, seed=count)
    assert np.mean(_told(noise, hours)) <= 0.009
    assert np.mean(_either(noise, hours)) <= 0.06


def test_both_questions_share_the_five_per_cent():
    """Of so few findings a change adds most to a slope's false words: its level makes up for it."""
    hours = np.linspace(0.0, 300.0, LEAST_FOR_CHANGE)
    noise = _noise(hours, 0.5, seed=101, times=40_000)
    # 5.5 of 100 with a level of 5 % for slopes and 1 % for changes; 0.11 is its standard deviation.
    assert 0.047 <= np.mean(_either(noise, hours)) <= 0.0525


def test_unlike_weights_and_hours_share_it_as_well():
    """Findings in clusters, some of them three times as unsure, keep the 5 of 100."""
    hours = np.array([0.0, 1.0, 2.0, 2.0, 90.0, 91.0, 200.0, 290.0, 300.0, 300.0])
    weights = np.array([1.0, 1.0, 3.0, 1.0, 1.0, 3.0, 1.0, 0.5, 1.0, 1.0])
    noise = _noise(hours, 0.5, seed=7, times=12_000) * weights
    slope, uncertainty = fit_slope(hours, noise, weights)
    sloping = chances_of(slope, uncertainty, np.full(len(slope), 8.0))
    changes, uncertainties, residuals = fit_steps(hours, noise, weights)
    best = np.argmin(residuals, axis=0)[None]
    change, unsure = (np.take_along_axis(one, best, 0)[0] for one in (changes, uncertainties))
    places = np.isfinite(residuals[:, 0]).sum()
    chance = chances_of(change, unsure, np.full(len(change), 8.0)) * places
    level = slope_level(hours, weights)
    told = (sloping < level) | (chance < level / STRICTER)
    assert 0.043 <= np.mean(told) <= 0.057


def test_a_change_is_found_where_it_is():
    """Of five times the repeatability in the middle of twelve; from six it has to be larger."""
    hours = np.linspace(0.0, 300.0, 12)
    noise = _noise(hours, 0.5, seed=1)
    assert np.mean(_told(noise + 5.0 * (hours > 150.0), hours)) >= 0.9
    assert np.mean(_either(noise + 4.0 * (hours > 150.0), hours)) >= 0.93
    few = np.linspace(0.0, 300.0, 6)
    told = _told(_noise(few, 0.5, seed=2) + 5.0 * (few > 150.0), few)
    assert np.mean(told) <= 0.8


def test_one_series_is_as_many():
    """The way of one agrees with that of many, and says between which hours."""
    hours = np.linspace(0.0, 300.0, 12)
    series = _noise(hours, 0.5, seed=3)[:200] + 4.0 * (hours > 150.0)
    told = _told(series, hours)
    found = [find_change(hours, one, np.ones(12)) for one in series]
    assert [one.is_seen for one in found] == told.tolist()
    sure = [one for one, is_told in zip(found, told, strict=True) if is_told]
    near = [one for one in sure if one.after_h < 150.0 < one.before_h]
    assert len(near) >= 0.75 * len(sure)
    assert np.mean([one.low <= 4.0 <= one.high for one in near]) >= 0.95


def test_what_would_have_been_seen():
    """A change as large as is told is seen nine times in ten, or oftener, as one or as a slope."""
    hours = np.linspace(0.0, 300.0, 12)
    noise = _noise(hours, 0.5, seed=4)
    told = float(np.mean([find_change(hours, one, np.ones(12)).unseen_below for one in noise[:60]]))
    assert np.mean(_either(noise + told * (hours > 150.0), hours)) >= 0.9


def test_too_few_findings_have_none():
    """Five findings, or all but one of one hour, have no place of two on either side."""
    assert find_change(np.arange(5.0), np.arange(5.0), np.ones(5)) is None
    hours = np.array([0.0, 9.0, 9.0, 9.0, 9.0, 9.0])
    assert find_change(hours, np.arange(6.0), np.ones(6)) is None
    hours[1] = 0.0
    assert find_change(hours, np.arange(6.0), np.ones(6)).before_h == 9.0


def test_a_step_is_no_slope_and_a_slope_no_step():
    """What leaves less unexplained is told; findings of one hour are not parted."""
    hours = (0.0, 40.0, 80.0, 120.0, 160.0, 200.0, 240.0, 280.0)
    wiggle = (0.02, -0.01, 0.015, -0.02, 0.01, -0.015, 0.02, -0.01)
    step = [
        sourced(10.0 + one + (1.0 if hour > 100.0 else 0.0), own=0.05, hours=hour)
        for hour, one in zip(hours, wiggle, strict=True)
    ]
    trend = trend_of(step)
    assert trend.is_at_once
    assert (trend.change.after_h, trend.change.before_h) == (80.0, 120.0)
    assert trend.change.low < 1.0 < trend.change.high
    slope = [
        sourced(10.0 + one + 0.01 * hour, own=0.05, hours=hour)
        for hour, one in zip(hours, wiggle, strict=True)
    ]
    trend = trend_of(slope)
    assert trend.is_seen
    assert not trend.is_at_once
