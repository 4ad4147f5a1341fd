"""The quantities that a joint or an instrument beside it can report, declared once.

Each with its unit in column names, its UCUM code, the range of sane readings, how it is shown and
the units that a layout or a table may give it in. Stored in SI at the output side of the gear. Pure
data; anyone may import it.
"""

import math
from dataclasses import dataclass
from typing import Final

__all__ = ["DISPLAYS", "INPUT_UNITS", "QUANTITIES", "Display", "InputUnit", "Quantity"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Display:
    """How a quantity is shown: shown = stored * factor."""

    unit: str
    factor: float = 1.0
    decimals: int


@dataclass(frozen=True, slots=True, kw_only=True)
class InputUnit:
    """A unit that a layout may name: stored = value * factor + offset."""

    factor: float
    offset: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """One quantity: what the channels of it have in common."""

    name: str
    """First word of its channels: temperature, current, torque."""
    unit: str
    """Last word of its channels: degC, A, Nm."""
    ucum: str
    """Unit code after UCUM (ucum.org): Cel, A, N.m, rad/s, rad, V, 1."""
    unit_text: str
    """The stored unit as a person reads it: °C, N·m; empty for codes and ratios."""
    label: str
    """What a page calls it."""
    lowest: float
    """Smallest value that a sane reading has, in the stored unit."""
    highest: float
    display: Display
    input_units: dict[str, InputUnit]
    """The units that a layout may give its scaled values in; the first is the stored one."""
    whole: bool = False
    """Stored as int64 (codes), not as float64."""
    mirrored: bool = False
    """Changes sign with a joint that is mounted reversed."""
    magnitude: bool = False
    """A level limit on it means the magnitude: lowering a load is a load."""


_DEGREES_PER_RADIAN: Final = 180.0 / math.pi
_RPM_PER_RADIAN_PER_S: Final = 60.0 / (2.0 * math.pi)


def _code(name: str, label: str) -> Quantity:
    return Quantity(
        name=name,
        unit="code",
        ucum="1",
        unit_text="",
        label=label,
        lowest=0.0,
        highest=float(2**32 - 1),
        display=Display(unit="", decimals=0),
        input_units={"code": InputUnit(factor=1.0)},
        whole=True,
    )


_ALL: Final = (
    Quantity(
        name="temperature",
        unit="degC",
        ucum="Cel",
        unit_text="°C",
        label="temperature",
        lowest=-60.0,
        highest=250.0,
        display=Display(unit="°C", decimals=1),
        input_units={"degC": InputUnit(factor=1.0), "K": InputUnit(factor=1.0, offset=-273.15)},
    ),
    Quantity(
        name="current",
        unit="A",
        ucum="A",
        unit_text="A",
        label="current",
        lowest=-2000.0,
        highest=2000.0,
        display=Display(unit="A", decimals=1),
        input_units={"A": InputUnit(factor=1.0), "mA": InputUnit(factor=1e-3)},
        mirrored=True,
        magnitude=True,
    ),
    Quantity(
        name="torque",
        unit="Nm",
        ucum="N.m",
        unit_text="N·m",
        label="torque",
        lowest=-20000.0,
        highest=20000.0,
        display=Display(unit="N·m", decimals=1),
        input_units={"Nm": InputUnit(factor=1.0), "mNm": InputUnit(factor=1e-3)},
        mirrored=True,
        magnitude=True,
    ),
    Quantity(
        name="speed",
        unit="rad_s",
        ucum="rad/s",
        unit_text="rad/s",
        label="speed",
        lowest=-10000.0,
        highest=10000.0,
        display=Display(unit="°/s", factor=_DEGREES_PER_RADIAN, decimals=0),
        input_units={
            "rad_s": InputUnit(factor=1.0),
            "deg_s": InputUnit(factor=1.0 / _DEGREES_PER_RADIAN),
            "rpm": InputUnit(factor=1.0 / _RPM_PER_RADIAN_PER_S),
            "turn_s": InputUnit(factor=2.0 * math.pi),
        },
        mirrored=True,
    ),
    Quantity(
        name="position",
        unit="rad",
        ucum="rad",
        unit_text="rad",
        label="position",
        lowest=-1e9,
        highest=1e9,
        display=Display(unit="°", factor=_DEGREES_PER_RADIAN, decimals=0),
        input_units={
            "rad": InputUnit(factor=1.0),
            "deg": InputUnit(factor=1.0 / _DEGREES_PER_RADIAN),
            "turn": InputUnit(factor=2.0 * math.pi),
        },
        mirrored=True,
    ),
    Quantity(
        name="voltage",
        unit="V",
        ucum="V",
        unit_text="V",
        label="voltage",
        lowest=0.0,
        highest=1500.0,
        display=Display(unit="V", decimals=1),
        input_units={"V": InputUnit(factor=1.0), "mV": InputUnit(factor=1e-3)},
    ),
    _code("fault", "fault code"),
    _code("state", "state"),
    _code("count", "count"),
    Quantity(
        name="force",
        unit="N",
        ucum="N",
        unit_text="N",
        label="force",
        lowest=-1e6,
        highest=1e6,
        display=Display(unit="N", decimals=1),
        input_units={
            "N": InputUnit(factor=1.0),
            "mN": InputUnit(factor=1e-3),
            "kN": InputUnit(factor=1e3),
        },
        magnitude=True,
    ),
    Quantity(
        name="mass",
        unit="kg",
        ucum="kg",
        unit_text="kg",
        label="mass",
        lowest=-1e5,
        highest=1e5,
        display=Display(unit="kg", decimals=2),
        input_units={"kg": InputUnit(factor=1.0), "g": InputUnit(factor=1e-3)},
    ),
    Quantity(
        name="pressure",
        unit="Pa",
        ucum="Pa",
        unit_text="Pa",
        label="pressure",
        lowest=-1e5,
        highest=1e9,
        display=Display(unit="kPa", factor=1e-3, decimals=1),
        input_units={
            "Pa": InputUnit(factor=1.0),
            "hPa": InputUnit(factor=100.0),
            "kPa": InputUnit(factor=1e3),
            "bar": InputUnit(factor=1e5),
        },
    ),
    Quantity(
        name="acceleration",
        unit="m_s2",
        ucum="m/s2",
        unit_text="m/s²",
        label="acceleration",
        lowest=-1e5,
        highest=1e5,
        display=Display(unit="m/s²", decimals=2),
        # Standard gravity, exact (3rd CGPM, 1901).
        input_units={"m_s2": InputUnit(factor=1.0), "g": InputUnit(factor=9.80665)},
        magnitude=True,
    ),
    Quantity(
        name="power",
        unit="W",
        ucum="W",
        unit_text="W",
        label="power",
        lowest=-1e6,
        highest=1e6,
        display=Display(unit="W", decimals=1),
        input_units={
            "W": InputUnit(factor=1.0),
            "mW": InputUnit(factor=1e-3),
            "kW": InputUnit(factor=1e3),
        },
    ),
    Quantity(
        name="length",
        unit="m",
        ucum="m",
        unit_text="m",
        label="length",
        lowest=-1e4,
        highest=1e4,
        display=Display(unit="mm", factor=1e3, decimals=3),
        input_units={
            "m": InputUnit(factor=1.0),
            "mm": InputUnit(factor=1e-3),
            "um": InputUnit(factor=1e-6),
        },
    ),
    Quantity(
        name="resistance",
        unit="ohm",
        ucum="Ohm",
        unit_text="Ω",
        label="resistance",
        lowest=0.0,
        highest=1e9,
        display=Display(unit="Ω", decimals=3),
        input_units={"ohm": InputUnit(factor=1.0), "mohm": InputUnit(factor=1e-3)},
    ),
    Quantity(
        name="ratio",
        unit="1",
        ucum="1",
        unit_text="",
        label="ratio",
        lowest=-1e6,
        highest=1e6,
        display=Display(unit="%", factor=100.0, decimals=1),
        input_units={"1": InputUnit(factor=1.0), "percent": InputUnit(factor=0.01)},
    ),
)

QUANTITIES: Final[dict[str, Quantity]] = {quantity.name: quantity for quantity in _ALL}
"""All quantities by name, in the order in which tables show them."""

DISPLAYS: Final[dict[str, Display]] = {name: one.display for name, one in QUANTITIES.items()}
"""How each quantity is shown by default."""

INPUT_UNITS: Final[dict[str, dict[str, InputUnit]]] = {
    name: one.input_units for name, one in QUANTITIES.items()
}
"""The units that a layout may give its scaled values in; the first of each is the stored one."""
