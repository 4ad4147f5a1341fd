"""Clocks of instruments: found with their interval, not taken for a lag, or said to be unknown."""

import numpy as np
import pytest

from replay.instruments.clock import ClockCaution, ClockEstimate
from tests.support.instrument_clocks import Instrument, compare, draw_trial, tried


def _compared(instrument: Instrument, *, seed: int = 3) -> tuple[ClockEstimate, float]:
    trial = draw_trial(instrument, np.random.default_rng(seed))
    estimate = compare(trial)
    assert estimate is not None
    return estimate, trial.offset_s


def test_one_step_of_a_quick_instrument_gives_its_offset():
    """10 Hz: right to a period, and the interval says so."""
    found, truth_s = _compared(Instrument(period_s=0.1, steps=1))

    assert found.offset_s.value == pytest.approx(truth_s, abs=0.1)
    assert found.offset_s.low <= truth_s <= found.offset_s.high
    assert found.offset_s.high - found.offset_s.low < 0.2
    assert found.cautions == ()
    assert not found.drift_matters


def test_the_lag_of_a_sensor_is_not_taken_for_its_clock():
    """A lag of 2 s moves edges by more than a second, and the offset by nothing of it."""
    found, truth_s = _compared(Instrument(period_s=0.2, steps=3, lag_s=2.0))

    assert found.offset_s.value == pytest.approx(truth_s, abs=0.1)
    assert found.lag_s.low <= 2.0 <= found.lag_s.high


def test_without_a_fast_edge_offset_and_lag_are_said_not_to_be_told_apart():
    """A noisy, slow sensor: its interval holds both, and the truth."""
    found, truth_s = _compared(Instrument(period_s=1.0, steps=10, lag_s=10.0, noise=0.05))

    assert ClockCaution.LAG_NOT_SEPARATE in found.cautions
    assert found.offset_s.low <= truth_s <= found.offset_s.high


def test_a_dead_time_is_part_of_the_offset():
    """It rounds no edge: the truth of a trial is told with it."""
    with_it, truth_s = _compared(Instrument(period_s=0.1, steps=2, dead_time_s=0.7))

    assert with_it.offset_s.value == pytest.approx(truth_s, abs=0.1)


def test_a_drift_is_found_over_hours():
    """200 ppm over two hours is 1.4 s."""
    instrument = Instrument(period_s=1.0, steps=8, drift=200e-6, span_s=7200.0)
    found, truth_s = _compared(instrument)

    assert found.drift_matters
    assert found.drift.value == pytest.approx(200e-6, abs=80e-6)
    assert found.offset_s.value == pytest.approx(truth_s, abs=0.2)


def test_a_load_that_repeats_itself_has_several_offsets():
    """Every 8 s the same: what lies a cycle beside matches as well, and is named."""
    found, truth_s = _compared(Instrument(period_s=0.2, steps=0, repeats_s=8.0, span_s=120.0))

    assert ClockCaution.AMBIGUOUS in found.cautions
    offsets = np.array([found.offset_s.value, *found.rivals_s])
    beside = (offsets - truth_s) / 4.0
    assert np.abs(beside - np.rint(beside)).max() < 0.05


@pytest.mark.parametrize("course", ["flat", "noise"])
def test_where_nothing_is_in_both_there_is_no_offset(course: str):
    """A sensor that stands still, or shows something else."""
    trial = draw_trial(Instrument(period_s=0.5, steps=2), np.random.default_rng(1))
    readings = np.full_like(trial.readings, 3.0)
    if course == "noise":
        readings = np.random.default_rng(2).standard_normal(len(readings))
    other = type(trial)(
        own_s=trial.own_s,
        readings=readings,
        joint_s=trial.joint_s,
        course=trial.course,
        offset_s=trial.offset_s,
    )

    assert compare(other) is None


@pytest.mark.study
@pytest.mark.parametrize(
    ("instrument", "least_right"),
    [
        (Instrument(period_s=0.1, steps=2), 95),
        (Instrument(period_s=1.0, steps=5), 0),
        (Instrument(period_s=1.0, steps=20), 90),
        (Instrument(period_s=1.0, steps=20, averaged=True), 95),
        (Instrument(period_s=0.1, steps=5, lag_s=0.5), 95),
        (Instrument(period_s=0.1, steps=5, lag_s=2.0), 95),
        (Instrument(period_s=0.1, steps=5, lag_s=10.0), 90),
        (Instrument(period_s=1.0, steps=20, lag_s=10.0, noise=0.05), 0),
    ],
)
def test_intervals_hold_the_truth(instrument: Instrument, least_right: int):
    """In 90 of 100, and within 0.1 s where its period over the number of steps is below that."""
    found, right, covered = tried(instrument, 100, seed=5)

    assert found == 100
    assert right >= least_right
    assert covered >= 90
