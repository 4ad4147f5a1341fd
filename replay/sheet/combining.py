"""The findings of one quantity of one specimen as one value, uncertainty carried by source. Pure.

Findings are weighted by what is their own: what they share (an arm, a scale) weighs on all alike
and does not shrink. Where they scatter more than their own uncertainties explain, these are widened
until they do (Birge's ratio): the joint may have changed, or somebody was too sure.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from logger.findings.finding import Finding, FoundQuantity, IntervalBy, UncertaintyPart
from logger.findings.uncertainty import (
    combined_uncertainty,
    effective_freedom,
    merged_parts,
    parts_of,
    student_factor,
)
from replay.sheet.conditions import Conditions, without_about

__all__ = ["Correction", "Measured", "SourcedQuantity", "combine_findings", "own_uncertainty"]

_SMALLEST_OWN: Final = 1e-9
"""Of a value: less own uncertainty than that is none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """A torque from current, put right by the torque per ampere that was measured."""

    factor: float
    stored: float
    """N.m/A, by which it had been made."""
    measured: float
    """N.m/A."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SourcedQuantity:
    """A quantity of a finding, and where the finding is."""

    quantity: FoundQuantity
    finding: Finding
    recording: str
    """The folder that it was read from."""
    started_ns: int
    """When that recording began."""
    conditions: Conditions
    """Those of the quantity, with the mounting of the joint in that recording."""
    running_h: float
    """Hours recorded of the specimen until the end of what it stands on."""
    is_gone: bool
    """None of the recordings that it stands on is there."""
    is_simulated: bool = False
    """Its recording is of simulated joints: it says nothing of a real one."""
    hidden_constant: float | None = None
    """It is a torque of a joint whose torque is made from current by so much (N.m/A), and does not
    tell by what it was made."""
    correction: "Correction | None" = None
    """What was done to it because the torque per ampere was measured."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """One value of a quantity, from all that was found of it under like conditions."""

    name: str
    value: float
    unit: str
    """UCUM."""
    standard_uncertainty: float
    low: float
    high: float
    degrees_of_freedom: float | None
    interval_by: IntervalBy
    parts: tuple[UncertaintyPart, ...]
    conditions: Conditions
    findings: tuple[SourcedQuantity, ...]
    """What it stands on, in order of time."""
    spread: float
    """By how much own uncertainties were widened; 1: they explain the scatter."""

    @property
    def is_simulated(self) -> bool:
        """Whether any of what it stands on is of simulated joints."""
        return any(one.is_simulated for one in self.findings)


def own_uncertainty(quantity: FoundQuantity) -> float:
    """Return what is a finding's own of its uncertainty, and differs from one to the next."""
    return math.sqrt(
        sum(one.contribution**2 for one in merged_parts(parts_of(quantity)) if not one.shared)
    )


def combine_findings(found: Sequence[SourcedQuantity]) -> Measured:
    """Return one value from findings of one quantity; a single one as it is, interval included."""
    ordered = tuple(sorted(found, key=lambda one: one.finding.ended_ns))
    newest = ordered[-1].quantity
    conditions = without_about(ordered[-1].conditions)
    if len(ordered) == 1:
        return Measured(
            name=newest.name,
            value=newest.value,
            unit=newest.unit,
            standard_uncertainty=newest.standard_uncertainty,
            low=newest.low,
            high=newest.high,
            degrees_of_freedom=newest.degrees_of_freedom,
            interval_by=newest.interval_by,
            parts=merged_parts(parts_of(newest)),
            conditions=conditions,
            findings=ordered,
            spread=1.0,
        )
    values = [one.quantity.value for one in ordered]
    least = max(map(abs, values)) * _SMALLEST_OWN or _SMALLEST_OWN
    own = [max(own_uncertainty(one.quantity), least) for one in ordered]
    weights = [1.0 / one**2 for one in own]
    total = sum(weights)
    weights = [one / total for one in weights]
    mean = sum(weight * value for weight, value in zip(weights, values, strict=True))
    freedom = len(ordered) - 1
    excess = sum(((value - mean) / one) ** 2 for value, one in zip(values, own, strict=True))
    spread = max(math.sqrt(excess / freedom), 1.0)
    parts = merged_parts(
        part.model_copy(update={"contribution": weight * part.contribution})
        for weight, one in zip(weights, ordered, strict=True)
        for part in parts_of(one.quantity)
    )
    if spread > 1.0:
        # Widened by the scatter, what is their own is known as well as the scatter.
        widened = UncertaintyPart(
            source="scatter of the findings",
            contribution=spread / math.sqrt(total),
            degrees_of_freedom=float(freedom),
        )
        parts = (widened, *(one for one in parts if one.shared))
    uncertainty, effective = combined_uncertainty(parts), effective_freedom(parts)
    reach = student_factor(effective) * uncertainty
    return Measured(
        name=newest.name,
        value=mean,
        unit=newest.unit,
        standard_uncertainty=uncertainty,
        low=mean - reach,
        high=mean + reach,
        degrees_of_freedom=effective,
        interval_by=IntervalBy.NORMAL if effective is None else IntervalBy.STUDENT,
        parts=parts,
        conditions=conditions,
        findings=ordered,
        spread=spread,
    )
