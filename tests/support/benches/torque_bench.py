"""Simulated benches for torque per ampere: a gear with friction, a scale at an arm, truth known."""

from dataclasses import dataclass

import numpy as np

from replay.measure.reading import GRAVITY_M_S2, Reading
from replay.measure.setup import BenchSetup

__all__ = ["TorqueBench", "draw_torque_bench"]


@dataclass(frozen=True, slots=True, kw_only=True)
class TorqueBench:
    """Typed readings, and the gear that made them."""

    setup: BenchSetup
    per_ampere: float
    loading: float
    unloading: float
    efficiency: float
    friction_Nm: float  # noqa: N815 - the unit's own spelling


def draw_torque_bench(
    dice: np.random.Generator,
    *,
    division_g: float = 10.0,
    friction_Nm: float = 0.3,  # noqa: N803 - the unit's own spelling
    levels: int = 8,
    dither: float = 0.0,
    saturation: float = 0.0,
    most_A: float = 6.0,  # noqa: N803
) -> TorqueBench:
    """Return a bench: arm, scale, angle, levels and tare drawn anew.

    Parameters
    ----------
    dither
        Most of the friction that a controller that dithers relaxes while the joint stands.
    saturation
        Share of the torque that is missing at the most current.
    """
    per_ampere, efficiency = 1.9, 0.93
    arm = 0.344 + dice.uniform(-1.1e-3, 1.1e-3)
    gain, angle = 1.0 + dice.normal(0.0, 0.002), np.deg2rad(dice.uniform(-2.0, 2.0))
    up = most_A * (np.arange(1, levels + 1) - dice.uniform(0.0, 0.4, levels)) / levels
    up = np.append(np.sort(up[:-1]), most_A)
    down = np.sort(most_A * (np.arange(levels - 1) + dice.uniform(0.2, 0.8, levels - 1)) / levels)
    current = np.concatenate([up, down[::-1]])
    # Not the law that is fitted: an iron that bends off later and harder.
    motor = per_ampere * current / (1.0 + saturation * (current / most_A) ** 2.5)
    low, high = efficiency * motor - friction_Nm, motor / efficiency + friction_Nm
    held = np.empty(len(current))
    now = 0.0
    for index in range(len(current)):
        now = float(np.clip(now, low[index], high[index]))
        held[index] = now
    tare = dice.uniform(-0.05, 0.05)

    def scale_of(relaxed: np.ndarray) -> np.ndarray:
        middle = (low + high) / 2.0
        standing = held + relaxed * (middle - held)
        kilograms = gain * standing / (GRAVITY_M_S2 * arm * np.cos(angle)) + tare
        return np.rint(1000.0 * kilograms / division_g) * division_g / 1000.0

    read = scale_of(dice.uniform(0.0, dither, len(current)))
    again = scale_of(dice.uniform(0.0, dither, len(current)))
    nudged = {1, levels // 2, levels - 2, len(current) - 2, len(current) - 3, len(current) - 1}
    readings = [
        Reading(name="arm", value=0.344, unit="m", bound=1.1e-3, text="344 mm +- 1.1 mm"),
        Reading(name="angle", value=0.0, unit="rad", bound=np.deg2rad(2.0), text="0 deg +- 2 deg"),
        Reading(name="gain", value=1.0, unit="1", bound=0.002, factor=1.0, text="1 +- 0.002"),
    ]
    for index, ampere in enumerate(current):
        typed = [("scale", read[index]), *((("nudged", again[index]),) if index in nudged else ())]
        readings += [
            Reading(
                name=name,
                value=float(value),
                unit="kg",
                division=division_g / 1000.0,
                at_value=float(ampere),
                at_unit="A",
                text=f"{value:g} kg at {ampere:g} A",
            )
            for name, value in typed
        ]
    return TorqueBench(
        setup=BenchSetup(readings=tuple(readings)),
        per_ampere=per_ampere,
        loading=efficiency * per_ampere,
        unloading=per_ampere / efficiency,
        efficiency=efficiency,
        friction_Nm=friction_Nm,
    )
