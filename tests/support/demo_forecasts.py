"""The demo's forecasts held against the simulator's truth.

    python -m tests.support.demo_forecasts --runs 20

One line: twenty runs of 32 minutes from cold, judged every two minutes whatever came of it.
"""

import argparse
import math
import sys
from collections.abc import Iterator
from typing import Final

import numpy as np

from logger.heat.fitted import heat_of_joint
from logger.heat.forecast import draw_futures
from logger.heat.track import HeatTrack, advance_track
from logger.joint.bench.bench import Bench, bench_from_texts
from logger.simulate.cycle import CYCLE_S, STEPS
from logger.simulate.demo_bench import demo_bench_text
from logger.simulate.endurance import cold_start, next_cycles
from logger.simulate.scenario import SCENARIO_LAYOUT, scenario_layout_text
from logger.simulate.warming import HEAT_STEP_S, Fan
from tests.support.forecast_study import Judged, summary_line

__all__ = ["demo_bench", "judged_demo"]

SECOND_NS: Final = 1_000_000_000
CHANNELS: Final = ("current_A", "temperature_housing_degC")
HOLD_NS: Final = dict.fromkeys(CHANNELS, 3 * SECOND_NS)
CYCLES: Final = 240
EVERY_S: Final = 120


def demo_bench() -> Bench:
    """Return the bench file of the demo."""
    return bench_from_texts(
        demo_bench_text("x"), {SCENARIO_LAYOUT: scenario_layout_text()}, where="bench.toml"
    )


def judged_demo(seed: int) -> Iterator[Judged]:
    """Yield what was forecast of a level of the shoulder's housing, and what came of it.

    A level that is not reached before the run ends is judged where the band ended before.
    """
    fitted = heat_of_joint(demo_bench().joints[0], CHANNELS)
    assert fitted is not None
    square, housing = _demo_run(seed)
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
        if second % EVERY_S or not track.is_known or read[:second].max() >= level:
            continue
        assert track.state is not None
        assert track.history is not None
        passage = draw_futures(fitted, track.state, track.history)[1].passage(level, count_K=1.0)
        hits = np.flatnonzero(read[second:] >= level)
        if not len(hits) and passage.latest_s > len(read) - second:
            continue
        yield Judged(float(hits[0] + 1) if len(hits) else math.inf, passage, seed)


def _demo_run(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Return mean square current and housing of the shoulder for each second, from cold."""
    progress = cold_start(Fan(fails_s=math.inf, noticed_after_s=math.inf))
    square, housing = [], []
    while progress.cycle < CYCLES:
        run, progress = next_cycles(
            progress, max_cycles=min(48, CYCLES - progress.cycle), seed=seed
        )
        current = run.motion.current_A[:, 0, :].T.reshape(-1, STEPS // round(CYCLE_S))
        square.append(np.mean(current**2, axis=1))
        housing.append(run.housing_degC[0][round(1 / HEAT_STEP_S) - 1 :: round(1 / HEAT_STEP_S)])
    return np.concatenate(square), np.concatenate(housing)


def main() -> None:
    """Write the line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=20)
    judged = [one for seed in range(parser.parse_args().runs) for one in judged_demo(seed)]
    sys.stdout.write(summary_line("demo", judged) + "\n")


if __name__ == "__main__":
    main()
