"""What a joint's own quantities do in a motion: torque, speed, heat, supply."""

from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from tests.support.drives.motion import GRID_HZ, Motion
from tests.support.drives.truth import Floats

__all__ = ["TEMPERATURES", "JointPlan", "joint_courses", "plan_joint", "seconds_to_warm"]

GRAVITY = 9.80665
TEMPERATURES = ("winding", "housing", "bridge", "bearing", "board")


@dataclass(frozen=True, kw_only=True)
class JointPlan:
    """A joint, its load and its surroundings, as they really are."""

    gear: float
    mass_kg: float
    arm_m: float
    own_inertia: float
    """kg m2 at the output, rotor included."""
    coulomb: float
    """N m of friction that does not depend on speed."""
    load_friction: float
    """Share of what is carried that is friction as well."""
    viscous: float
    ripple: float
    ripple_order: int
    ripple_phase: float
    backlash_rad: float
    winding_rise: float
    """K above the housing, in the end, at the torque of the weight at 90 degrees."""
    winding_s: float
    housing_share: float
    housing_s: float
    bridge_rise: float
    self_heat: float
    ambient_degC: float  # noqa: N815 - the unit is written so
    supply_V: float  # noqa: N815 - the same
    supply_ohm: float
    copper_loss: float
    """W at the torque of the weight at 90 degrees."""

    @property
    def weight_torque(self) -> float:
        """N m of the weight at 90 degrees."""
        return self.mass_kg * GRAVITY * self.arm_m


def plan_joint(dice: np.random.Generator) -> JointPlan:
    """Return a joint with its weight."""
    mass, arm = dice.uniform(0.5, 8.0), dice.uniform(0.2, 0.6)
    torque = mass * GRAVITY * arm
    gear = float(np.exp(dice.uniform(np.log(6), np.log(160))))
    return JointPlan(
        gear=float(round(gear)) if dice.random() < 0.7 else round(gear, 2),
        mass_kg=mass,
        arm_m=arm,
        own_inertia=torque * dice.uniform(0.002, 0.02),
        coulomb=torque * dice.uniform(0.02, 0.15),
        load_friction=dice.uniform(0.0, 0.1),
        viscous=torque * dice.uniform(0.0, 0.08),
        ripple=torque * dice.uniform(0.002, 0.02),
        ripple_order=int(dice.choice([1, 2, 4, 6, 12])),
        ripple_phase=dice.uniform(0, 6.28),
        backlash_rad=np.radians(10 ** dice.uniform(-2, -0.3)),
        winding_rise=dice.uniform(15, 60),
        winding_s=dice.uniform(60, 400),
        housing_share=dice.uniform(0.2, 0.6),
        housing_s=dice.uniform(500, 2500),
        bridge_rise=dice.uniform(10, 35),
        self_heat=dice.uniform(0.5, 5),
        ambient_degC=dice.uniform(16, 30),
        supply_V=float(dice.choice([24, 36, 48])) * dice.uniform(0.99, 1.01),
        supply_ohm=dice.uniform(0.03, 0.8),
        copper_loss=dice.uniform(10, 80),
    )


def joint_courses(
    plan: JointPlan, motion: Motion, *, seed: int, is_warm: bool = False
) -> dict[str, Floats]:
    """Return position, motor position, speed, torque, voltage and temperatures on the grid.

    A joint that is warm has been at work before.
    """
    angle, driven = motion.angle_rad, motion.is_driven
    speed = np.gradient(angle, 1 / GRID_HZ)
    keep = np.exp(-60.0 / GRID_HZ)
    acceleration = lfilter([1 - keep], [1, -keep], np.gradient(speed, 1 / GRID_HZ))
    gravity = plan.weight_torque * np.sin(angle) * motion.is_loaded
    inertia = plan.own_inertia + plan.mass_kg * plan.arm_m**2 * motion.is_loaded
    # Standing still, some of the friction of the last motion stays.
    way = np.tanh(speed / 0.02)
    moved = np.maximum.accumulate(np.where(np.abs(speed) > 0.02, np.arange(len(speed)), 0))
    way = np.where(np.abs(way) < 0.3, np.sign(way[moved]) * 0.3, way)
    carried = plan.coulomb + plan.load_friction * np.abs(gravity)
    friction = carried * way + plan.viscous * speed
    torque = gravity + inertia * acceleration + friction
    lean = 0.5 * plan.backlash_rad * np.tanh(torque * driven / (0.05 * plan.weight_torque))
    motor = angle + _low_pass(lean, 0.03)
    ripple_at = plan.ripple_order * plan.gear * motor + plan.ripple_phase
    torque = (torque + plan.ripple * np.sin(ripple_at)) * driven
    share = torque / plan.weight_torque
    loss = share**2
    start = 25.0 if is_warm else 0.0
    winding = _low_pass(plan.winding_rise * loss, plan.winding_s)
    housing = start + _low_pass(plan.housing_share * winding, plan.housing_s)
    bridge = _low_pass(plan.bridge_rise * loss, 0.2 * plan.winding_s)
    ambient, own = plan.ambient_degC, plan.self_heat
    current = (plan.copper_loss * loss + torque * speed + 3.0) / plan.supply_V
    wander = _low_pass(np.random.default_rng(seed).normal(size=len(angle)), 2.0)
    return {
        "position": angle,
        "motor position": motor,
        "speed": speed,
        "torque": torque,
        "voltage": plan.supply_V - plan.supply_ohm * current + 0.3 * wander,
        "winding": ambient + housing + winding,
        "housing": ambient + housing,
        "bridge": ambient + own + 0.5 * housing + bridge,
        "bearing": ambient + 0.6 * _low_pass(housing - start, 60.0) + 0.6 * start,
        "board": ambient + own + 0.3 * housing + 0.2 * bridge,
    }


def seconds_to_warm(courses: dict[str, Floats], names: tuple[str, ...], start_s: float) -> float:
    """Return the seconds of the last step until one temperature is 5 degrees above its start."""
    first = round(start_s * GRID_HZ)
    over = np.zeros(len(courses["position"]) - first, bool)
    for name in names:
        over |= courses[name][first:] > courses[name][0] + 5.0
    return (float(np.argmax(over)) if over.any() else float(len(over))) / GRID_HZ


def _low_pass(values: Floats, seconds: float) -> Floats:
    keep = np.exp(-1.0 / (seconds * GRID_HZ))
    return lfilter([1 - keep], [1, -keep], values)
