"""Arithmetic of physical units, by pint: of what kind a unit is, and how many of another it makes.

A unit is written as people write it: `N.m`, `N*m`, `m/s2`, `°C`, `rpm`, `kgf`, `lb`, `mm`. What a
channel is stored in comes from the table of quantities.
"""

import re
from functools import cache
from typing import Final

import pint

from logger.joint.channels import channel_named
from logger.joint.quantities import QUANTITIES

__all__ = ["Units", "channel_unit", "is_same_kind", "parse_unit", "unit_in_name", "unit_registry"]

Units = pint.Unit

_CHANNEL_UNITS: Final = {
    "Nm": "newton * meter",
    "rad_s": "radian / second",
    "m_s2": "meter / second ** 2",
    "code": "",
    "1": "",
}
"""Units of channels that pint spells otherwise."""
_SPELT: Final = (
    ("°C", "degC"),
    ("°F", "degF"),
    ("°", "deg"),
    ("Ω", "ohm"),
    ("%", "percent"),
    ("²", "2"),
    ("³", "3"),
    ("·", "*"),
    ("^", ""),
    ("µ", "u"),
    ("μ", "u"),
)
_LONGEST: Final = 40
_NEWTON_METRE: Final = re.compile(r"\b([munkM]?)Nm\b")
_EXPONENT: Final = re.compile(r"(?<=[A-Za-z])\*{0,2}(-?\d)\b")
_UNIT_SHAPE: Final = re.compile(r"[A-Za-z_][A-Za-z_0-9]*")
_IN_BRACKETS: Final = re.compile(r"[\[(]\s*([^\[\]()]+?)\s*[\])]\s*$")
_IN_NAMES: Final = (
    "degC", "degF", "mA", "kA", "A", "mNm", "Nm", "kNm", "Ncm", "rad_s", "deg_s", "rpm", "rad",
    "deg", "mV", "kV", "V", "mN", "kN", "N", "kgf", "lbf", "kg", "lb", "hPa", "kPa", "MPa", "Pa",
    "bar", "psi", "m_s2", "mW", "kW", "W", "mm", "um", "mohm", "ohm", "percent", "K",
)  # fmt: skip
"""Units that the end of a column's name is taken for: `load_kg`, `motor current A`."""


@cache
def unit_registry() -> "pint.UnitRegistry[float]":
    """Return the one registry: quantities of two do not mix."""
    return pint.UnitRegistry()


@cache
def channel_unit(channel: str) -> Units:
    """Return the unit that a channel is stored in; KeyError for a name of none."""
    unit = channel_named(channel).of.unit
    return unit_registry().Unit(_CHANNEL_UNITS.get(unit, unit))


def parse_unit(text: str) -> Units:
    """Return the unit of a text.

    Raises
    ------
    ValueError
        It is none.
    """
    spelt = re.sub(r"(?<=[a-z])_s(2?)$", r"/s\1", text.strip())  # as channels are spelt: rad_s
    for written, meant in _SPELT:
        spelt = spelt.replace(written, meant)
    spelt = _NEWTON_METRE.sub(r"\1newton*meter", spelt.replace("Ncm", "N*cm"))
    spelt = re.sub(r"(?<=[A-Za-z0-9])\.(?=[A-Za-z])", "*", spelt)
    spelt = _EXPONENT.sub(r"**\1", spelt)
    if len(text) > _LONGEST or not _UNIT_SHAPE.match(spelt):
        raise ValueError(text)
    try:
        return unit_registry().Unit(spelt)
    except Exception as fault:
        # Its parser raises whatever it meets.
        raise ValueError(text) from fault


def is_same_kind(unit: Units, other: Units) -> bool:
    """Return whether values in one unit can be told in the other."""
    return bool(unit.is_compatible_with(other))


def unit_in_name(column: str, channel: str) -> str:
    """Return the unit that a column's name states at its end, "" where it states none.

    In brackets, or behind a blank or "_": `Load (kg)`, `load_kg`. A channel's own units go first.
    """
    if (bracketed := _IN_BRACKETS.search(column)) is not None:
        try:
            parse_unit(bracketed[1])
        except ValueError:
            return ""
        return bracketed[1]
    own = [unit for unit in QUANTITIES[channel_named(channel).quantity].input_units if unit != "1"]
    return next(
        (
            unit
            for unit in sorted({*_IN_NAMES, *own} - {"code"}, key=len, reverse=True)
            if column == unit or column.endswith((f"_{unit}", f" {unit}"))
        ),
        "",
    )
