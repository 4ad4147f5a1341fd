"""The demo's forecasts against the simulator's truth: twenty runs, judged at clock times."""

import math

import numpy as np
import pytest

from logger.heat.fitted import heat_of_joint
from logger.heat.forecast import draw_futures
from logger.heat.track import HeatTrack, advance_track
from logger.joint.bench.bench import bench_from_texts
from logger.simulate.cycle import CYCLE_S, STEPS
from logger.simulate.demo_bench import demo_bench_text
from logger.simulate.endurance import cold_start, next_cycles
from logger.simulate.scenario import SCENARIO_LAYOUT, scenario_layout_text
from logger.simulate.warming import HEAT_STEP_S, Fan

SECOND_NS = 1_000_000_000
CHANNELS = ("current_A", "temperature_housing_degC")
HOLD_NS = dict.fromkeys(CHANNELS, 3 * SECOND_NS)


def _bench():
    return bench_from_texts(
        demo_bench_text("x"), {SCENARIO_LAYOUT: scenario_layout_text()}, where="bench.toml"
    )


def test_the_demo_has_a_model_of_each_joint():
    """It is that of its joint with the fan, its source named."""
    shoulder, elbow = _bench().joints
    assert shoulder.thermal.housing_rise == pytest.approx(1.66 * 0.64, rel=1e-3)
    assert elbow.thermal.winding_time_s == pytest.approx(1.1 * 24.0, rel=1e-3)
    assert "simulated" in shoulder.thermal.source


def _run(seed: int, cycles: int) -> tuple[np.ndarray, np.ndarray]:
    """Return mean square current and housing of the shoulder for each second, from cold."""
    progress = cold_start(Fan(fails_s=math.inf, noticed_after_s=math.inf))
    square, housing = [], []
    while progress.cycle < cycles:
        run, progress = next_cycles(
            progress, max_cycles=min(48, cycles - progress.cycle), seed=seed
        )
        current = run.motion.current_A[:, 0, :].T.reshape(-1, STEPS // round(CYCLE_S))
        square.append(np.mean(current**2, axis=1))
        housing.append(run.housing_degC[0][round(1 / HEAT_STEP_S) - 1 :: round(1 / HEAT_STEP_S)])
    return np.concatenate(square), np.concatenate(housing)


@pytest.mark.study
def test_the_demo_is_forecast_as_it_goes():
    """From cold to warm: the 90 % band of the time to a level holds in 85 of 100."""
    bench = _bench()
    fitted = heat_of_joint(bench.joints[0], CHANNELS)
    held, errors, right, sure = [], [], 0, 0
    for seed in range(20):
        square, housing = _run(seed, 240)
        dice = np.random.default_rng(seed)
        read = np.rint(housing + dice.normal(0.0, 0.15, len(housing)))
        level = float(dice.integers(45, 66))
        at_ns = np.arange(len(read), dtype=np.int64) * SECOND_NS
        steps, _ = advance_track(
            fitted,
            HeatTrack(),
            {
                "current_A": (at_ns, np.sqrt(square)),
                "temperature_housing_degC": (at_ns + SECOND_NS - 1, read),
            },
            hold_ns=HOLD_NS,
            until_ns=len(read) * SECOND_NS,
        )
        for end_ns, track in steps:
            second = end_ns // SECOND_NS
            if second % 120 or not track.is_known or read[:second].max() >= level:
                continue
            passage = draw_futures(fitted, track.state, track.history)[1].passage(
                level, count_K=1.0
            )
            hits = np.flatnonzero(read[second:] >= level)
            if not len(hits) and passage.latest_s > len(read) - second:
                continue
            reached_s = float(hits[0] + 1) if len(hits) else math.inf
            held.append(passage.soonest_s <= reached_s <= passage.latest_s)
            if not 0.2 <= passage.probability <= 0.8:
                sure += 1
                right += math.isfinite(reached_s) == (passage.probability > 0.8)
            if math.isfinite(reached_s) and math.isfinite(passage.median_s):
                errors.append(abs(passage.median_s / reached_s - 1.0))
    assert len(held) > 40
    assert np.mean(held) > 0.80
    assert np.median(errors) < 0.25
    assert right >= 0.9 * sure
