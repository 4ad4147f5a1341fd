"""Times of an instrument moved by a correction, and computed back where they are kept no more."""

import tomllib

import numpy as np
import pytest

from logger.joint.bench.instrument_clock import InstrumentClock

DAY_NS = 86_400 * 10**9
MIDDLE_NS = 1_795_000_000_000_000_000


@pytest.mark.parametrize(("offset_ns", "drift_ppm"), [(2_400_000_001, 0.0), (-7_000_000, 123.456)])
def test_corrected_times_are_computed_back_to_a_nanosecond(offset_ns: int, drift_ppm: float):
    """Over days either way of the middle; a drift of 123 ppm is 10.7 s a day."""
    clock = InstrumentClock(offset_ns=offset_ns, drift_ppm=drift_ppm, middle_ns=MIDDLE_NS)
    own_ns = MIDDLE_NS + np.linspace(-30 * DAY_NS, 30 * DAY_NS, 1001).astype(np.int64)
    corrected_ns = clock.correct_times(own_ns)
    day_on = clock.correct_times(np.array([MIDDLE_NS + DAY_NS]))[0] - MIDDLE_NS - DAY_NS
    assert day_on == offset_ns + round(drift_ppm * 86_400 * 1000)
    assert np.all(np.diff(corrected_ns) > 0)
    assert np.abs(clock.own_times(corrected_ns) - own_ns).max() <= 1


def test_a_correction_reads_as_it_was_written():
    """As a table of the bench text, whatever its words are."""
    clock = InstrumentClock(
        offset_ns=5, drift_ppm=-1.5, middle_ns=MIDDLE_NS, low_s=-0.1, high_s=0.1,
        found_from='torque_Nm against "torque" of ä',
    )  # fmt: skip
    assert InstrumentClock(**tomllib.loads(f"clock = {clock.to_toml()}")["clock"]) == clock
