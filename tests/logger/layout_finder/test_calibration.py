"""Probabilities are what was counted, and never fall where the rules rise."""

import pytest

from logger.layout_finder.calibration import CALIBRATION, calibrate_value
from logger.layout_finder.proposal import Meaning, Probabilities


@pytest.mark.parametrize("claim", ["place", "meaning", "scale"])
def test_tables_rise(claim):
    """Surer by the rules is never less often right."""
    steps = CALIBRATION[claim]
    assert list(steps) == sorted(steps)
    assert [right for _, right in steps] == sorted(right for _, right in steps)
    assert all(0.0 < right < 1.0 for _, right in steps)


def test_what_is_not_claimed_stays_as_it_is():
    """No meaning and no scale; a place is claimed of every value."""
    told = calibrate_value(Meaning.UNKNOWN, Probabilities(0.45, 0.0, 0.0))
    assert (told.meaning, told.scale) == (0.0, 0.0)
    sure = calibrate_value(Meaning.SPEED, Probabilities(0.985, 0.985, 0.97))
    assert min(sure.place, sure.meaning, sure.scale) > 0.9
    assert told.place < sure.place
