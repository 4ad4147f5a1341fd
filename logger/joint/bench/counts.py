"""The values that a channel can have: raw counts, or numbers of 16 or 32 bits, after scaling. Pure.

A reading of 423 counts of 0.1 V is meant as 42.3 V, and comes out of a multiplication as
42.300000000000004. Whoever compares it with a level has to know which values lie next to each
other: see logger/limits/thresholds.py.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from logger.joint.bench.bench import Bench
from logger.joint.bench.joint_settings import JointSettings
from logger.joint.bench.scaling import scaling_of
from logger.joint.bench.value import Value

__all__ = ["CountGrid", "count_grids"]


@dataclass(frozen=True, slots=True)
class CountGrid:
    """The values offset + raw * step, in the channel's unit."""

    step: float
    """More than 0."""
    offset: float = 0.0
    float_bits: int = 0
    """0: raw is any whole number. 16, 32: raw is an IEEE 754 number of so many bits."""

    @property
    def mirrored(self) -> "CountGrid":
        """The same with the sign of each value turned."""
        return CountGrid(self.step, -self.offset, self.float_bits)


def count_grids(bench: Bench, joint: JointSettings) -> dict[str, tuple[CountGrid, ...]]:
    """Return the grids that each channel of a joint has its values on.

    Several where frames carry a channel in different counts. A channel is left out where its values
    lie on no grid: of a sensor, of a resistance, of a number of 64 bits.
    """
    grids: dict[str, tuple[CountGrid, ...]] = {}
    unknown: set[str] = set()
    for frame in bench.layout_of(joint).frame:
        for value in frame.value:
            grid = _grid_of(value, joint)
            if grid is None:
                unknown.add(value.channel)
            elif grid not in grids.get(value.channel, ()):
                grids[value.channel] = (*grids.get(value.channel, ()), grid)
    known = {channel: its for channel, its in grids.items() if channel not in unknown}
    if joint.torque is not None and bench.derives_torque(joint):
        known.pop("torque_Nm", None)
        known |= _derived_torque(known, joint.torque.per_ampere)
    return known


def _grid_of(value: Value, joint: JointSettings) -> CountGrid | None:
    if value.resistance is not None or (value.type == "float" and value.bits == 64):
        return None
    scaling = scaling_of(value, joint, where=joint.name)
    if scaling.factor == 0:
        return None
    return CountGrid(
        abs(scaling.factor), scaling.offset, value.bits if value.type == "float" else 0
    )


def _derived_torque(
    grids: Mapping[str, tuple[CountGrid, ...]], per_ampere: float
) -> dict[str, tuple[CountGrid, ...]]:
    if "current_A" not in grids or per_ampere == 0:
        return {}
    derived = tuple(
        CountGrid(abs(grid.step * per_ampere), grid.offset * per_ampere, grid.float_bits)
        for grid in grids["current_A"]
    )
    return {"torque_Nm": derived}
