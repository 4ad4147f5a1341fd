"""What a person reads off and types: a number with its unit, how sure it is, what it was read at.

    arm=344 mm
    arm=34.4 cm +- 0.5 mm          the true value lies within these bounds
    scale=3.25 kg +- 4 g (k=2)     an expanded uncertainty, as a certificate states it
    scale=3.25 kg at 6 A           read while the current was 6 A
    scale=3.25 kg at up3           read in the span that was named up3

Arithmetic of units is pint's. Values are kept in SI, units as UCUM codes. Pure.
"""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from logger.errors import InputError
from logger.joint.units import Units, parse_unit, unit_registry
from replay.measure.procedure import ReadingRule

__all__ = [
    "ARCMIN",
    "ARCMIN_RAD",
    "GRAVITY_M_S2",
    "Reading",
    "parse_quantity",
    "parse_reading",
]

GRAVITY_M_S2: Final = 9.80665
"""Standard gravity, exact (3rd CGPM, 1901). The local one differs by at most 0.3 %."""
ARCMIN: Final = "'"
"""UCUM code of the minute of arc."""
ARCMIN_RAD: Final = math.pi / 10_800.0

_NUMBER: Final = re.compile(r"\s*([+-]?\d+(?:[.,]\d+)?(?:[eE][+-]?\d{1,2})?)\s*(.*?)\s*", re.DOTALL)
_BOUNDS: Final = re.compile(r"\s*(?:\+-|\+/-|±)\s*")
_FACTOR: Final = re.compile(r"\(\s*k\s*=\s*(\d+(?:\.\d+)?)\s*\)\s*$")
_AT: Final = re.compile(r"\s+at\s+")
_NAME: Final = re.compile(r"[a-z][a-z0-9_-]*")
_UCUM: Final = {
    "m": "meter",
    "kg": "kilogram",
    "N": "newton",
    "N.m": "newton * meter",
    "A": "ampere",
    "V": "volt",
    "Ohm": "ohm",
    "H": "henry",
    "rad": "radian",
    "rad/s": "radian / second",
    "s": "second",
    "Cel": "degC",
    "W": "watt",
    "J/K": "joule / kelvin",
    "K/W": "kelvin / watt",
    "kg.m2": "kilogram * meter ** 2",
    "N.m/A": "newton * meter / ampere",
    "N.m/rad": "newton * meter / radian",
    "m/s2": "meter / second ** 2",
    "Pa": "pascal",
    "1": "",
}
"""Units that values are kept in, as UCUM and as pint spells them."""
_KINDS: Final = {
    "m": "a length, such as 344 mm",
    "kg": "a mass, such as 3.25 kg",
    "N": "a force, such as 12 N",
    "N.m": "a torque, such as 12.5 N.m",
    "A": "a current, such as 6 A",
    "rad": "an angle, such as 30 deg or 5 turn",
    "N.m/rad": "a stiffness, such as 40 N.m/arcmin",
    "kg.m2": "an inertia, such as 0.02 kg.m2",
    "1": "a plain number",
}
_MOST_CHARACTERS: Final = 120


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One number read off, in SI."""

    name: str
    value: float
    unit: str
    """UCUM."""
    bound: float = 0.0
    """What was typed behind +-; 0: nothing."""
    factor: float | None = None
    """The coverage factor of `bound`; None: bounds within which the value lies."""
    division: float = 0.0
    """The step that the instrument is read to; 0: not stated."""
    at_value: float | None = None
    at_unit: str = ""
    at_span: str = ""
    text: str = ""
    """As it was typed, without its name."""

    @property
    def stated_uncertainty(self) -> float:
        """Standard uncertainty of what was typed behind +-, 0 where nothing was.

        Bounds count as rectangular (JCGM 100, 4.3.7), an expanded one is divided by its factor
        (4.3.3).
        """
        return self.bound / (self.factor or math.sqrt(3.0))

    @property
    def division_uncertainty(self) -> float:
        """Standard uncertainty of one reading by its division (JCGM 100, F.2.2.1)."""
        return self.division / math.sqrt(12.0)


def parse_reading(text: str, rules: Sequence[ReadingRule], *, where: str = "--reading") -> Reading:
    """Return the reading that a text stands for.

    Raises
    ------
    InputError
        The text is none, its name is none of the rules, or its unit or sign does not fit.
    """
    name, equals, rest = (part.strip() for part in text.partition("="))
    if not equals or not rest or len(text) > _MOST_CHARACTERS or not _NAME.fullmatch(name):
        raise InputError(
            where=where,
            found=repr(text[:_MOST_CHARACTERS]),
            expected="NAME=VALUE, such as arm=344 mm",
        )
    rule = _rule_named(name, rules, where)
    written, at = _split_at(rest)
    value_text, bound_text, factor = _split_bounds(written, where, name)
    value, unit, in_unit = _valued(value_text, rule, where, scale=None)
    bound = 0.0
    if bound_text:
        bound = _valued(bound_text, rule, where, scale=(unit, in_unit))[0]
        if bound <= 0.0:
            raise InputError(
                f"found +- {bound_text}, expected an uncertainty greater than 0.",
                where=f"{where}: {name}",
            )
    if rule.is_positive and value <= 0.0:
        raise InputError(
            f"found {value_text!r}, expected {rule.words} greater than 0.", where=f"{where}: {name}"
        )
    if unit == "kg" and value < 0.0:
        raise InputError(
            f"found {value_text!r}, expected a mass of 0 or more: set the scale "
            "to zero, or type a pull the other way as a force in N.",
            where=f"{where}: {name}",
        )
    at_value, at_unit, at_span = _read_at(at, rule, where)
    return Reading(
        name=name,
        value=value,
        unit=unit,
        bound=bound,
        factor=factor,
        at_value=at_value,
        at_unit=at_unit,
        at_span=at_span,
        text=rest,
    )


def parse_quantity(text: str, units: Sequence[str], *, where: str, what: str) -> tuple[float, str]:
    """Return the value and UCUM code of a text such as 3.25 kg.

    Parameters
    ----------
    units
        UCUM codes that it may be told in; empty: any.
    what
        What it is, for errors.

    Raises
    ------
    InputError
        It is no number with such a unit.
    """
    match = _NUMBER.fullmatch(text)
    expected = " or ".join(_KINDS.get(one, one) for one in units) or "a number with its unit"
    if match is None:
        raise InputError(f"found {text!r}, expected {expected}.", where=f"{where}: {what}")
    number = float(match[1].replace(",", "."))
    if not math.isfinite(number) or abs(number) > 1e12:
        raise InputError(f"found {text!r}, expected {expected}.", where=f"{where}: {what}")
    if not match[2]:
        if "1" in units or not units:
            return number, "1"
        raise InputError(
            f"found {text!r} without a unit, expected {expected}.", where=f"{where}: {what}"
        )
    try:
        unit = parse_unit(match[2])
    except ValueError:
        raise InputError(
            f"found the unit {match[2]!r}, expected {expected}.", where=f"{where}: {what}"
        ) from None
    for code in units or tuple(_UCUM):
        if _fits_unit(unit, code):
            return _converted(number, unit, code), code
    if not units:
        base = unit_registry().Quantity(number, unit).to_base_units()
        return float(base.magnitude), _ucum_of(f"{base.units:~C}")
    raise InputError(f"found {text!r}, expected {expected}.", where=f"{where}: {what}")


def _rule_named(name: str, rules: Sequence[ReadingRule], where: str) -> ReadingRule:
    for rule in rules:
        if rule.name in {name, "*"}:
            return rule
    known = "; ".join(f"{rule.name} ({rule.words})" for rule in rules) or "none for this kind"
    raise InputError(f"found a reading {name!r}, expected one of: {known}.", where=where)


def _split_at(text: str) -> tuple[str, str]:
    parts = _AT.split(text)
    return (text, "") if len(parts) < 2 else (" at ".join(parts[:-1]), parts[-1].strip())


def _split_bounds(text: str, where: str, name: str) -> tuple[str, str, float | None]:
    parts = _BOUNDS.split(text)
    if len(parts) > 2:
        raise InputError(
            f"found {text!r}, expected one +- behind the value.", where=f"{where}: {name}"
        )
    if len(parts) == 1:
        return text, "", None
    factor = _FACTOR.search(parts[1])
    if factor is None:
        return parts[0], parts[1], None
    if not 0.5 <= float(factor[1]) <= 10.0:
        raise InputError(
            f"found {factor[0]}, expected a coverage factor such as (k=2).",
            where=f"{where}: {name}",
        )
    return parts[0], _FACTOR.sub("", parts[1]), float(factor[1])


def _valued(
    text: str, rule: ReadingRule, where: str, *, scale: tuple[str, str] | None
) -> tuple[float, str, str]:
    """Return value, UCUM code and the unit as typed; `scale`: those of the value it belongs to."""
    match = _NUMBER.fullmatch(text)
    typed = match[2] if match else ""
    if scale is None:
        value, code = parse_quantity(text, rule.units, where=where, what=rule.name)
        return value, code, typed
    code, in_unit = scale
    if match and not typed:
        text = f"{text} {in_unit}"  # 34.4 cm +- 0.1: in the value's own unit
    units = () if code not in _UCUM else (code,)
    value, _ = parse_quantity(text, units, where=where, what=rule.name)
    if code == "Cel":
        # A difference of temperatures is not a temperature.
        value = abs(float(match[1].replace(",", "."))) if match else value
    return value, code, typed


def _read_at(at: str, rule: ReadingRule, where: str) -> tuple[float | None, str, str]:
    if not at:
        return None, "", ""
    if _NAME.fullmatch(at):
        return None, "", at
    if not rule.at:
        raise InputError(
            f"found 'at {at}', expected the name of a span behind 'at'.",
            where=f"{where}: {rule.name}",
        )
    value, unit = parse_quantity(at, rule.at, where=where, what=f"{rule.name} at")
    return value, unit, ""


def _fits_unit(unit: Units, code: str) -> bool:
    if not _UCUM[code]:
        return bool(unit.dimensionless)
    if code == "rad" and unit.dimensionless and str(unit) in {"dimensionless", "percent"}:
        return False
    return bool(unit.is_compatible_with(unit_registry().Unit(_UCUM[code])))


def _converted(number: float, unit: Units, code: str) -> float:
    target = unit_registry().Unit(_UCUM[code])
    return float(unit_registry().Quantity(number, unit).to(target).magnitude)


def _ucum_of(written: str) -> str:
    return written.replace("**", "").replace("^", "").replace("*", ".")
