"""The thermal equations of a joint: two nodes, winding and housing, in a resistor network.

    C1 dT1/dt = P - (T1 - T2)/R1            winding (1), heated by the copper loss P
    C2 dT2/dt = (T1 - T2)/R1 - (T2 - Ta)/R2 housing (2), cooled by the ambient
    P = I^2 R0 (1 + alpha (T1 - T0))        copper resists more when it is warm

At a constant current this system is linear, so every step here is exact for any duration; what is
derived is given at each function. Pure; arrays broadcast. A temperature is in degC, a rise or a
difference in K.

The simulator and the fit of a recording (`thermal_load`, `thermal_duty`) share these equations.
"""
# ruff: noqa: N802, N803, N806, N815 - units are written as units are: K, W and A are capitals

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from logger.arrays import Floats

__all__ = [
    "COPPER_ALPHA_PER_K",
    "BlockMatrix2x2",
    "ExactStep",
    "TwoNode",
    "Winding",
    "continuous_current_A",
    "eigenvalues",
    "exact_step",
    "exponential_and_integral",
    "integrated_exponential",
    "matrix_function",
    "runaway_current_A",
    "steady_state",
    "step_rise",
    "system_matrix",
    "temperatures_after",
]


BlockMatrix2x2 = tuple[tuple[Floats, Floats], tuple[Floats, Floats]]
"""Entries of a matrix of winding and housing, row by row; each an array of one shape."""

COPPER_ALPHA_PER_K: Final = 0.00393
"""Standard annealed copper, per kelvin at 20 degC (IEC 60028)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TwoNode:
    """Thermal resistances and heat capacities of the two nodes."""

    winding_housing_K_per_W: float
    winding_J_per_K: float
    housing_ambient_K_per_W: float
    housing_J_per_K: float

    @property
    def resistance_K_per_W(self) -> float:
        """Steady rise of the winding above ambient for one watt."""
        return self.winding_housing_K_per_W + self.housing_ambient_K_per_W

    @property
    def time_constants_s(self) -> tuple[float, float]:
        """The slow and the fast time constant; neither is R C of one node alone."""
        slow, fast = eigenvalues(system_matrix(self, heating_W_per_K=0.0))
        return -1.0 / float(slow), -1.0 / float(fast)


@dataclass(frozen=True, slots=True, kw_only=True)
class Winding:
    """Electrical resistance of a winding, as its loss is I^2 R for the current that is meant."""

    resistance_ohm: float
    """At `reference_degC`."""
    reference_degC: float = 20.0
    alpha_per_K: float = COPPER_ALPHA_PER_K

    def resistance_at(self, winding_degC: ArrayLike) -> Floats:
        """Return the resistance at a winding temperature."""
        rise_K = np.asarray(winding_degC, np.float64) - self.reference_degC
        return np.asarray(self.resistance_ohm * (1.0 + self.alpha_per_K * rise_K))

    def loss_W(self, current_A: ArrayLike, winding_degC: ArrayLike) -> Floats:
        """Return the copper loss I^2 R0 (1 + alpha (T - T0))."""
        return np.asarray(
            np.square(np.asarray(current_A, np.float64)) * self.resistance_at(winding_degC)
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class ExactStep:
    """One exact step of a fixed duration under a constant loss, as six numbers.

    For a loop over many equal steps: new rises = matrix * old rises + column * loss.
    """

    winding_from_winding: float
    winding_from_housing: float
    housing_from_winding: float
    housing_from_housing: float
    winding_K_per_W: float
    housing_K_per_W: float

    def apply_step(
        self, winding_rise_K: float, housing_rise_K: float, loss_W: float
    ) -> tuple[float, float]:
        """Return the rises of winding and housing above ambient after the step."""
        return (
            self.winding_from_winding * winding_rise_K
            + self.winding_from_housing * housing_rise_K
            + self.winding_K_per_W * loss_W,
            self.housing_from_winding * winding_rise_K
            + self.housing_from_housing * housing_rise_K
            + self.housing_K_per_W * loss_W,
        )


def exact_step(network: TwoNode, *, duration_s: float) -> ExactStep:
    """Return the exact step of that duration for a loss that stays constant within it."""
    free_response, forced_response = exponential_and_integral(
        system_matrix(network, heating_W_per_K=0.0), duration_s
    )
    return ExactStep(
        winding_from_winding=float(free_response[0][0]),
        winding_from_housing=float(free_response[0][1]),
        housing_from_winding=float(free_response[1][0]),
        housing_from_housing=float(free_response[1][1]),
        winding_K_per_W=float(forced_response[0][0]) / network.winding_J_per_K,
        housing_K_per_W=float(forced_response[1][0]) / network.winding_J_per_K,
    )


def step_rise(network: TwoNode, *, loss_W: float, time_s: ArrayLike) -> tuple[Floats, Floats]:
    """Return the rises of winding and housing in K, `time_s` after a constant loss set in.

    Both nodes begin at ambient; `time_s` has any shape.
    """
    _, forced_response = exponential_and_integral(
        system_matrix(network, heating_W_per_K=0.0), np.asarray(time_s, np.float64)
    )
    power = loss_W / network.winding_J_per_K
    return forced_response[0][0] * power, forced_response[1][0] * power


def temperatures_after(
    network: TwoNode,
    copper: Winding,
    *,
    current_A: float,
    ambient_degC: float,
    winding_degC: float,
    housing_degC: float,
    duration_s: ArrayLike,
) -> tuple[Floats, Floats]:
    """Return winding and housing in degC after a constant current, the copper's feedback included.

    Exact for any duration and any shape of `duration_s`: with a constant current the loss is linear
    in the winding temperature, so the feedback only moves one coefficient of the system. Above the
    runaway current the answer grows without bound, as the equations do.
    """
    heating = current_A**2 * copper.resistance_ohm * copper.alpha_per_K
    at_ambient_W = float(copper.loss_W(current_A, ambient_degC))
    free_response, forced_response = exponential_and_integral(
        system_matrix(network, heating_W_per_K=heating), np.asarray(duration_s, np.float64)
    )
    winding_K, housing_K = winding_degC - ambient_degC, housing_degC - ambient_degC
    power = at_ambient_W / network.winding_J_per_K
    return (
        ambient_degC
        + free_response[0][0] * winding_K
        + free_response[0][1] * housing_K
        + forced_response[0][0] * power,
        ambient_degC
        + free_response[1][0] * winding_K
        + free_response[1][1] * housing_K
        + forced_response[1][0] * power,
    )


def steady_state(
    network: TwoNode, copper: Winding, *, current_A: float, ambient_degC: float
) -> tuple[float, float]:
    """Return winding and housing in degC where a constant current settles; inf where it never does.

    dT1 = R P(Ta) / (1 - L) with R = R1 + R2 and the loop gain L = R I^2 R0 alpha.
    """
    gain = network.resistance_K_per_W * current_A**2 * copper.resistance_ohm * copper.alpha_per_K
    if gain >= 1.0:
        return math.inf, math.inf
    loss_W = float(copper.loss_W(current_A, ambient_degC)) / (1.0 - gain)
    return (
        ambient_degC + network.resistance_K_per_W * loss_W,
        ambient_degC + network.housing_ambient_K_per_W * loss_W,
    )


def continuous_current_A(
    network: TwoNode, copper: Winding, *, limit_degC: float, ambient_degC: float
) -> float:
    """Return the current that holds the winding at `limit_degC` for ever; 0 if ambient is above it.

    I = sqrt((Tmax - Ta) / ((R1 + R2) R(Tmax))).
    """
    if limit_degC <= ambient_degC:
        return 0.0
    ohm = float(copper.resistance_at(limit_degC))
    return math.sqrt((limit_degC - ambient_degC) / (network.resistance_K_per_W * ohm))


def runaway_current_A(network: TwoNode, copper: Winding) -> float:
    """Return the current from which on there is no steady temperature: loop gain L = 1.

    Each kelvin of the winding then adds as much loss as the cooling takes away for it.
    """
    return 1.0 / math.sqrt(network.resistance_K_per_W * copper.resistance_ohm * copper.alpha_per_K)


def system_matrix(network: TwoNode, *, heating_W_per_K: float | Floats) -> BlockMatrix2x2:
    """Return M of d(rises)/dt = M rises + (P/C1, 0).

    `heating_W_per_K` is dP/dT1, the copper's feedback; each entry of M has its shape.
    """
    a = 1.0 / (network.winding_housing_K_per_W * network.winding_J_per_K)
    b = 1.0 / (network.winding_housing_K_per_W * network.housing_J_per_K)
    c = 1.0 / (network.housing_ambient_K_per_W * network.housing_J_per_K)
    heating = np.asarray(heating_W_per_K, np.float64) / network.winding_J_per_K
    same = np.ones_like(heating)
    return (heating - a, a * same), (b * same, -(b + c) * same)


def exponential_and_integral(
    matrix: BlockMatrix2x2, time_s: float | Floats
) -> tuple[BlockMatrix2x2, BlockMatrix2x2]:
    """Return exp(M t) and its integral from 0 to t, entry by entry; M and t broadcast."""
    poles = eigenvalues(matrix)
    return (
        matrix_function(matrix, poles, lambda pole: np.asarray(np.exp(pole * time_s))),
        matrix_function(matrix, poles, lambda pole: integrated_exponential(pole, time_s)),
    )


def matrix_function(
    matrix: BlockMatrix2x2, poles: tuple[Floats, Floats], function: Callable[[Floats], Floats]
) -> BlockMatrix2x2:
    """Return f(M), entry by entry; `poles`: the `eigenvalues` of M, which several f share.

    f(M) = (f(s1)(M - s2) - f(s2)(M - s1))/(s1 - s2).
    """
    slow, fast = poles
    at_slow, at_fast = function(slow), function(fast)
    matrix_factor = (at_slow - at_fast) / (slow - fast)
    identity_factor = (slow * at_fast - fast * at_slow) / (slow - fast)
    (p, q), (r, s) = matrix
    return (matrix_factor * p + identity_factor, matrix_factor * q), (
        matrix_factor * r,
        matrix_factor * s + identity_factor,
    )


def integrated_exponential(pole: float | Floats, time_s: float | Floats) -> Floats:
    """Return the integral of exp(s t) from 0 to t; t itself at the runaway current, s = 0."""
    pole = np.asarray(pole, np.float64)
    is_zero = pole == 0.0
    safe = np.where(is_zero, 1.0, pole)
    return np.asarray(np.where(is_zero, time_s, np.expm1(safe * time_s) / safe))


def eigenvalues(matrix: BlockMatrix2x2) -> tuple[Floats, Floats]:
    """Return the eigenvalues, slow first. Real and distinct: both couplings are positive."""
    (p, q), (r, s) = matrix
    half = (p + s) / 2.0
    spread = np.sqrt(((p - s) / 2.0) ** 2 + q * r)
    return np.asarray(half + spread), np.asarray(half - spread)
