"""How likely a count is, for a temperature and the noise of its sensor.

    P(k | T) = Phi((k + q/2 - T)/s) - Phi((k - q/2 - T)/s)

with the resolution q and the standard deviation s of the noise before rounding: the likelihood of
what was read, and not of a value that nobody read. Concave in T, so that an optimum is the only
one. Pure.
"""
# ruff: noqa: N803 - units are written as units are: K is a capital

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import log_ndtr

from logger.arrays import Floats

__all__ = [
    "CountInformation",
    "CountLikelihood",
    "count_likelihood",
    "expected_information",
]

_GAUSSIAN_NOISE: Final = 1.5
"""Noise in counts from which on rounding is one more noise of q^2/12."""
_FAR: Final = 4.5
"""Standard deviations beyond which no count is expected."""
_EDGE_ALONE: Final = 30.0
_LOG_ROOT_2PI: Final = 0.5 * math.log(2.0 * math.pi)


@dataclass(frozen=True, slots=True, kw_only=True)
class CountLikelihood:
    """log P of each reading and its derivatives, all of one shape."""

    log: Floats
    slope: Floats
    """By the temperature, in 1/K."""
    information: Floats
    """Minus the second derivative by the temperature, in 1/K^2; never negative."""
    noise_slope: Floats
    """By the logarithm of the noise."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CountInformation:
    """What one reading is expected to tell (Fisher), all of one shape."""

    temperature: Floats
    """In 1/K^2."""
    noise: Floats
    """Of the logarithm of the noise."""
    both: Floats
    """Off the diagonal, in 1/K."""


def count_likelihood(
    value_degC: Floats, temperature_degC: Floats, *, resolution_K: float, noise_K: float
) -> CountLikelihood:
    """Return the likelihood of counts at those temperatures."""
    upper = (value_degC + 0.5 * resolution_K - temperature_degC) / noise_K
    lower = upper - resolution_K / noise_K
    # Both far above the mean: mirrored, so that no difference of two ones is taken.
    mirrored = lower > 0.0
    high = log_ndtr(np.where(mirrored, -lower, upper))
    low = log_ndtr(np.where(mirrored, -upper, lower))
    log = high + np.log1p(-np.exp(np.minimum(low - high, -1e-15)))
    # Beyond thirty standard deviations the nearer edge alone counts, and exp() has no answer.
    edge = np.where(mirrored, lower, upper)
    is_far = (np.minimum(np.abs(upper), np.abs(lower)) > _EDGE_ALONE) & (upper * lower > 0.0)
    safe_log = np.where(is_far, 0.0, log)
    at_upper = np.exp(np.where(is_far, -np.inf, -0.5 * upper**2) - _LOG_ROOT_2PI - safe_log)
    at_lower = np.exp(np.where(is_far, -np.inf, -0.5 * lower**2) - _LOG_ROOT_2PI - safe_log)
    slope = np.where(is_far, edge, at_lower - at_upper) / noise_K
    weighted = np.where(is_far, -(edge**2), upper * at_upper - lower * at_lower)
    bend = np.where(is_far, 1.0 / noise_K**2, weighted / noise_K**2 + slope**2)
    return CountLikelihood(
        log=np.where(is_far, -0.5 * edge**2 - np.log(np.abs(edge) + 1e-300) - _LOG_ROOT_2PI, log),
        slope=slope,
        information=np.maximum(bend, 0.0),
        noise_slope=-weighted,
    )


def expected_information(
    value_degC: Floats, temperature_degC: Floats, *, resolution_K: float, noise_K: float
) -> CountInformation:
    """Return what readings are expected to tell: the sum over counts of P times slopes squared.

    `value_degC` says where the counts lie: any reading of the sensor, for each temperature.
    """
    if noise_K > _GAUSSIAN_NOISE * resolution_K:
        variance = noise_K**2 + resolution_K**2 / 12.0
        same = np.ones_like(temperature_degC)
        return CountInformation(
            temperature=same / variance,
            noise=2.0 * noise_K**4 / variance**2 * same,
            both=0.0 * same,
        )
    nearest = value_degC - resolution_K * np.rint((value_degC - temperature_degC) / resolution_K)
    reach = math.ceil(_FAR * noise_K / resolution_K)
    temperature = np.zeros_like(temperature_degC)
    noise, both = temperature.copy(), temperature.copy()
    for offset in range(-max(reach, 1), max(reach, 1) + 1):
        found = count_likelihood(
            nearest + offset * resolution_K,
            temperature_degC,
            resolution_K=resolution_K,
            noise_K=noise_K,
        )
        share = np.exp(found.log)
        temperature += share * found.slope**2
        noise += share * found.noise_slope**2
        both += share * found.slope * found.noise_slope
    return CountInformation(temperature=temperature, noise=noise, both=both)
