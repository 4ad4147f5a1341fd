"""A speed in a frame of its own grows old: what was counted with it does not go on in silence."""

import numpy as np
import pytest

from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import bench_from_texts
from logger.joint.decode.decode import DecodeState, decode, decode_plan

BENCH = '[bus]\ninterface = "virtual"\n[[joint]]\nname = "a"\nlayout = "l"\n'
LAYOUT = """
format = 1
name = "l"
[[frame]]
name = "count"
identifier = 0x10
length = 2
[[frame.value]]
channel = "position_rad"
byte = 0
bits = 16
encoder = { counts = 16384 }
[[frame]]
name = "speed"
identifier = 0x11
length = 2
[[frame.value]]
channel = "speed_rad_s"
byte = 0
bits = 16
unit = "rpm"
"""
MS = 1_000_000


def _speeding_up(turns_s2: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return truth and reading in turns, and segments: a count each 50 ms, a speed each 200 ms."""
    rows, truth = [], []
    for at_ms in range(0, 1000, 50):
        s = at_ms / 1000
        if at_ms % 200 == 0:
            rows.append((at_ms * MS, 0x11, 0, round(turns_s2 * s * 60).to_bytes(2, "little")))
        turns = turns_s2 * s * s / 2
        rows.append((at_ms * MS, 0x10, 0, int(turns % 1 * 16384).to_bytes(2, "little")))
        truth.append(turns)
    plan = decode_plan(bench_from_texts(BENCH, {"l": LAYOUT}, where="b"))
    decoded, _ = decode(plan, DecodeState(), FrameBatch.from_rows(rows))
    readings = decoded.readings[0]
    held = readings.position_segment >= 0
    angle = readings.columns["position_rad"][held] / (2 * np.pi)
    return np.array(truth), angle, readings.position_segment[held]


@pytest.mark.parametrize("turns_s2", [5.0, 20.0, 40.0])
def test_a_gentle_start_is_followed(turns_s2: float):
    """While an old speed leaves less than half a turn open, one segment tells the truth."""
    truth, angle, segment = _speeding_up(turns_s2)
    assert set(segment.tolist()) == {0}
    np.testing.assert_allclose(angle, truth, atol=1e-3)


@pytest.mark.parametrize("turns_s2", [60.0, 80.0, 100.0, 150.0])
def test_a_turn_miscounted_with_an_old_speed_ends_its_segment(turns_s2: float):
    """The next speed tells that a turn may have been missed: nothing goes on from there."""
    truth, angle, segment = _speeding_up(turns_s2)
    places = np.arange(len(truth))
    for number in set(segment.tolist()):
        rows = places[segment == number]
        # Four counts for each speed: wherever a segment goes on over a speed, it is still right.
        off = (angle - truth)[rows] - (angle - truth)[rows[0]]
        if len(rows) > 4:
            np.testing.assert_allclose(off, 0.0, atol=1e-3)
