"""The thermal image of a conductor between readings."""

import math

import pytest

from logger.limits.kinds.thermal import Thermal
from logger.limits.thermal_image import ThermalMemory

S = 1_000_000_000


def test_cooling_counts_each_time_without_a_recorder():
    """Started and ended again without a reading, a thermal image goes on cooling."""
    limit = Thermal(name="x", severity="trip", channel="current_A", basic=1.0, heating_s=60.0)
    warm = ThermalMemory(last_ns=0, block_level=1.0)
    twice = warm.cooled(limit, 30 * S).cooled(limit, 60 * S)
    assert twice.level == pytest.approx(math.exp(-1.0))
