"""The RMS load of the same motion, over whole cycles at like temperature. Pure.

A cycle's RMS current hardly depends on anything but the motion, the payload and the friction: at
one temperature, over the hours, it tells wear. Cycles are sorted into steps of 4 K by the mean
temperature of each, within which the sheet takes temperatures to be alike. Neighbouring cycles are
alike, so the scatter is that of five blocks of them.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.findings.finding import Finding, FindingSpan, FoundQuantity, Method, UncertaintyPart
from logger.findings.uncertainty import quantity_from_parts
from replay.campaign.cycle_table import CycleTable

__all__ = ["MotionLoad", "motion_finding", "motion_loads"]

_MOTION_LOADS: Final = {
    "rms_current_A": ("motion_current", "A"),
    "rms_torque_Nm": ("motion_torque", "N.m"),
}
_LIKE_TEMPERATURES: Final = (
    "temperature_winding_degC",
    "temperature_housing_degC",
    "temperature_drive_degC",
)
_STEP_K: Final = 4.0
_BLOCKS: Final = 5
_LEAST_CYCLES: Final = 2 * _BLOCKS
_METHOD: Final = Method(
    name="mean of the RMS load of whole cycles at like temperature, scatter of five blocks of them",
    source="own",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class MotionLoad:
    """What the motion takes at one temperature."""

    quantity: FoundQuantity
    temperature_degC: float | None  # noqa: N815 - the unit's own spelling
    """Middle of a step of 4 K; None: no temperature of the joint is recorded."""
    cycles: int
    cycle_time_s: float


def motion_loads(table: CycleTable, travel_rad: float | None) -> tuple[MotionLoad, ...]:
    """Return the load at each temperature that ten whole cycles or more had.

    Parameters
    ----------
    travel_rad
        How far the joint moves in a cycle; None: no position is recorded. With the time of a cycle
        it says whether another recording holds the same motion.
    """
    is_whole = table.is_whole
    temperature = next(
        (
            name
            for name in _LIKE_TEMPERATURES
            if f"mean_{name}" in table.figures and len(table.whole(f"mean_{name}"))
        ),
        None,
    )
    load = next((name for name in _MOTION_LOADS if name in table.figures), None)
    if load is None or not is_whole.any():
        return ()
    loads, times = table.figures[load][is_whole], table.figures["cycle_time_s"][is_whole]
    if temperature is None:
        steps = np.zeros(len(loads))
    else:
        steps = np.round(table.figures[f"mean_{temperature}"][is_whole] / _STEP_K) * _STEP_K
    found = []
    for step in np.unique(steps[np.isfinite(steps)]):
        within = (steps == step) & np.isfinite(loads)
        if int(within.sum()) < _LEAST_CYCLES:
            continue
        cycle_time_s = float(np.median(times[within]))
        conditions: dict[str, bool | float | str] = {"cycle_time_s": float(f"{cycle_time_s:.3g}")}
        if travel_rad is not None:
            conditions["travel_rad"] = float(f"{travel_rad:.3g}")
        if temperature is not None:
            conditions[temperature] = float(step)
        name, unit = _MOTION_LOADS[load]
        found.append(
            MotionLoad(
                quantity=_quantity(name, unit, loads[within], conditions),
                temperature_degC=None if temperature is None else float(step),
                cycles=int(within.sum()),
                cycle_time_s=cycle_time_s,
            )
        )
    return tuple(found)


def _quantity(
    name: str, unit: str, loads: Floats, conditions: dict[str, bool | float | str]
) -> FoundQuantity:
    blocks = np.array([block.mean() for block in np.array_split(loads, _BLOCKS)])
    part = UncertaintyPart(
        source="scatter of blocks of cycles",
        contribution=float(blocks.std(ddof=1) / np.sqrt(_BLOCKS)),
        degrees_of_freedom=float(_BLOCKS - 1),
    )
    return quantity_from_parts(name, float(loads.mean()), unit, [part], conditions=conditions)


def motion_finding(
    table: CycleTable, found: tuple[MotionLoad, ...], *, recording: str, recording_id: str
) -> Finding:
    """Return the finding of a recording's motion; `found`: one load or more."""
    return Finding(
        kind="motion",
        joint=table.joint,
        quantities=tuple(one.quantity for one in found),
        method=_METHOD,
        settings={"step_K": _STEP_K},
        spans=(
            FindingSpan(
                recording_id=recording_id,
                recording=recording,
                from_ns=int(table.start_ns[0]),
                to_ns=int(table.end_ns[-1]),
            ),
        ),
    )
