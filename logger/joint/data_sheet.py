"""The quantities of a joint's data sheet: what its maker claims, and what is measured. Pure data.

Each declared once, with its unit in keys, its UCUM code, the units that a claim may be given in,
on which side of a claim it is better, and what to do where it was not measured. Findings name
their quantities by these where they are of the same kind.
"""

import math
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

__all__ = ["SHEET_QUANTITIES", "Better", "SheetQuantity", "find_sheet_key", "sheet_keys"]

_ARCMIN_PER_RAD: Final = 60.0 * 180.0 / math.pi


class Better(StrEnum):
    """On which side of a claim a joint is better than claimed."""

    HIGHER = "higher"
    LOWER = "lower"
    NEITHER = "neither"
    """It shall be what was claimed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetQuantity:
    """One quantity of a data sheet."""

    name: str
    label: str
    units: dict[str, float]
    """Unit in a key -> how many of the stored unit it is; the first is the stored one."""
    ucum: str
    """Of the stored unit."""
    better: Better
    measure: str
    """What to do where it was not measured."""
    key: str = ""
    """Its key in the stored unit where that is not name and unit: torque_per_ampere."""
    usual: dict[str, bool] = field(default_factory=dict)
    """Conditions that a claim means where it says nothing of them."""

    @property
    def unit(self) -> str:
        """The stored unit, as in keys."""
        return next(iter(self.units))


_TORQUE: Final = {"Nm": 1.0, "mNm": 1e-3, "kNm": 1e3}
_ANGLE: Final = {
    "arcmin": 1.0,
    "arcsec": 1.0 / 60.0,
    "deg": 60.0,
    "mrad": _ARCMIN_PER_RAD / 1e3,
    "rad": _ARCMIN_PER_RAD,
}
_SPEED: Final = {
    "rad_s": 1.0,
    "rpm": 2.0 * math.pi / 60.0,
    "deg_s": math.pi / 180.0,
    "turn_s": 2.0 * math.pi,
}
_SHARE: Final = {"percent": 1.0}
_CURRENT: Final = {"A": 1.0, "mA": 1e-3}
_CEILING: Final = "ask for more than comes, then `dutytrace measure ceiling REC`"
_FRICTION: Final = (
    "turn at several constant speeds both ways, then `dutytrace measure friction REC`"
)
_HEAT: Final = "record load steps over hours, then `dutytrace heat REC --hottest ... --keep`"
_LOOP: Final = "hold the output fast and ramp the torque, then `dutytrace measure backlash REC`"
_PLAY: Final = "read the play at an arm's tip both ways, then `dutytrace measure backlash REC`"
_READ_OFF: Final = "read it off, then `dutytrace measure value REC`"

_ALL: Final = (
    SheetQuantity(
        name="peak_torque",
        label="peak torque",
        units=_TORQUE,
        ucum="N.m",
        better=Better.HIGHER,
        measure=_CEILING,
    ),
    SheetQuantity(
        name="continuous_torque",
        label="continuous torque",
        units=_TORQUE,
        ucum="N.m",
        better=Better.HIGHER,
        measure=_HEAT,
        usual={"holding": False},
    ),
    SheetQuantity(
        name="peak_current",
        label="peak current",
        units=_CURRENT,
        ucum="A",
        better=Better.HIGHER,
        measure=_CEILING,
    ),
    SheetQuantity(
        name="continuous_current",
        label="continuous current",
        units=_CURRENT,
        ucum="A",
        better=Better.HIGHER,
        measure=_HEAT,
        usual={"holding": False},
    ),
    SheetQuantity(
        name="torque_per_ampere",
        label="torque per ampere",
        units={"Nm_A": 1.0},
        ucum="N.m/A",
        better=Better.HIGHER,
        measure="weigh the torque at an arm, then `dutytrace measure torque REC`",
        key="torque_per_ampere",
    ),
    SheetQuantity(
        name="no_load_speed",
        label="no-load speed",
        units=_SPEED,
        ucum="rad/s",
        better=Better.HIGHER,
        measure=_CEILING,
    ),
    SheetQuantity(
        name="backlash",
        label="backlash",
        units=_ANGLE,
        ucum="'",
        better=Better.LOWER,
        measure=_PLAY,
    ),
    SheetQuantity(
        name="lost_motion",
        label="lost motion",
        units=_ANGLE,
        ucum="'",
        better=Better.LOWER,
        measure=_LOOP,
    ),
    SheetQuantity(
        name="stiffness",
        label="torsional stiffness",
        units={"Nm_arcmin": 1.0, "Nm_rad": 1.0 / _ARCMIN_PER_RAD},
        ucum="N.m/'",
        better=Better.HIGHER,
        measure=_LOOP,
    ),
    SheetQuantity(
        name="breakaway_torque",
        label="breakaway torque",
        units=_TORQUE,
        ucum="N.m",
        better=Better.LOWER,
        measure=_FRICTION,
    ),
    SheetQuantity(
        name="friction_torque",
        label="running friction",
        units=_TORQUE,
        ucum="N.m",
        better=Better.LOWER,
        measure=_FRICTION,
    ),
    SheetQuantity(
        name="torque_ripple",
        label="torque ripple",
        units=_SHARE,
        ucum="%",
        better=Better.LOWER,
        measure=_FRICTION,
    ),
    SheetQuantity(
        name="efficiency",
        label="efficiency of the gear",
        units=_SHARE,
        ucum="%",
        better=Better.HIGHER,
        measure="weigh the torque loading and unloading, then `dutytrace measure torque REC`",
    ),
    SheetQuantity(
        name="gear_ratio",
        label="gear ratio",
        units={"1": 1.0},
        ucum="1",
        better=Better.NEITHER,
        measure="turn several whole turns and back, then `dutytrace measure turns REC`",
        key="gear_ratio",
    ),
    SheetQuantity(
        name="phase_resistance",
        label="resistance of a phase",
        units={"ohm": 1.0, "mohm": 1e-3},
        ucum="Ohm",
        better=Better.NEITHER,
        measure=_READ_OFF,
    ),
    SheetQuantity(
        name="mass",
        label="mass",
        units={"kg": 1.0, "g": 1e-3},
        ucum="kg",
        better=Better.LOWER,
        measure=_READ_OFF,
    ),
    SheetQuantity(
        name="housing_resistance",
        label="thermal resistance, housing to ambient",
        units={"K_W": 1.0},
        ucum="K/W",
        better=Better.LOWER,
        measure=_HEAT,
    ),
    SheetQuantity(
        name="winding_resistance",
        label="thermal resistance, winding to housing",
        units={"K_W": 1.0},
        ucum="K/W",
        better=Better.LOWER,
        measure=_HEAT,
    ),
    SheetQuantity(
        name="winding_time",
        label="thermal time constant of the winding",
        units={"s": 1.0, "min": 60.0},
        ucum="s",
        better=Better.HIGHER,
        measure=_HEAT,
    ),
    SheetQuantity(
        name="housing_time",
        label="thermal time constant of the housing",
        units={"s": 1.0, "min": 60.0},
        ucum="s",
        better=Better.HIGHER,
        measure=_HEAT,
    ),
    SheetQuantity(
        name="standby_loss",
        label="loss, powered without load",
        units={"W": 1.0},
        ucum="W",
        better=Better.LOWER,
        measure=_HEAT,
    ),
)

SHEET_QUANTITIES: Final[dict[str, SheetQuantity]] = {one.name: one for one in _ALL}
"""All quantities by name, in the order in which a sheet shows them."""

_BY_KEY: Final = {
    key: (one, factor)
    for one in _ALL
    for unit, factor in one.units.items()
    for key in (
        {f"{one.name}_{unit}", one.key} if one.key and unit == one.unit else {f"{one.name}_{unit}"}
    )
}


def sheet_keys(quantity: SheetQuantity) -> tuple[str, ...]:
    """Return the keys of a claim of this quantity, that in the stored unit first."""
    stored = (quantity.key,) if quantity.key else ()
    return (*stored, *(f"{quantity.name}_{unit}" for unit in quantity.units if unit != "1"))


def find_sheet_key(key: str) -> tuple[SheetQuantity, float] | None:
    """Return the quantity of a claim's key, and how many of the stored unit one of its own is."""
    return _BY_KEY.get(key)
