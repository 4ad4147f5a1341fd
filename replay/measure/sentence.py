"""A measurement in words: the sentence first, then what it stands on. Pure."""

import math
from collections.abc import Iterator

from replay.heat.text import band_values
from replay.measure.procedure import Procedure
from replay.measure.result import Expectation, MeasuredQuantity, Measurement

__all__ = [
    "basis_lines",
    "expectation_lines",
    "measurement_sentence",
    "procedure_lines",
    "quantity_rows",
    "unit_words",
    "unknown_rows",
    "value_parts",
]

_UNITS = {
    "'": "arcmin",
    "N.m": "N·m",
    "N.m/A": "N·m/A",
    "N.m/s": "N·m/s",
    "N.m/'": "N·m/arcmin",
    "N.m/rad": "N·m/rad",
    "N.m.s/rad": "N·m·s/rad",
    "kg.m2": "kg·m²",
    "Cel": "°C",
    "Ohm": "Ω",
    "1": "",
}
_ENDINGS = {
    "_rad_s": "rad/s",
    "_degC": "°C",
    "_Nm": "N·m",
    "_rad": "rad",
    "_A": "A",
    "_V": "V",
    "_s": "s",
}
"""How the key of a condition ends, and the unit that it means."""
_METHODS = {
    "student": "Student",
    "draws": "drawn (JCGM 101)",
    "rounding": "drawn, readings rounded",
    "curvature": "curvature",
    "none": "none",
}


def unit_words(ucum: str) -> str:
    """Return a unit as it is read."""
    return _UNITS.get(ucum, ucum)


def value_parts(one: MeasuredQuantity) -> tuple[str, str, str]:
    """Return value, unit and interval in the digits that the interval bears; "" for none."""
    low, high = one.interval
    unit = unit_words(one.of.unit)
    if not one.has_interval:
        return _typed(one.value), unit, ""
    if one.is_limit:
        return f"at most {_bare(high)}", unit, ""
    value, interval = band_values((one.value, low, high))
    return value, unit, interval


def value_text(one: MeasuredQuantity) -> str:
    """Return a value with unit and interval: 8.4 arcmin (8.1 to 8.7)."""
    value, unit, interval = value_parts(one)
    return f"{value}{f' {unit}' if unit else ''}{f' ({interval})' if interval else ''}"


def measurement_sentence(result: Measurement) -> str:
    """Return the answer as one sentence, with its interval or why it has none."""
    who = f"{result.joint}: " if result.joint else ""
    lead = _lead_of(result)
    reported = ", ".join(f"{one.of.label} {value_text(one)}" for one in lead)
    if result.answer:
        reported = f"{result.answer}; {reported}" if reported else result.answer
    if not reported:
        reported = "nothing is known of what was asked for"
    if lead and not result.answer and not any(one.has_interval for one in lead):
        return f"{who}{reported}; no interval: {_why_none(result)}."
    return f"{who}{reported}."


def quantity_rows(result: Measurement) -> list[tuple[str, str, str, str]]:
    """Return label, value with interval, standard uncertainty, and how that was made."""
    return [
        (
            one.of.label + _conditions(one),
            value_text(one),
            "" if one.standard_uncertainty is None else _bare(one.standard_uncertainty),
            _METHODS[one.basis.value],
        )
        for one in result.quantities
    ]


def part_rows(result: Measurement) -> list[tuple[str, str]]:
    """Return what the uncertainty of the first quantity comes from, the largest part first."""
    if not result.quantities:
        return []
    first = result.quantities[0]
    unit = unit_words(first.of.unit)
    return [
        (one.source, f"{_bare(abs(one.contribution))} {unit}".strip())
        for one in sorted(first.parts, key=lambda one: -abs(one.contribution))
    ]


def unknown_rows(result: Measurement) -> list[tuple[str, str, str]]:
    """Return what is not known, why, and what to do to know it."""
    return [
        (one.of.label, one.why.words, " ".join(step.words for step in one.steps))
        for one in result.unknown
    ]


def basis_lines(result: Measurement) -> Iterator[str]:
    """Yield what a result stands on: remarks, method, instruments, assumptions."""
    for one in result.remarks:
        yield one.words
    yield f"Method: {result.method.words} ({result.source})."
    if result.instruments:
        yield f"Instruments: {'; '.join(result.instruments)}."
    if result.assumptions:
        yield "Assumed:"
        for one in result.assumptions:
            yield f"  {one.words}"


def procedure_lines(procedure: Procedure) -> Iterator[str]:
    """Yield a procedure: cautions first, then its steps, then what is typed."""
    yield f"{procedure.name}: {procedure.words}. About {procedure.takes}."
    for caution in procedure.cautions:
        yield f"CAUTION: {caution.words}"
    for number, step in enumerate(procedure.steps, start=1):
        yield f"{number}. {step.words_with_way}"
    for reading in procedure.readings:
        if reading.name != "*":
            yield f"  --reading {reading.name}=...: {reading.words}"
    for span in procedure.spans:
        name = "NAME" if span.name == "*" else span.name
        yield f"  --span {name}=FROM..TO: {span.words}"


def expectation_lines(expected: Expectation) -> Iterator[str]:
    """Yield how narrow it can get, and what would get narrower."""
    unit = unit_words(expected.of.unit)
    yield (
        f"With {expected.with_words} {expected.of.label} gets no narrower than about "
        f"±{_bare(expected.half_width)} {unit}".rstrip()
        + "."
    )
    for way in expected.narrower:
        yield f"  Narrower: {way.words}, ±{_bare(way.half_width)} {unit}".rstrip()


def _lead_of(result: Measurement) -> list[MeasuredQuantity]:
    """Return what the sentence reports: the first, and either side of a backlash.

    Of values and ceilings all, since none of them is the answer of the others.
    """
    if result.kind in {"value", "ceiling"}:
        return list(result.quantities)
    sides = [one for one in result.quantities if one.of.name == "backlash_either_side"]
    return [*result.quantities[:1], *sides]


def _why_none(result: Measurement) -> str:
    return result.remarks[0].words.rstrip(".") if result.remarks else "nothing says how sure it is"


def _conditions(one: MeasuredQuantity) -> str:
    if not one.at:
        return ""
    reported = ", ".join(
        _condition(name, value) for name, value in one.at.items() if name != "held_by"
    )
    held = str(one.at.get("held_by", "")).replace("/", " or ")
    parts = [f"at {reported}"] if reported else []
    return f" ({'; '.join([*parts, *([f'held by {held}'] if held else [])])})"


def _condition(name: str, value: float | str) -> str:
    """Return a condition as it is read: speed_rad_s 0.497 is "speed 0.497 rad/s"."""
    if isinstance(value, str):
        return f"{name.replace('_', ' ')} {value}"
    for ending, unit in _ENDINGS.items():
        if name.endswith(ending):
            plain = name.removesuffix(ending).replace("_", " ")
            return f"{plain} {_bare(value)} {unit}"
    return f"{name.replace('_', ' ')} {_bare(value)}"


def _typed(value: float) -> str:
    """Return a number that no interval rounds: four digits, as 10.96 N.m of 3.25 kg at 344 mm."""
    if value == 0.0 or not 1e-4 <= abs(value) < 1e4:
        return f"{value:.4g}"
    return f"{value:.{max(3 - math.floor(math.log10(abs(value))), 0)}f}".rstrip("0").rstrip(".")


def _bare(value: float) -> str:
    """Return a number of three digits, never in powers of ten where it can be helped."""
    if value == 0.0 or not math.isfinite(value):
        return f"{value:g}"
    decimals = max(2 - math.floor(math.log10(abs(value))), 0)
    return f"{value:.{min(decimals, 9)}f}"
