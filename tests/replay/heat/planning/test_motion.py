"""A motion file as it should be, and one sentence for each way in which it is not."""

import numpy as np
import pytest

from replay.heat.planning.motion import MotionFault, MotionFaultKind, motion_of_rows, motion_steps
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


@pytest.mark.parametrize(
    ("text", "kind", "words"),
    [
        ("", "columns", "nothing"),
        ("time,torque_Nm\n0,1\n1,2\n", "columns", "time, torque_Nm"),
        ("time_s,speed_rad_s\n0,1\n1,2\n", "columns", "time_s, speed_rad_s"),
        ("x" * 9000 + "\n0\n1\n", "columns", f"columns {'x' * 120}, expected"),
        ("time_s,torque_Nm,current_A\n0,1,1\n1,2,2\n", "columns", "current_A"),
        ("time_s,torque_Nm,torque_Nm\n0,1,1\n1,2,2\n", "columns", "torque_Nm"),
        ("time_s;torque_Nm\n0;1\n1;2\n", "columns", "time_s;torque_Nm"),
        ("time_s,torque_Nm\n0,1\n1,\n2,3\n", "not a number", "'' in row 3, column torque_Nm"),
        ("time_s,torque_Nm\n0,1\n1,NaN\n2,3\n", "not a number", "'NaN' in row 3"),
        ("time_s,torque_Nm\n0,1\ninf,2\n", "not a number", "'inf' in row 3, column time_s"),
        ("time_s,torque_Nm\n0,1\n1,1e300\n", "not a number", "'1e300' in row 3"),
        ("time_s,torque_Nm\n0,1\n1\n", "not a number", "1 cell in row 3, under 2 columns"),
        ("time_s,torque_Nm\n0,1\n2,2\n1,3\n", "time back", "1 s after 2 s in row 4"),
        ("time_s,torque_Nm\n0,1\n0,2\n", "time back", "0 s after 0 s in row 3"),
        ("time_s,torque_Nm\n", "too few", "no rows"),
        ("time_s,torque_Nm\n0,1\n", "too few", "1 row,"),
        ("time_s,torque_Nm\n0,1\n9000000,1\n", "too long", "104 days"),
    ],
)
def test_a_bad_file_is_told_in_one_sentence(tmp_path, text, kind, words):
    """What, where, found, expected."""
    with pytest.raises(MotionFault) as fault:
        _motion(tmp_path, text)
    assert fault.value.kind is MotionFaultKind(kind)
    told = str(fault.value)
    assert words in told
    assert "expected" in told
    assert "plan.csv" in told
    assert "\n" not in told


def test_rows_need_no_file():
    """The same from rows that came another way."""
    motion = motion_of_rows(["time_s", "current_A"], [["0", "2"], ["1", "0"]], name="p", where="p")
    assert motion.load_channel == "current_A"
    assert motion.speed is None


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
