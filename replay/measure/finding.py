"""A measurement as a finding, to be kept in the recording that it was made in. Pure."""

import math
from collections.abc import Sequence
from typing import Final

from logger.findings.finding import (
    Finding,
    FindingSpan,
    FoundQuantity,
    IntervalBy,
    Method,
    TypedValue,
    torque_basis_of,
)
from replay.measure.interval import IntervalBasis
from replay.measure.result import Measurement
from replay.measure.setup import BenchSetup
from replay.recording import Recording

__all__ = ["measurement_finding"]

_INTERVAL_BY: Final = {
    IntervalBasis.STUDENT: IntervalBy.STUDENT,
    IntervalBasis.DRAWS: IntervalBy.DRAWS,
    IntervalBasis.ROUNDING: IntervalBy.DRAWS,
    IntervalBasis.CURVATURE: IntervalBy.CURVATURE,
}


def measurement_finding(
    result: Measurement, setup: BenchSetup, recordings: Sequence[Recording]
) -> Finding | None:
    """Return the finding of a measurement; None where no quantity has an interval."""
    quantities = tuple(
        FoundQuantity(
            name=one.of.name.replace("-", "_"),
            value=one.value,
            unit=one.of.unit,
            standard_uncertainty=one.standard_uncertainty or 0.0,
            low=one.interval[0],
            high=one.interval[1],
            degrees_of_freedom=one.dof if math.isfinite(one.dof) else None,
            interval_by=_INTERVAL_BY[one.basis],
            parts=one.parts,
            conditions={
                **one.at,
                **({"upper_limit": True} if one.is_limit else {}),
                **torque_basis_of(one.of.unit, result.torque_constant),
            },
        )
        for one in result.quantities
        if one.has_interval
    )
    if not quantities:
        return None
    ids = {one.name: one.manifest.recording_id for one in recordings}
    return Finding(
        kind=result.kind,
        joint=result.joint,
        quantities=quantities,
        method=Method(name=result.method.words, source=result.source),
        settings={
            "answer": result.answer,
            "assumptions": ", ".join(one.code for one in result.assumptions),
            "instruments": "; ".join(result.instruments)[:400],
        },
        spans=tuple(
            FindingSpan(
                recording_id=ids.get(one.recording, ""),
                recording=one.recording,
                from_ns=one.start_ns,
                to_ns=one.end_ns,
            )
            for one in setup.spans
        ),
        typed=tuple(
            TypedValue(
                name=one.name if not one.text else f"{one.name}={one.text}",
                value=one.value,
                unit=one.unit,
                standard_uncertainty=(one.stated_uncertainty or one.division_uncertainty) or None,
            )
            for one in setup.readings
        ),
    )
