"""The canonical channels: every quantity that a recording can hold, declared once.

Stored in SI at the output side of the gear, the unit in the column's name and its UCUM code in
the Parquet field metadata. Where a temperature sits is part of its name: a drive's electronics are
not a winding. Pure data; anyone may import it.
"""

import math
from dataclasses import dataclass
from typing import Final

__all__ = [
    "CHANNELS",
    "DISPLAYS",
    "INPUT_UNITS",
    "SETPOINT_OF",
    "Channel",
    "Display",
    "InputUnit",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """One column of a joint's status table."""

    name: str
    quantity: str
    """temperature, current, torque, speed, position, voltage, fault or state."""
    label: str
    """What a page calls it: "housing", "torque"."""
    ucum: str
    """Unit code after UCUM (ucum.org): Cel, A, N.m, rad/s, rad, V, 1."""
    lowest: float
    """Smallest value that a sane reading has, in the channel's unit."""
    highest: float
    decimals: int
    """Digits shown after the point, in the channel's own unit."""
    whole: bool = False
    """Stored as int64 (codes), not as float64."""
    mirrored: bool = False
    """Changes sign with a joint that is mounted reversed."""
    magnitude: bool = False
    """A level limit on it means the magnitude: lowering a load is a load."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Display:
    """How a quantity is shown: shown = stored * factor."""

    unit: str
    factor: float
    decimals: int


@dataclass(frozen=True, slots=True, kw_only=True)
class InputUnit:
    """A unit that a layout may name: stored = value * factor + offset."""

    factor: float
    offset: float = 0.0


def _temperature_channel(part_name: str, label: str) -> Channel:
    return Channel(
        name=f"temperature_{part_name}_degC",
        quantity="temperature",
        label=label,
        ucum="Cel",
        lowest=-60.0,
        highest=250.0,
        decimals=1,
    )


def _signed_channel(
    name: str, quantity: str, label: str, ucum: str, *, highest: float, decimals: int
) -> Channel:
    return Channel(
        name=name,
        quantity=quantity,
        label=label,
        ucum=ucum,
        lowest=-highest,
        highest=highest,
        decimals=decimals,
        mirrored=True,
        magnitude=quantity in {"current", "torque"},
    )


_ALL_CHANNELS: Final = (
    _temperature_channel("winding", "winding"),
    _temperature_channel("housing", "housing"),
    _temperature_channel("drive", "drive"),
    _temperature_channel("ambient", "ambient"),
    _signed_channel("current_A", "current", "current", "A", highest=2000.0, decimals=2),
    _signed_channel("torque_Nm", "torque", "torque", "N.m", highest=20000.0, decimals=2),
    _signed_channel("speed_rad_s", "speed", "speed", "rad/s", highest=10000.0, decimals=3),
    _signed_channel("position_rad", "position", "position", "rad", highest=1e9, decimals=4),
    Channel(
        name="voltage_V",
        quantity="voltage",
        label="supply voltage",
        ucum="V",
        lowest=0.0,
        highest=1500.0,
        decimals=2,
    ),
    Channel(
        name="fault_code",
        quantity="fault",
        label="fault code",
        ucum="1",
        lowest=0.0,
        highest=float(2**32 - 1),
        decimals=0,
        whole=True,
    ),
    Channel(
        name="state_code",
        quantity="state",
        label="drive state",
        ucum="1",
        lowest=0.0,
        highest=float(2**32 - 1),
        decimals=0,
        whole=True,
    ),
    _signed_channel(
        "current_setpoint_A", "current", "current set-point", "A", highest=2000.0, decimals=2
    ),
    _signed_channel(
        "torque_setpoint_Nm", "torque", "torque set-point", "N.m", highest=20000.0, decimals=2
    ),
    _signed_channel(
        "speed_setpoint_rad_s", "speed", "speed set-point", "rad/s", highest=10000.0, decimals=3
    ),
    _signed_channel(
        "position_setpoint_rad", "position", "position set-point", "rad", highest=1e9, decimals=4
    ),
)

CHANNELS: Final[dict[str, Channel]] = {channel.name: channel for channel in _ALL_CHANNELS}
"""All channels by name, in the order in which tables show them."""

SETPOINT_OF: Final = {
    "current_A": "current_setpoint_A",
    "torque_Nm": "torque_setpoint_Nm",
    "speed_rad_s": "speed_setpoint_rad_s",
    "position_rad": "position_setpoint_rad",
}
"""The set-point channel that belongs to a measured one."""

_DEGREES_PER_RADIAN = 180.0 / math.pi
_RPM_PER_RADIAN_PER_S = 60.0 / (2.0 * math.pi)

DISPLAYS: Final[dict[str, Display]] = {
    "temperature": Display(unit="°C", factor=1.0, decimals=1),
    "current": Display(unit="A", factor=1.0, decimals=1),
    "torque": Display(unit="N·m", factor=1.0, decimals=1),
    "speed": Display(unit="°/s", factor=_DEGREES_PER_RADIAN, decimals=0),
    "position": Display(unit="°", factor=_DEGREES_PER_RADIAN, decimals=0),
    "voltage": Display(unit="V", factor=1.0, decimals=1),
    "fault": Display(unit="", factor=1.0, decimals=0),
    "state": Display(unit="", factor=1.0, decimals=0),
}
"""How each quantity is shown by default."""

INPUT_UNITS: Final[dict[str, dict[str, InputUnit]]] = {
    "temperature": {"degC": InputUnit(factor=1.0), "K": InputUnit(factor=1.0, offset=-273.15)},
    "current": {"A": InputUnit(factor=1.0), "mA": InputUnit(factor=1e-3)},
    "torque": {"Nm": InputUnit(factor=1.0), "mNm": InputUnit(factor=1e-3)},
    "speed": {
        "rad_s": InputUnit(factor=1.0),
        "deg_s": InputUnit(factor=1.0 / _DEGREES_PER_RADIAN),
        "rpm": InputUnit(factor=1.0 / _RPM_PER_RADIAN_PER_S),
        "turn_s": InputUnit(factor=2.0 * math.pi),
    },
    "position": {
        "rad": InputUnit(factor=1.0),
        "deg": InputUnit(factor=1.0 / _DEGREES_PER_RADIAN),
        "turn": InputUnit(factor=2.0 * math.pi),
    },
    "voltage": {"V": InputUnit(factor=1.0), "mV": InputUnit(factor=1e-3)},
    "fault": {"code": InputUnit(factor=1.0)},
    "state": {"code": InputUnit(factor=1.0)},
}
"""The units that a layout may give its scaled values in; the first of each is the stored one."""
