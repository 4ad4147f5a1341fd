"""The demo's forecasts against the simulator's truth: twenty runs, judged at clock times."""

import numpy as np
import pytest

from tests.support.demo_forecasts import demo_bench, judged_demo
from tests.support.forecast_study import summary_line


def test_the_demo_has_a_model_of_each_joint():
    """It is that of its joint with the fan, its source named."""
    shoulder, elbow = demo_bench().joints
    assert shoulder.thermal.housing_rise == pytest.approx(1.66 * 0.64, rel=1e-3)
    assert elbow.thermal.winding_time_s == pytest.approx(1.1 * 24.0, rel=1e-3)
    assert "simulated" in shoulder.thermal.source


@pytest.mark.study
def test_the_demo_is_forecast_as_it_goes():
    """From cold to warm: the 90 % band of the time to a level holds in 85 of 100."""
    judged = [one for seed in range(20) for one in judged_demo(seed)]
    told = summary_line("demo", judged)
    assert len(judged) > 40, told
    assert np.mean([one.holds for one in judged]) > 0.80, told
    assert np.median([one.error for one in judged]) < 0.25, told
    sure = [one.is_right for one in judged if one.is_sure]
    assert np.mean(sure) >= 0.9, told
