"""The motion of the joint on the bench, against what its figures say it has to be."""

import math

import pytest

from logger.simulate.commissioning.dynamics import (
    DYNAMICS_STEP_S,
    MotionState,
    SetPoint,
    advance_joint,
)
from logger.simulate.commissioning.geared_joint import BENCH_JOINT
from logger.simulate.commissioning.mounting import CLAMPED, FREE, Mounting


def _moved(
    state: MotionState, mounting: Mounting, setpoint, *, length_s: float, hand: float = 0.0
) -> MotionState:
    advance_joint(
        state,
        BENCH_JOINT,
        mounting,
        steps=round(length_s / DYNAMICS_STEP_S),
        start_s=0.0,
        setpoint=setpoint,
        external_Nm=lambda _time_s: hand,
        ceiling_share=1.0,
    )
    return state


def _torque(value: float, over_s: float = 2.0):
    """Return a set-point that rises slowly, so that nothing swings."""
    return lambda time_s: SetPoint("torque", value * min(time_s / over_s, 1.0))


def test_a_clamped_gear_twists_by_half_its_play_and_by_both_stiffnesses():
    """9 N.m asked: past the knee."""
    state = _moved(MotionState(), CLAMPED, _torque(9.0), length_s=4.0)
    gear = state.gear_Nm
    twist = (
        0.5 * BENCH_JOINT.play_rad
        + BENCH_JOINT.knee_Nm / BENCH_JOINT.first_stiffness_Nm_per_rad
        + (gear - BENCH_JOINT.knee_Nm) / BENCH_JOINT.second_stiffness_Nm_per_rad
    )
    assert gear > BENCH_JOINT.knee_Nm
    assert state.motor_rad == pytest.approx(twist, rel=1e-6)


def test_it_gives_less_than_is_asked_for_by_its_friction_and_its_drives_error():
    """The drive divides by 1.62 N.m/A what is 1.55, and friction takes its part of the rest."""
    state = _moved(MotionState(), CLAMPED, _torque(9.0), length_s=4.0)
    made = 9.0 / BENCH_JOINT.assumed_per_ampere_Nm * BENCH_JOINT.torque_per_ampere_Nm
    stuck = BENCH_JOINT.forward_friction_Nm * (1.0 + BENCH_JOINT.sticking_share)
    most = BENCH_JOINT.load_friction_share * 9.0 + stuck
    assert made - most < state.gear_Nm < made


def test_below_its_breakaway_it_does_not_creep():
    """For ten seconds, with nine tenths of what it takes to start."""
    stuck = BENCH_JOINT.forward_friction_Nm * (1.0 + BENCH_JOINT.sticking_share)
    asked = 0.9 * stuck * BENCH_JOINT.assumed_per_ampere_Nm / BENCH_JOINT.torque_per_ampere_Nm
    state = _moved(MotionState(), FREE, _torque(asked), length_s=10.0)
    assert state.motor_rad == 0.0


def test_a_hand_moves_the_output_by_the_play_and_not_the_motor():
    """2 N.m either way on a flange whose motor is held: the play and twice the spring's give."""
    ends = []
    for hand in (2.0, -2.0):
        state = _moved(
            MotionState(), FREE, lambda _time_s: SetPoint("position", 0.0), length_s=6.0,
            hand=hand,
        )  # fmt: skip
        ends.append(state.output_rad - state.motor_rad)
    give = 2.0 * 2.0 / BENCH_JOINT.first_stiffness_Nm_per_rad
    assert ends[0] - ends[1] == pytest.approx(BENCH_JOINT.play_rad + give, rel=0.01)


def test_the_supply_sets_the_highest_speed():
    """There the motor's own voltage leaves what friction needs, and the supply has sagged."""
    state = _moved(MotionState(), FREE, lambda _time_s: SetPoint("speed", 30.0), length_s=2.0)
    own_voltage = BENCH_JOINT.torque_per_ampere_Nm * state.motor_rad_s
    assert own_voltage + BENCH_JOINT.phase_ohm * state.current_A == pytest.approx(
        state.voltage_V, rel=1e-3
    )
    assert state.voltage_V < BENCH_JOINT.supply_V


def test_either_direction_has_its_own_friction():
    """Turning bare at one speed: the current of either way, less what grows with speed."""
    currents = {}
    for sign in (1.0, -1.0):
        state = _moved(
            MotionState(), FREE, lambda _time_s, sign=sign: SetPoint("speed", sign), length_s=4.0
        )
        assert state.motor_rad_s == pytest.approx(sign, rel=0.01)
        currents[sign] = abs(state.current_A)
    assert (currents[1.0] - currents[-1.0]) * BENCH_JOINT.torque_per_ampere_Nm == pytest.approx(
        BENCH_JOINT.forward_friction_Nm - BENCH_JOINT.backward_friction_Nm, rel=0.02
    )
    assert math.isfinite(state.squared_A2_s)
