"""Resistance sensors, both ways: from ohm to degrees Celsius and back. Pure, vectorised.

A resistance that the sensor cannot have (open or shorted wire, outside its range) gives NaN, which
is no value here, and never a warning. Pt100 after IEC 60751, in the range of its equations, −200 to
850 °C; a thermistor by its R25 and B.
"""

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["ntc_degC", "ntc_ohm", "pt100_degC", "pt100_ohm"]

# IEC 60751:2008, coefficients of the resistance-temperature equations (read second-hand).
_R0_OHM: Final = 100.0
_PT_A_PER_K: Final = 3.9083e-3
_PT_B_PER_K2: Final = -5.775e-7
_PT_C_PER_K4: Final = -4.183e-12
_PT_LOWEST_DEGC: Final = -200.0
_PT_HIGHEST_DEGC: Final = 850.0
_NEWTON_STEPS: Final = 5
"""From the start below, the error falls under 1e-12 K within four steps over the whole range."""
_ROUNDING_OHM: Final = 1e-9

_ZERO_K: Final = 273.15
_T25_K: Final = 298.15


def pt100_ohm(degC: ArrayLike) -> NDArray[np.float64]:  # noqa: N803 - the unit's own spelling
    """Return the resistance of a Pt100; NaN outside −200 to 850 °C.

    R = R0 (1 + A t + B t²) at and above 0 °C; below, R0 C (t − 100) t³ is added (IEC 60751).
    """
    t = np.asarray(degC, np.float64)
    inside = (t >= _PT_LOWEST_DEGC) & (t <= _PT_HIGHEST_DEGC)
    return np.where(inside, _pt100_ratio(np.where(inside, t, 0.0)), np.nan)


def pt100_degC(ohm: ArrayLike) -> NDArray[np.float64]:  # noqa: N802 - the unit's own spelling
    """Return the temperature of a Pt100; NaN outside 18.52008 to 390.481125 ohm.

    The inverse of `pt100_ohm`: the quadratic solved at and above 0 °C, Newton's method from there
    below.
    """
    r = np.asarray(ohm, np.float64)
    lowest, highest = _pt100_ratio(np.array([_PT_LOWEST_DEGC, _PT_HIGHEST_DEGC]))
    inside = (r >= lowest - _ROUNDING_OHM) & (r <= highest + _ROUNDING_OHM)
    r = np.where(inside, r, _R0_OHM)
    t = (-_PT_A_PER_K + np.sqrt(_PT_A_PER_K**2 - 4 * _PT_B_PER_K2 * (1 - r / _R0_OHM))) / (
        2 * _PT_B_PER_K2
    )
    cold = r < _R0_OHM
    if cold.any():
        for _ in range(_NEWTON_STEPS):
            slope = _PT_A_PER_K + 2 * _PT_B_PER_K2 * t + _PT_C_PER_K4 * (4 * t - 300.0) * t**2
            t = np.where(cold, t - (_pt100_ratio(t) - r) / (_R0_OHM * slope), t)
    # At R0 the numerator is a negative zero; at no resistance is the temperature.
    return np.where(inside, t, np.nan) + 0.0


def ntc_ohm(
    degC: ArrayLike,  # noqa: N803 - the unit's own spelling
    *,
    r25_ohm: float,
    b_K: float,  # noqa: N803 - the kelvin is a capital K
) -> NDArray[np.float64]:
    """Return the resistance of a thermistor; NaN at and below −273.15 °C.

    R = R25 exp(B (1/T − 1/298.15)) with T in kelvin (textbook form).
    """
    kelvin = np.asarray(degC, np.float64) + _ZERO_K
    inside = (kelvin > 0) & np.isfinite(kelvin)
    with np.errstate(over="ignore"):
        r = r25_ohm * np.exp(b_K * (1 / np.where(inside, kelvin, _T25_K) - 1 / _T25_K))
    return np.where(inside & np.isfinite(r), r, np.nan)


def ntc_degC(  # noqa: N802 - the unit's own spelling
    ohm: ArrayLike,
    *,
    r25_ohm: float,
    b_K: float,  # noqa: N803 - the kelvin is a capital K
) -> NDArray[np.float64]:
    """Return the temperature of a thermistor; NaN for a resistance that is not positive and finite.

    The inverse of `ntc_ohm`. A resistance so small that no temperature belongs to it is NaN too.
    """
    r = np.asarray(ohm, np.float64)
    inside = (r > 0) & np.isfinite(r)
    inverse = 1 / _T25_K + np.log(np.where(inside, r, r25_ohm) / r25_ohm) / b_K
    inside &= inverse > 0
    return np.where(inside, 1 / np.where(inside, inverse, 1.0) - _ZERO_K, np.nan)


def _pt100_ratio(t: NDArray[np.float64]) -> NDArray[np.float64]:
    low = np.where(t < 0, _PT_C_PER_K4 * (t - 100.0) * t**3, 0.0)
    return _R0_OHM * (1 + _PT_A_PER_K * t + _PT_B_PER_K2 * t**2 + low)
