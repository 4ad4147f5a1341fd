import math

import numpy as np
import pytest

from logger.simulate.cycle import CYCLE_S
from logger.simulate.endurance import EnduranceProgress, cold_start, next_cycles, warm_start
from logger.simulate.live import demo_fan
from logger.simulate.warming import HEAT_STEP_S, HEAT_STEPS, Fan, JointTemperatures

NEVER = Fan(fails_s=math.inf, noticed_after_s=0.0)


def play(progress, cycles, *, most, seed=1):
    """Return the stretches up to a number of cycles, and where the test stands then."""
    parts = []
    while progress.cycle < cycles:
        part, progress = next_cycles(
            progress, max_cycles=min(most, cycles - progress.cycle), seed=seed
        )
        parts.append(part)
    return parts, progress


def housing(parts):
    """Return the housing temperatures of stretches end to end."""
    return np.concatenate([part.housing_degC for part in parts], axis=1)


def test_stretches_of_any_length_give_the_same_test():
    """Heat and motion do not depend on how many cycles are worked out at once."""
    short, end_short = play(cold_start(NEVER), 14, most=3)
    long, end_long = play(cold_start(NEVER), 14, most=14)
    assert housing(short) == pytest.approx(housing(long), abs=1e-6)
    assert end_short.joint_temperatures[0].winding_degC == pytest.approx(
        end_long.joint_temperatures[0].winding_degC
    )
    assert np.concatenate([part.motion.current_A for part in short], axis=2) == pytest.approx(
        long[0].motion.current_A, abs=1e-6
    )


def test_a_hot_drive_holds_back_current():
    """Above 85 degC the limit is lower, and a stretch ends where the drive changes it."""
    hot = JointTemperatures(winding_degC=100.0, housing_degC=90.4, drive_degC=80.0)
    progress = EnduranceProgress(cycle=0, joint_temperatures=(hot, hot), fan=NEVER)
    parts, _ = play(progress, 20, most=20)
    assert parts[0].folded == (True, True)
    assert len(parts) > 1
    limits = [part.motion.current_A[:, 0].max() for part in parts]
    assert max(limits) < 11.0
    assert parts[0].count < 20


def test_warm_joints_are_near_where_they_settle():
    """The live demo begins at about 65 degC and stays there while the fan runs."""
    parts, _ = play(warm_start(NEVER), 150, most=75)
    shoulder, elbow = housing(parts)
    assert shoulder[0] == pytest.approx(65.0, abs=1.5)
    assert shoulder.max() < 68.0
    assert shoulder.min() > 63.0
    assert elbow[-1] == pytest.approx(43.0, abs=1.5)


def test_the_live_demo_warns_within_three_minutes_and_stays_sensible():
    """Warm start: 70 degC before 177 s, 80 some minutes later, cool again before it fails anew."""
    parts, _ = play(warm_start(demo_fan()), round(4000 / CYCLE_S), most=64)
    read = np.rint(housing(parts)[0])
    time_s = np.arange(len(read)) * HEAT_STEP_S
    assert 90.0 < time_s[np.argmax(read >= 70)] < 175.0
    trips_s = time_s[1:][np.diff((read >= 80).astype(int)) == 1]
    assert 240.0 < trips_s[0] < 480.0
    fan = np.repeat(np.concatenate([part.fan_running for part in parts]), HEAT_STEPS)
    failures = np.flatnonzero(np.diff(fan.astype(int)) == -1)
    assert len(failures) >= 2
    for again in failures[1:]:
        assert read[again] <= 67
    assert read.max() < 92
    assert any(part.folded[0] for part in parts)
    drive = np.concatenate([part.drive_degC for part in parts], axis=1)
    assert drive.max() < 75.0
