"""The dynamics against checks that know nothing of the stepping."""

import math

import numpy as np
import pytest

from logger.simulate.arm import ARM, ELBOW, SHOULDER, gravity_Nm
from logger.simulate.cycle import GRIP_S, RELEASE_S, STEP_S
from logger.simulate.motion import run_cycles

LIMITS_A = np.array([joint.current_limit_A for joint in ARM])
ORDINARY_KG, HEAVY_KG = 0.3, 1.32
FIRST_HELD = round(GRIP_S / STEP_S)
FIRST_FREE = round(RELEASE_S / STEP_S)


@pytest.fixture(scope="module")
def motion():
    """Return an ordinary and a heavy cycle."""
    return run_cycles(payload_kg=np.array([ORDINARY_KG, HEAVY_KG]), current_limit_A=LIMITS_A)


def torque_Nm(motion, joint):  # noqa: N802
    """Return the torque of one joint, shape (time, cycle)."""
    return ARM[joint].torque_per_ampere_Nm * motion.current_A[:, joint]


def test_gravity_torque_by_hand():
    """Stretched out level, both carry their whole lever; hanging straight down, the elbow none."""
    level = gravity_Nm(np.array([[0.0], [math.pi]]), 0.5)
    elbow = ELBOW.gravity_Nm + 0.5 * ELBOW.gravity_per_payload_Nm
    assert level[1, 0] == pytest.approx(elbow)
    assert level[0, 0] == pytest.approx(
        SHOULDER.gravity_Nm + 0.5 * SHOULDER.gravity_per_payload_Nm + elbow
    )
    hanging = gravity_Nm(np.radians([[30.0], [60.0]]), 0.0)
    assert hanging[1, 0] == pytest.approx(0.0, abs=1e-12)
    assert hanging[0, 0] == pytest.approx(SHOULDER.gravity_Nm * math.cos(math.pi / 6))


def test_standing_still_the_motor_holds_the_weight(motion):
    """At rest the motor's torque differs from the weight by no more than the friction holds."""
    for k in (FIRST_HELD - 10, len(motion.position_rad) - 1):
        assert np.all(motion.speed_rad_s[k] == 0.0)
        weight = gravity_Nm(motion.position_rad[k], 0.0)
        for joint, model in enumerate(ARM):
            off = np.abs(torque_Nm(motion, joint)[k] - weight[joint])
            assert np.all(off <= model.coulomb_friction_Nm)


@pytest.mark.parametrize("cycle", [0, 1])
@pytest.mark.parametrize(
    ("first", "last", "held"), [(0, FIRST_HELD, False), (FIRST_HELD, FIRST_FREE, True)]
)
def test_energy_is_neither_made_nor_lost(motion, cycle, first, last, held):
    """Work of the motors = change of height and of motion + friction, from a potential by hand."""
    mass = (ORDINARY_KG, HEAVY_KG)[cycle] if held else 0.0
    position = motion.position_rad[first:last, :, cycle]
    speed = motion.speed_rad_s[first:last, :, cycle]
    forearm = ELBOW.gravity_Nm + mass * ELBOW.gravity_per_payload_Nm
    upper = SHOULDER.gravity_Nm + mass * SHOULDER.gravity_per_payload_Nm
    stored = upper * np.sin(position[:, 0]) + forearm * np.sin(
        position[:, 0] + position[:, 1] - math.pi
    )
    work = friction = turned_over = 0.0
    for joint, model in enumerate(ARM):
        inertia = model.inertia_kg_m2 + mass * model.inertia_per_payload_m2
        stored = stored + 0.5 * inertia * speed[:, joint] ** 2
        power = torque_Nm(motion, joint)[first:last, cycle] * speed[:, joint]
        lost = (
            model.coulomb_friction_Nm * np.abs(speed[:, joint])
            + model.viscous_friction_Nm_s * speed[:, joint] ** 2
        )
        work += power.sum() * STEP_S
        turned_over += np.abs(power).sum() * STEP_S
        friction += lost.sum() * STEP_S
    assert work == pytest.approx(stored[-1] - stored[0] + friction, abs=0.01 * turned_over)


def test_the_current_limit_is_a_limit(motion):
    """A heavy payload makes the shoulder ask for more than it gets; an ordinary one does not."""
    most = SHOULDER.torque_per_ampere_Nm * SHOULDER.current_limit_A
    assert np.all(np.abs(motion.current_A) <= LIMITS_A[None, :, None] + 1e-12)
    assert motion.demand_Nm[:, 0, 1].max() > most
    assert torque_Nm(motion, 0)[:, 1].max() == pytest.approx(most, rel=1e-3)
    assert motion.demand_Nm[:, 0, 0].max() < 14.0


def test_a_cycle_ends_where_the_next_begins(motion):
    """Pose, speed and torque at the end fit the beginning, whatever was carried."""
    apart_rad = np.abs(motion.position_rad[-1] - motion.position_rad[0])
    assert np.all(np.degrees(apart_rad) < 0.01)
    for joint in range(2):
        assert np.all(np.abs(torque_Nm(motion, joint)[-1] - torque_Nm(motion, joint)[0]) < 0.1)


def test_cycles_do_not_know_each_other(motion):
    """A cycle comes out the same alone and beside others."""
    alone = run_cycles(payload_kg=np.array([HEAVY_KG]), current_limit_A=LIMITS_A)
    assert alone.position_rad[:, :, 0] == pytest.approx(motion.position_rad[:, :, 1], abs=1e-9)
    assert alone.current_A[:, :, 0] == pytest.approx(motion.current_A[:, :, 1], abs=1e-6)


def test_the_traces_look_like_the_arm(motion):
    """Ranges that the demo is drawn for: angles, speeds, RMS torque."""
    degrees = np.degrees(motion.position_rad[:, :, 0])
    assert degrees.min(axis=0) == pytest.approx([10.0, 38.0], abs=0.6)
    assert degrees.max(axis=0) == pytest.approx([76.0, 105.0], abs=0.6)
    assert np.all(np.abs(np.degrees(motion.speed_rad_s[:, :, 0])).max(axis=0) < 110.0)
    rms = [math.sqrt(np.mean(torque_Nm(motion, joint)[:, 0] ** 2)) for joint in range(2)]
    assert 8.5 < rms[0] < 10.0
    assert 1.5 < rms[1] < 2.5


def test_a_caller_is_let_in_between():
    """A caller with one thread is called back many times in a cycle."""
    calls = []
    run_cycles(
        payload_kg=np.array([ORDINARY_KG]),
        current_limit_A=LIMITS_A,
        between=lambda: calls.append(None),
    )
    assert len(calls) > 100
