"""A motion's table as people write it, and one sentence for each way in which it is none."""

import pytest

from replay.heat.planning.motion_faults import MotionFault, MotionFaultKind
from replay.heat.planning.motion_table import motion_of_text


def _motion(text):
    return motion_of_text(text, name="plan.csv", where="plan.csv")


@pytest.mark.parametrize(
    "text",
    [
        "time_s,torque_Nm\n0,1.5\n10,2.5\n20,0\n",
        "\ufefftime_s;torque_Nm\r\n0;1.5\r\n10;2.5\r\n20;0\r\n",
        "time_s;torque_Nm\n0,0;1,5\n10,0;2,5\n20,0;0\n",
        "time_s\ttorque_Nm\n0\t1,5\n10\t2,5\n20\t0\n",
        '\n"time_s", "torque_Nm"\n0,"1.5"\n\n10,2.5\n20,0\n,\n\n',
    ],
)
def test_commas_semicolons_and_tabs(text):
    """What spreadsheets write, with a comma before decimals where none parts the cells."""
    motion = _motion(text)
    assert motion.duration_s.tolist() == [10.0, 10.0]
    assert motion.square.tolist() == [2.25, 6.25]
    assert motion.load_channel == "torque_Nm"
    assert motion.speed is None


@pytest.mark.parametrize(
    ("text", "kind", "words"),
    [
        ("", "empty", "an empty file"),
        ("\ufeff \n\n", "empty", "an empty file"),
        ("0,1\n1,2\n", "no head", "numbers in the first line"),
        ("time_s torque_Nm\n0 1\n1 2\n", "one column", "'time_s torque_Nm' in its first line"),
        ("x" * 9000 + "\n0\n1\n", "one column", f"{'x' * 40}…' in"),
        ("PK\x03\x04\n0\n1\n", "one column", r"'PK\x03\x04'"),
        ("time_s,torque_Nm\n0,1\n1,\0\n", "no table", "line 3"),
        ("time_s,torque_Nm\n0,\ufffd\n1,2\n", "no table", "line 2"),
        ('time_s,torque_Nm\n0,"1\n1,2\n', "no table", "up to line 3"),
        ("time_ms,torque_Nm\n0,1\n1,2\n", "unknown column", "time_s, the time in seconds"),
        ("time_s,torque_kNm\n0,1\n1,2\n", "unknown column", "Call it torque_Nm, with its"),
        ("Time_s,torque_Nm\n0,1\n1,2\n", "unknown column", "Call it time_s."),
        ("time_s,current_A,rpm\n0,1,2\n1,2,3\n", "unknown column", "(1 rpm is 0.10472 rad/s)"),
        ("time_s,torque_Nm,torque_raw\n0,1,1\n", "unknown column", "Take it out."),
        ("time_s,torque_Nm,\n0,1,1\n", "unknown column", "a column without a name"),
        ("time_s,speed_rad_s\n0,1\n1,2\n", "missing column", "no column torque_Nm or current_A"),
        ("torque_Nm,speed_rad_s\n0,1\n1,2\n", "missing column", "no column time_s among"),
        ("time_s,torque_Nm,current_A\n0,1,1\n1,2,2\n", "two loads", "both"),
        ("time_s,torque_Nm,torque_Nm\n0,1,1\n1,2,2\n", "same column", "two columns torque_Nm"),
        ("time_s,torque_Nm\n0,1\n1\n", "ragged", "1 cell in row 3 under 2 columns"),
        ("time_s,torque_Nm\n0,1,5\n1,2,5\n", "ragged", "put semicolons between the cells"),
        ("time_s,torque_Nm\n0,1\n\n1,\n2,3\n", "not a number", "an empty cell in row 4, column t"),
        ("time_s,torque_Nm\n0,1\n1,NaN\n2,3\n", "not a number", "'NaN' in row 3"),
        ("time_s,torque_Nm\n0,1\n1,1_0\n2,3\n", "not a number", "'1_0' in row 3"),
        ("time_s,torque_Nm\n0,1\ninf,2\n", "not a number", "row 3, column time_s"),
        ("time_s,torque_Nm\n2026-01-02,1\n", "too few", "1 row,"),
        ("time_s,torque_Nm\n12:00,1\n12:01,1\n", "not a number", "a number of seconds"),
        ("time_s,torque_Nm\n0,1\n1,1e300\n", "too large", "'1e300' in row 3"),
        ("time_s;torque_Nm\n0;1,234\n0.5;2\n", "two marks", "both '1,234' and '0.5'"),
        ("time_s,torque_Nm\n0,1\n2,2\n\n1,3\n", "time back", "1 s in row 5 after 2 s"),
        ("time_s,torque_Nm\n0,1\n0,2\n", "time back", "0 s in row 3 after 0 s"),
        ("time_s,torque_Nm\n", "too few", "no rows"),
        ("time_s,torque_Nm\n0,1\n", "too few", "1 row,"),
        ("time_s,torque_Nm\n0,1\n9000000,1\n", "too long", "104 days"),
        ("time_s,torque_Nm\n0,1\n1e-6,1\n", "too short", "1e-06 s"),
    ],
)
def test_a_bad_file_is_told_in_one_sentence(text, kind, words):
    """Where, what was found, what was expected; nothing that would steer a terminal."""
    with pytest.raises(MotionFault) as fault:
        _motion(text)
    assert fault.value.kind is MotionFaultKind(kind)
    told = str(fault.value)
    assert words in told
    assert told.startswith("plan.csv: found ")
    assert "expected" in told
    assert told.isprintable()
