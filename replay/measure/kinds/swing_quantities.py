"""Frequency, damping and amplitude of what swings, as quantities with their intervals. Pure."""

import math
from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.findings.finding import UncertaintyPart
from logger.findings.uncertainty import NORMAL_95
from replay.measure.interval import IntervalBasis
from replay.measure.kinds.swing import DecayFit, half_cycles_s
from replay.measure.result import MeasuredQuantity, QuantityKind, student_quantity

__all__ = [
    "DAMPING",
    "FREQUENCY",
    "GROWTH",
    "HIGHEST",
    "decay_amplitude",
    "decay_frequency",
    "frequency_of_halves",
    "quantity_of_log",
]

FREQUENCY: Final = QuantityKind("frequency", "frequency", "Hz")
DAMPING: Final = QuantityKind("damping_ratio", "damping ratio", "1")
GROWTH: Final = QuantityKind("growth", "grows by", "1/s")
HIGHEST: Final = QuantityKind("highest_frequency", "highest frequency that this trace tells", "Hz")


def decay_frequency(fit: DecayFit, at: dict[str, float]) -> MeasuredQuantity:
    """Return the frequency of a decay that was fitted."""
    spread = fit.omega_uncertainty / 2.0 / math.pi
    part = UncertaintyPart(source="readings", contribution=spread, degrees_of_freedom=fit.dof)
    return student_quantity(
        FREQUENCY, fit.omega / 2.0 / math.pi, (part,), at=at, basis=IntervalBasis.CURVATURE
    )


def frequency_of_halves(
    time_s: Floats, left: Floats, at: dict[str, float]
) -> tuple[MeasuredQuantity, ...]:
    """Return the mean frequency of the half cycles, where there are three and more."""
    halves = half_cycles_s(time_s, left)
    mean, n = float(halves.mean()) if len(halves) else 0.0, len(halves)
    if n < 3:
        return ()
    part = UncertaintyPart(
        source="half cycles",
        contribution=float(np.std(halves, ddof=1)) / math.sqrt(n) / (2.0 * mean**2),
        degrees_of_freedom=n - 1,
    )
    return (student_quantity(FREQUENCY, 0.5 / mean, (part,), at=at),)


def decay_amplitude(of: QuantityKind, fit: DecayFit, at: dict[str, float]) -> MeasuredQuantity:
    """Return the amplitude at the start of a decay that was fitted."""
    part = UncertaintyPart(
        source="readings", contribution=fit.amplitude_uncertainty, degrees_of_freedom=fit.dof
    )
    return student_quantity(of, fit.amplitude, (part,), at=at, basis=IntervalBasis.CURVATURE)


def quantity_of_log(
    of: QuantityKind, value: float, spread: float, at: dict[str, float]
) -> MeasuredQuantity:
    """Return a quantity whose logarithm has a standard uncertainty."""
    return MeasuredQuantity(
        of=of,
        value=value,
        standard_uncertainty=value * spread,
        low=value * math.exp(-NORMAL_95 * spread),
        high=value * math.exp(NORMAL_95 * spread),
        dof=math.inf,
        basis=IntervalBasis.CURVATURE,
        at=at,
    )
