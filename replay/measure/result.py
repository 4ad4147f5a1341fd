"""What a measurement on the bench gives: quantities with their uncertainty, and what they rest on.

Pure. What is assumed and remarked are `Fact`s of the kind: the code travels, the words are for
people. A result can be kept as a finding: each quantity has value, UCUM unit, standard uncertainty,
interval, degrees of freedom and its parts by source.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from logger.arrays import Floats
from logger.findings.finding import UncertaintyPart
from logger.findings.uncertainty import student_factor
from replay.measure.interval import (
    IntervalBasis,
    combine_parts,
    drawn_bounds,
)
from replay.measure.procedure import Fact

__all__ = [
    "Expectation",
    "MeasuredQuantity",
    "Measurement",
    "QuantityKind",
    "UnknownResult",
    "Way",
    "bare_quantity",
    "drawn_quantity",
    "student_quantity",
]


@dataclass(frozen=True, slots=True)
class QuantityKind:
    """What is measured: its name in answers, its label for people, and its unit (UCUM)."""

    name: str
    label: str
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredQuantity:
    """One result with its 95 % interval."""

    of: QuantityKind
    value: float
    standard_uncertainty: float | None
    low: float | None
    high: float | None
    dof: float
    """inf: known beforehand, or drawn."""
    basis: IntervalBasis
    parts: tuple[UncertaintyPart, ...] = ()
    is_limit: bool = False
    """Zero lies within its uncertainty: `high` is all that is known of it, an upper limit."""
    at: Mapping[str, float | str] = field(default_factory=dict)
    """Conditions by name with unit: `temperature_housing_degC`, `speed_rad_s`."""

    @property
    def has_interval(self) -> bool:
        """Whether there is an interval at all."""
        return self.basis is not IntervalBasis.NONE

    @property
    def interval(self) -> tuple[float, float]:
        """Both ends; NaN where there is no interval."""
        if self.low is None or self.high is None:
            return math.nan, math.nan
        return self.low, self.high

    def to_json(self) -> dict[str, Any]:
        """Return it as a JSON object; null where there is no interval."""
        return {
            "name": self.of.name,
            "value": self.value,
            "unit": self.of.unit,
            "standard_uncertainty": self.standard_uncertainty,
            "low": self.low,
            "high": self.high,
            "dof": self.dof if math.isfinite(self.dof) else None,
            "interval": self.basis.value,
            "upper_limit": self.is_limit,
            "parts": [
                {
                    "source": one.source,
                    "contribution": one.contribution,
                    "dof": one.degrees_of_freedom,
                    "shared": one.shared,
                }
                for one in self.parts
            ],
            "at": dict(self.at),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class UnknownResult:
    """What these readings do not tell: why, and what to do on the bench to know it."""

    of: QuantityKind
    why: Fact
    steps: tuple[Fact, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Return it as a JSON object."""
        return {
            "name": self.of.name,
            "why": self.why.code,
            "steps": [one.code for one in self.steps],
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """Another way to measure the same, and how narrow it gets."""

    words: str
    half_width: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Expectation:
    """How narrow the interval of a quantity can get, before anything is measured."""

    of: QuantityKind
    half_width: float
    """Half of the 95 % interval with the arm and instruments as they were told."""
    with_words: str
    """What that is with: "an arm of 344 mm, a ruler read to 1 mm, 5 repeats"."""
    narrower: tuple[Way, ...]
    """What would get narrower, the most first."""

    def to_json(self) -> dict[str, Any]:
        """Return it as a JSON object."""
        return {
            "name": self.of.name,
            "unit": self.of.unit,
            "half_width": self.half_width,
            "with": self.with_words,
            "narrower": [
                {"with": one.words, "half_width": one.half_width} for one in self.narrower
            ],
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement:
    """One measurement of one joint: what it gives and what it rests on."""

    kind: str
    joint: str
    """"" where none was named."""
    method: Fact
    source: str
    """Where the method is from: a standard and its clause, or that it is common practice."""
    quantities: tuple[MeasuredQuantity, ...]
    """The first is what was asked for."""
    unknown: tuple[UnknownResult, ...] = ()
    remarks: tuple[Fact, ...] = ()
    """What the readings show that a person has to know before using the value."""
    assumptions: tuple[Fact, ...] = ()
    torque_constant: float | None = None
    """N.m for one ampere, by which every torque in it was made from current; None: by none."""
    instruments: tuple[str, ...] = ()
    """Each as it was told: "ruler of `tip`, read to 1 mm"."""
    answer: str = ""
    """The answer where it is no quantity: the name of what holds a ceiling, a sense of turning."""
    picture: Mapping[str, Any] = field(default_factory=dict)
    """Arrays that a figure is drawn from, by name with unit."""
    extra: Mapping[str, Any] = field(default_factory=dict)
    """Further keys of the JSON answer."""

    def quantity_named(self, name: str) -> MeasuredQuantity | None:
        """Return the quantity of a name, None where it is not known."""
        return next((one for one in self.quantities if one.of.name == name), None)

    def to_json(self) -> dict[str, Any]:
        """Return it as a JSON object."""
        return {
            "kind": self.kind,
            "joint": self.joint,
            "method": self.method.code,
            "source": self.source,
            "answer": self.answer,
            "quantities": [one.to_json() for one in self.quantities],
            "unknown": [one.to_json() for one in self.unknown],
            "remarks": [one.code for one in self.remarks],
            "assumptions": [one.code for one in self.assumptions],
            "instruments": list(self.instruments),
            "picture": dict(self.picture),
            **self.extra,
        }


def student_quantity(
    of: QuantityKind,
    value: float,
    parts: tuple[UncertaintyPart, ...],
    *,
    at: Mapping[str, float | str] | None = None,
    basis: IntervalBasis = IntervalBasis.STUDENT,
) -> MeasuredQuantity:
    """Return a quantity whose parts are combined, with Student's interval (JCGM 100, G)."""
    combined, dof = combine_parts(parts)
    half = student_factor(dof if math.isfinite(dof) else None) * combined
    return MeasuredQuantity(
        of=of,
        value=value,
        standard_uncertainty=combined,
        low=value - half,
        high=value + half,
        dof=dof,
        basis=basis,
        parts=tuple(one for one in parts if one.contribution),
        at=at or {},
    )


def drawn_quantity(
    of: QuantityKind,
    value: float,
    drawn: Floats,
    parts: tuple[UncertaintyPart, ...] = (),
    *,
    at: Mapping[str, float | str] | None = None,
    basis: IntervalBasis = IntervalBasis.DRAWS,
    is_limit: bool = False,
) -> MeasuredQuantity:
    """Return a quantity with the interval of its draws, shape (n,); the value lies within."""
    combined, low, high = drawn_bounds(drawn)
    return MeasuredQuantity(
        of=of,
        value=min(max(value, low), high),
        standard_uncertainty=combined,
        low=low,
        high=high,
        dof=math.inf,
        basis=basis,
        parts=tuple(one for one in parts if one.contribution),
        at=at or {},
        is_limit=is_limit,
    )


def bare_quantity(of: QuantityKind, value: float) -> MeasuredQuantity:
    """Return a quantity without an interval: nothing says how sure it is."""
    return MeasuredQuantity(
        of=of,
        value=value,
        standard_uncertainty=None,
        low=None,
        high=None,
        dof=math.inf,
        basis=IntervalBasis.NONE,
    )
