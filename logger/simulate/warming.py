"""How warm the joints get, cycle after cycle, and the fan that cools them.

The copper loss of a cycle is known from its currents; here it flows through winding, housing and
drive in steps of 0.1 s. The fan is watched between cycles: it fails at set times, and somebody
notices some while after the shoulder's housing got hot. State goes in and comes out; pure.
"""
# ruff: noqa: N803, N806, N815 - units are written as units are

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.joint.thermal.thermal_model import TwoNode, exact_step, steady_state
from logger.simulate.arm import ARM, JointModel
from logger.simulate.cycle import CYCLE_S

__all__ = [
    "AMBIENT_DEGC",
    "HEAT_STEPS",
    "HEAT_STEP_S",
    "CycleTemperatures",
    "Fan",
    "JointTemperatures",
    "ambient_temperatures",
    "current_share",
    "cycle_temperatures",
    "fan_step",
    "settled_temperatures",
]


AMBIENT_DEGC: Final = 24.0
HEAT_STEP_S: Final = 0.1
HEAT_STEPS: Final = round(CYCLE_S / HEAT_STEP_S)
"""Heat steps in a cycle."""

HOT_DEGC: Final = 80.0
"""Housing of the shoulder at which somebody begins to notice the fan."""
FOLD_BACK_DEGC: Final = (85.0, 95.0)
"""The drive lowers its current limit over this range of its housing."""
FOLD_BACK_SHARE: Final = 0.9
"""What is left at the upper end: still enough to hold the heaviest payload, so nothing falls."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JointTemperatures:
    """Temperatures of one joint in degC."""

    winding_degC: float
    housing_degC: float
    drive_degC: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Fan:
    """The fan and the plan of its failures."""

    fails_s: float
    """When it fails next, in seconds of the run; inf for never."""
    noticed_after_s: float
    """From the hot housing until somebody has put the fan right."""
    again_after_s: float = math.inf
    """From there until it fails again."""
    back_s: float = math.inf
    """When it comes back; inf as long as it was not noticed."""
    running: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class CycleTemperatures:
    """One cycle; every array has the shape (2, WINDOWS): joint, time."""

    winding_degC: Floats
    housing_degC: Floats
    drive_degC: Floats


def ambient_temperatures() -> tuple[JointTemperatures, ...]:
    """Return the state of joints that did not move for a long time."""
    cold = JointTemperatures(
        winding_degC=AMBIENT_DEGC, housing_degC=AMBIENT_DEGC, drive_degC=AMBIENT_DEGC
    )
    return tuple(cold for _ in ARM)


def settled_temperatures(rms_A: tuple[float, ...]) -> tuple[JointTemperatures, ...]:
    """Return joints that have worked for a long time at those RMS currents, the fan running."""
    result = []
    for joint, current in zip(ARM, rms_A, strict=True):
        winding, housing = steady_state(
            joint.cooled, joint.winding, current_A=current, ambient_degC=AMBIENT_DEGC
        )
        drive_W = joint.drive_idle_W + joint.drive_W_per_A * 0.9 * current
        to_housing, to_ambient = (
            1.0 / joint.drive_housing_K_per_W,
            1.0 / joint.drive_ambient_K_per_W,
        )
        drive = (drive_W + housing * to_housing + AMBIENT_DEGC * to_ambient) / (
            to_housing + to_ambient
        )
        result.append(
            JointTemperatures(winding_degC=winding, housing_degC=housing, drive_degC=drive)
        )
    return tuple(result)


def current_share(housing_degC: float) -> float:
    """Return the share of its current limit that a drive allows; it reads whole degrees."""
    low, high = FOLD_BACK_DEGC
    return float(np.interp(round(housing_degC), [low, high], [1.0, FOLD_BACK_SHARE]))


def fan_step(fan: Fan, *, now_s: float, housing_degC: float) -> Fan:
    """Return the fan after a look at the clock and at the shoulder's housing."""
    if fan.running:
        return replace(fan, running=False, back_s=math.inf) if now_s >= fan.fails_s else fan
    if now_s >= fan.back_s:
        return replace(fan, running=True, fails_s=now_s + fan.again_after_s, back_s=math.inf)
    if housing_degC >= HOT_DEGC and math.isinf(fan.back_s):
        return replace(fan, back_s=now_s + fan.noticed_after_s)
    return fan


def cycle_temperatures(
    start_temperatures: tuple[JointTemperatures, ...],
    *,
    squared_current_A2: Floats,
    current_magnitude_A: Floats,
    fan_running: bool,
) -> tuple[CycleTemperatures, tuple[JointTemperatures, ...]]:
    """Return the temperatures within one cycle, and where they end.

    Parameters
    ----------
    start_temperatures
        The joints at the cycle's beginning.
    squared_current_A2, current_magnitude_A
        Means of I^2 and of abs(I) within each window, shape (2, WINDOWS).
    fan_running
        Constant within the cycle.
    """
    out = np.empty((3, len(ARM), HEAT_STEPS))
    ends = []
    for index, joint in enumerate(ARM):
        rows, end = _joint_cycle_temperatures(
            joint,
            joint.cooled if fan_running else joint.uncooled,
            start_temperatures[index],
            squared_current_A2[index].tolist(),
            current_magnitude_A[index].tolist(),
        )
        out[:, index] = np.array(rows).T
        ends.append(end)
    return CycleTemperatures(winding_degC=out[0], housing_degC=out[1], drive_degC=out[2]), tuple(
        ends
    )


def _joint_cycle_temperatures(
    joint: JointModel,
    network: TwoNode,
    start_temperatures: JointTemperatures,
    squared: list[float],
    magnitude: list[float],
) -> tuple[list[tuple[float, float, float]], JointTemperatures]:
    """Step one joint through one cycle, the resistance taken from the step's beginning.

    The drive's electronics are one node between housing and ambient; each step is exact.
    """
    step = exact_step(network, duration_s=HEAT_STEP_S)
    ww, wh, hw, hh = (
        step.winding_from_winding,
        step.winding_from_housing,
        step.housing_from_winding,
        step.housing_from_housing,
    )
    w_power, h_power = step.winding_K_per_W, step.housing_K_per_W
    alpha = joint.winding.alpha_per_K
    ohm_at_ambient = float(joint.winding.resistance_at(AMBIENT_DEGC))
    ohm_per_K = joint.winding.resistance_ohm * alpha
    to_housing, to_ambient = 1.0 / joint.drive_housing_K_per_W, 1.0 / joint.drive_ambient_K_per_W
    conductance = to_housing + to_ambient
    relaxation = 1.0 - math.exp(-HEAT_STEP_S * conductance / joint.drive_J_per_K)
    idle_W, W_per_A = joint.drive_idle_W, joint.drive_W_per_A

    winding = start_temperatures.winding_degC - AMBIENT_DEGC
    housing = start_temperatures.housing_degC - AMBIENT_DEGC
    drive = start_temperatures.drive_degC - AMBIENT_DEGC
    rows = []
    for square, absolute in zip(squared, magnitude, strict=True):
        loss = square * (ohm_at_ambient + ohm_per_K * winding)
        target = (idle_W + W_per_A * absolute + housing * to_housing) / conductance
        winding, housing = (
            ww * winding + wh * housing + w_power * loss,
            hw * winding + hh * housing + h_power * loss,
        )
        drive += relaxation * (target - drive)
        rows.append((winding + AMBIENT_DEGC, housing + AMBIENT_DEGC, drive + AMBIENT_DEGC))
    last = rows[-1]
    return rows, JointTemperatures(winding_degC=last[0], housing_degC=last[1], drive_degC=last[2])
