"""A motion as steps, from a file and from a span of a recording."""

import numpy as np
import pytest

from replay.heat.planning.motion import motion_steps
from replay.heat.planning.motion_faults import MotionFault, MotionFaultKind
from replay.heat.planning.motion_source import read_motion, recorded_motion
from tests.support.heat_recordings import START_NS, S, record_channels

PLAN = "time_s,torque_Nm,speed_rad_s\n0,8,1\n2,-4,-2\n3,0,0\n5,0,0\n"


def _motion(tmp_path, text):
    path = tmp_path / "plan.csv"
    path.write_text(text, encoding="utf-8")
    return read_motion(path)


def test_a_value_holds_until_the_next_row(tmp_path):
    """8 N.m for 2 s, -4 for 1 s, rest for 2 s; a byte order mark and blank lines do no harm."""
    motion = _motion(tmp_path, "\ufeff" + PLAN + "\n\n")
    assert motion.duration_s.tolist() == [2.0, 1.0, 2.0]
    assert motion.rms == pytest.approx(np.sqrt((64 * 2 + 16) / 5))
    assert (motion.lasts_s, motion.peak, motion.name) == (5.0, 8.0, "plan.csv")
    assert motion.speed.tolist() == [1.0, 2.0, 0.0]


def test_steps_keep_the_heat(tmp_path):
    """Whatever the steps' length: the integral of the squared load, in the fit's unit."""
    motion = _motion(tmp_path, PLAN).changed(factor=1.5, stretch=2.0)
    assert motion.lasts_s == 10.0
    assert motion.speed.tolist() == [0.5, 1.0, 0.0]
    for fast_s in (0.01, 1.0, 50.0):
        steps = motion_steps(motion, per_load=0.5, fast_s=fast_s)
        heat = steps.duration_s @ steps.mean_square_A2
        assert heat == pytest.approx((64 * 2 + 16) * 2.0 * 1.5**2 * 0.25)
        assert steps.duration_s.sum() == pytest.approx(10.0)
        assert steps.duration_s @ steps.mean_speed_rad_s == pytest.approx(0.5 * 4 + 1.0 * 2)


def test_a_span_of_a_recording(tmp_path):
    """Its mean squares second by second; one with a gap or outside is refused."""
    at = np.arange(1200)
    time_ns = START_NS + at * (S // 10)
    time_ns[600:] += 30 * S
    current = np.where(at % 20 < 10, 6.0, 2.0)
    recording = record_channels(
        tmp_path / "r", time_ns, {"current_A": current, "speed_rad_s": -current}, hold_s=0.3
    )

    def span(first, last):
        return recorded_motion(
            recording, "a", "current_A",
            start_ns=START_NS + first * S, end_ns=START_NS + last * S, name="span",
        )  # fmt: skip

    motion = span(10, 40)
    assert motion.lasts_s == 30.0
    assert motion.rms == pytest.approx(np.sqrt((36 + 4) / 2))
    assert motion.peak == 6.0
    assert motion.speed.mean() == pytest.approx(4.0)
    for ends, kind in (
        ((50, 100), MotionFaultKind.GAP),
        ((500, 600), MotionFaultKind.NO_SPAN),
        ((40, 10), MotionFaultKind.NO_SPAN),
    ):
        with pytest.raises(MotionFault) as fault:
            span(*ends)
        assert fault.value.kind is kind
