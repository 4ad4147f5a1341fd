"""The trend of a temperature is over its newest minutes, and none where they do not tell it."""

import numpy as np
import pytest

from logger.joint.temperature_trend import time_to_level
from replay.recording import Recording
from replay.trend import NoTrend, temperature_trend

S = 1_000_000_000
CHANNEL = "temperature_housing_degC"


def test_the_trend_is_that_of_the_readings(overheat: Recording):
    """Between two instants of a steady rise, the slope of a straight line through both ends."""
    end_ns = overheat.start_ns + 500 * S
    found = temperature_trend(overheat, "shoulder", CHANNEL, end_ns)
    assert found.trend is not None
    _, values = overheat.read_readings("shoulder", end_ns - 240 * S, end_ns).channel_series(CHANNEL)
    assert found.trend.rate_K_per_min == pytest.approx((values[-1] - values[0]) / 4, abs=1.0)


def test_a_minute_is_too_little(overheat: Recording):
    """Just after the start there is no trend."""
    for at_s in (0, 30):
        end_ns = overheat.start_ns + at_s * S
        found = temperature_trend(overheat, "shoulder", CHANNEL, end_ns)
        assert found.trend is None
        assert found.why_not == NoTrend.TOO_SHORT


def test_what_is_told_comes_within_its_interval(overheat: Recording):
    """While the fan fails and until the drive stops: 3 K more come between both ends."""
    time_ns, values = overheat.read_readings(
        "shoulder", overheat.start_ns, overheat.end_ns, channels=[CHANNEL]
    ).channel_series(CHANNEL)
    hottest_ns = int(time_ns[np.argmax(values)])
    within = []
    for end_ns in range(overheat.start_ns + 300 * S, hottest_ns, 10 * S):
        trend = temperature_trend(overheat, "shoulder", CHANNEL, end_ns).trend
        now = float(values[np.searchsorted(time_ns, end_ns) - 1])
        later = np.flatnonzero((time_ns > end_ns) & (values >= now + 3.0))
        if trend is None or trend.rate_K_per_min <= 2 * trend.uncertainty_K_per_min:
            continue
        if not len(later) or time_ns[later[0]] > hottest_ns:
            continue
        ahead = time_to_level(now + 3.0, now, trend)
        true_s = (time_ns[later[0]] - end_ns) / S
        within.append(ahead.soonest_s <= true_s <= ahead.latest_s)
    assert len(within) > 15
    assert np.mean(within) >= 0.9


def test_nothing_is_told_through_the_stop_of_a_drive(overheat: Recording):
    """From soon after the drive stops on: no rise is told of a joint that cools."""
    time_ns, torque = overheat.read_readings(
        "shoulder", overheat.start_ns, overheat.end_ns, channels=["torque_Nm"]
    ).channel_series("torque_Nm")
    loaded_ns = time_ns[np.abs(torque) > 0.2 * np.abs(torque).max()]
    pauses = np.flatnonzero(np.diff(loaded_ns) > 60 * S)
    stopped_ns = int(loaded_ns[pauses[0]] if len(pauses) else loaded_ns[-1])
    why = []
    for after_s in range(15, 120, 15):
        found = temperature_trend(overheat, "shoulder", CHANNEL, stopped_ns + after_s * S)
        if found.trend is None:
            why.append(found.why_not)
        else:
            assert found.trend.rate_K_per_min < 2 * found.trend.uncertainty_K_per_min
    assert NoTrend.LOAD_CHANGED in why
