"""The observer against joints whose truth is known."""

import dataclasses

import numpy as np
import pytest

from logger.heat.fitted import fitted_heat
from logger.joint.bench.thermal_settings import ThermalSettings
from logger.joint.thermal.thermal_load import LoadSteps, temperatures_over
from tests.support.observed_joint import follow, observed_joint, random_duty


@pytest.mark.parametrize("seed", [1, 2])
def test_a_winding_that_nobody_reads_is_estimated(seed):
    """With a housing in whole degrees the winding lies within what the observer says of it."""
    run = observed_joint(seed, random_duty(seed, 4800, 20.0), winding=False)
    off, said = [], []
    for second, track in follow(run):
        if second > 1200:
            off.append(track.state.mean_degC[0, 0] - run.truth_degC[second, 0])
            said.append(track.state.spread_K(0))
    share = np.mean(np.abs(off) <= 2.0 * np.array(said))
    rise = np.ptp(run.truth_degC[:, 0])
    assert share > 0.8
    assert np.sqrt(np.mean(np.square(off))) < 0.08 * rise


def test_a_winding_that_is_read_late_is_estimated_as_it_is():
    """A sensor with 30 s: the winding, ahead of its reading, lies within what is said of it.

    A model that does not know of the lag takes the reading for the winding, and is too sure.
    """
    within = {}
    for is_known in (True, False):
        run = observed_joint(
            4, random_duty(4, 3000, 150.0), winding_lag_s=30.0, is_lag_known=is_known
        )
        seen = [(second, track.state) for second, track in follow(run) if second > 600]
        truth = np.array([run.truth_degC[second, 0] for second, _ in seen])
        off = np.abs(np.array([state.mean_degC[0, 0] for _, state in seen]) - truth)
        said = np.array([state.spread_K(0) for _, state in seen])
        within[is_known] = np.mean(off <= 2.0 * said)
        shown = run.readings["temperature_winding_degC"][[second - 1 for second, _ in seen]]
        assert np.sqrt(np.mean(off**2)) < 0.5 * np.sqrt(np.mean((shown - truth) ** 2))
    assert within[True] > 0.9 > within[False]


@pytest.mark.parametrize("seed", [4])
def test_an_ambient_that_nobody_records_is_found(seed):
    """Of a joint that began warm, the ambient is known to a few kelvin after an hour."""
    run = observed_joint(seed, random_duty(seed, 5400, 20.0), ambient=False)
    *_, (second, track) = follow(run)
    room = observed_joint(seed, random_duty(seed, 5400, 20.0)).readings["temperature_ambient_degC"]
    assert track.state.mean_degC[0, -1] == pytest.approx(room[second - 1], abs=5.0)


def test_no_quiet_joint_leaves_its_model():
    """A model that is as far off as its spread says is kept through hours of any load."""
    for seed in range(3):
        run = observed_joint(seed, random_duty(seed, 7200, (4.0, 20.0, 150.0)[seed]))
        assert all(track.state.left_number is None for _, track in follow(run))


def test_a_joint_whose_cooling_fails_leaves_its_model():
    """From 1 to 2.2 times the resistance to the ambient: found within a quarter of an hour."""
    for seed in range(2):
        load = random_duty(seed, 6000, 20.0)
        run = observed_joint(seed, load, winding=False, cooling=(3600, 2.2))
        seen = list(follow(run))
        left = [second for second, track in seen if track.state.left_number is not None]
        assert 3600 < left[0] < 4500, f"seed {seed}"
        assert left[-1] == 6000
        assert not any(track.is_known for second, track in seen if second >= left[0])


def test_after_a_gap_the_nodes_begin_anew():
    """Half an hour without rows: what was known of the nodes is not taken for true."""
    run = observed_joint(7, random_duty(7, 5400, 20.0))
    known = np.ones(5400, bool)
    known[2400:4200] = False
    gapped = dataclasses.replace(
        run,
        current_A=np.where(known, run.current_A, np.nan),
        readings={
            channel: np.where(known, values, np.nan) for channel, values in run.readings.items()
        },
    )
    seen = dict(follow(gapped))
    assert max(second for second in seen if second <= 2400) == 2400
    after = [track for second, track in seen.items() if second > 4200]
    assert not after[0].is_known
    assert after[-1].is_known
    assert after[-1].state.mean_degC[0, 1] == pytest.approx(run.truth_degC[-1, 1], abs=1.5)


def test_seconds_as_plain_numbers_are_the_exact_steps():
    """The loop over seconds follows the closed form to a hundredth of a kelvin."""
    fitted = fitted_heat(
        ThermalSettings(
            housing_rise=0.3,
            housing_time_s=900.0,
            winding_rise=0.12,
            winding_time_s=40.0,
            standby_rise_K=5.0,
        )
    )
    current = random_duty(3, 1200, 20.0)
    exact = temperatures_over(
        fitted.joint,
        LoadSteps.at_rest(np.ones(1200), current**2),
        start_degC=[25.0, 25.0],
        ambient_degC=20.0,
    )
    now = (25.0, 25.0)
    for index, ampere in enumerate(current.tolist()):
        now = fitted.second.advance(now, 20.0, (ampere**2, 0.0, 0.0))
        assert now == pytest.approx(tuple(exact[index + 1]), abs=0.05)
