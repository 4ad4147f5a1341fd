"""Time to a level, judged every ten minutes of the clock whatever came of it: slow.

As many runs as FORECAST_RUNS says (default 8) of each case; the figures in DEVELOPERS.md have ten.
"""

import os

import numpy as np
import pytest

from tests.support.forecast_study import SECONDS, judged_passages, summary_line
from tests.support.observed_joint import random_duty

pytestmark = pytest.mark.study
RUNS = int(os.environ.get("FORECAST_RUNS", "8"))


def _cyclic(seed: int) -> np.ndarray:
    dice = np.random.default_rng(seed + 10_000)
    on_s, off_s = dice.integers(4, 30, 2)
    cycle = np.concatenate([np.full(on_s, 12.0), np.full(off_s, dice.uniform(1.0, 4.0))])
    return np.tile(cycle, SECONDS // len(cycle) + 1)[:SECONDS]


@pytest.mark.parametrize("mean_s", [4.0, 20.0, 150.0, None])
def test_the_band_holds(mean_s):
    """The 90 % band holds most outcomes; what is sure is right in nine of ten, but at short holds.

    There 0.71 of 41 were right in 40 runs, and 0.82 of 34 knowing the law of the load.
    """
    judged = []
    for seed in range(RUNS):
        load = _cyclic(seed) if mean_s is None else random_duty(seed, SECONDS, mean_s)
        judged += [one for _, one in judged_passages(seed, load)]
    assert len(judged) >= 10, "too few levels stood ahead: more FORECAST_RUNS"
    told = summary_line("", judged)
    assert np.mean([one.holds for one in judged]) >= 0.75, told
    sure = [one.is_right for one in judged if one.is_sure]
    assert not sure or np.mean(sure) >= (0.5 if mean_s == 4.0 else 0.75), told
