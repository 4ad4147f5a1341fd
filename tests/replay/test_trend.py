"""The trend of a temperature is over its newest minutes, and none where there are too few."""

import pytest

from replay.recording import Recording
from replay.trend import temperature_trend

S = 1_000_000_000
CHANNEL = "temperature_housing_degC"


def test_the_trend_is_that_of_the_readings(overheat: Recording):
    """Between two instants of a steady rise, the slope of a straight line through both ends."""
    end_ns = overheat.start_ns + 500 * S
    found = temperature_trend(overheat, "shoulder", CHANNEL, end_ns)
    assert found is not None
    _, values = overheat.read_readings("shoulder", end_ns - 240 * S, end_ns).channel_series(CHANNEL)
    assert found.rate_K_per_min == pytest.approx((values[-1] - values[0]) / 4, abs=1.0)


def test_a_minute_is_too_little(overheat: Recording):
    """Just after the start there is no trend."""
    for at_s in (0, 30):
        end_ns = overheat.start_ns + at_s * S
        assert temperature_trend(overheat, "shoulder", CHANNEL, end_ns) is None
