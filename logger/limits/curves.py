"""Time-current and thermal curves: how long a current may last. Pure; arrays broadcast.

**Inverse time** after IEC 60255-151 (letters, k, c and alpha as several open tables give them, not
read in the standard; reset times of D to F from memory)::

    t(G) = TMS * (k / ((G / G_S)^alpha - 1) + c)          G_S: the setting

**Thermal image** after IEC 60255-149 (cold curve and first-order image as open implementations that
name the standard have them; the hot curve follows from the image)::

    tau * dH/dt + H = (I / (k * I_B))^2                    operates at H = 1
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from logger.arrays import Floats

__all__ = [
    "CURVES",
    "FLAT_ABOVE",
    "Curve",
    "CurveSettings",
    "ambient_factor",
    "image_after",
    "inverse_operate_s",
    "inverse_reset_s",
    "thermal_cooling_s",
    "thermal_operate_s",
]


FLAT_ABOVE: Final = 20.0
"""Multiples of the setting above which the time falls no further; common practice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """One inverse-time characteristic."""

    name: str
    k_s: float
    c_s: float
    alpha: float
    reset_s: float | None
    """Time of a full reset at no current; None: the maker's choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveSettings:
    """Which curve, and how it is set."""

    curve: str
    """A letter of IEC 60255-151, or "thermal"."""
    setting: float
    """The setting G_S, or the basic current I_B."""
    tms: float = 1.0
    k: float = 1.05
    tau_s: float = 600.0
    preload: float = 0.0
    """A current that lasted long before, for a thermal image."""
    from_multiple: float = 1.0
    """Multiple of the setting from which on it counts."""
    flat_above: float = FLAT_ABOVE
    full: float = 1.0
    """The level of a thermal image at which the limit is raised."""


CURVES: Final[dict[str, Curve]] = {
    "A": Curve(name="inverse", k_s=0.14, c_s=0.0, alpha=0.02, reset_s=None),
    "B": Curve(name="very inverse", k_s=13.5, c_s=0.0, alpha=1.0, reset_s=None),
    "C": Curve(name="extremely inverse", k_s=80.0, c_s=0.0, alpha=2.0, reset_s=None),
    "D": Curve(name="moderately inverse", k_s=0.0515, c_s=0.114, alpha=0.02, reset_s=4.85),
    "E": Curve(name="very inverse, with a constant", k_s=19.61, c_s=0.491, alpha=2.0, reset_s=21.6),
    "F": Curve(
        name="extremely inverse, with a constant", k_s=28.2, c_s=0.1217, alpha=2.0, reset_s=29.1
    ),
}
"""By the letters of IEC 60255-151."""


def inverse_operate_s(
    curve: Curve, multiple: ArrayLike, *, tms: float = 1.0, flat_above: float = FLAT_ABOVE
) -> Floats:
    """Return how long a current may last, in s; infinite at or below the setting, NaN for NaN.

    Parameters
    ----------
    multiple
        The current's magnitude over the setting, any shape.
    tms
        Time multiplier.
    flat_above
        Multiple above which the time falls no further.
    """
    ratio = np.minimum(np.abs(np.asarray(multiple, np.float64)), flat_above)
    above = ratio > 1.0
    # expm1 keeps the digits just above the setting, where the curve is steepest.
    grown = np.expm1(curve.alpha * np.log(np.where(above, ratio, 2.0)))
    time_s = np.where(above, tms * (curve.k_s / grown + curve.c_s), np.inf)
    # No value is no rest.
    return np.where(np.isnan(ratio), np.nan, time_s)


def inverse_reset_s(curve: Curve, multiple: ArrayLike, *, tms: float = 1.0) -> Floats:
    """Return how long a full reset takes below the setting, in s: TMS * t_r / (1 - M^2).

    Infinite at or above the setting. ValueError for a curve whose reset is the maker's choice.
    """
    if curve.reset_s is None:
        raise ValueError(f"the curve {curve.name!r} has no reset time of its own")
    ratio = np.abs(np.asarray(multiple, np.float64))
    below = ratio < 1.0
    return np.where(below, tms * curve.reset_s / np.where(below, 1.0 - ratio**2, 1.0), np.inf)


def thermal_operate_s(
    current: ArrayLike, *, carried: float, tau_s: float, level: ArrayLike = 0.0
) -> Floats:
    """Return how long a steady current may last until the image reaches 1, in s.

    Parameters
    ----------
    current
        In A (or any unit that `carried` has), any shape.
    carried
        k * I_B, the largest current that is carried for ever.
    tau_s
        Heating time constant.
    level
        The image at the beginning: 0 is cold, (I_p / carried)^2 after a long
        preload I_p.

    Returns
    -------
    Infinite where the current is carried for ever, however warm it is; else 0 where the image is
    full already. NaN where the current or the level is.
    """
    full = (np.asarray(current, np.float64) / carried) ** 2
    start = np.asarray(level, np.float64)
    operates = (full > 1.0) & (start < 1.0)
    ratio = np.where(operates, (full - start) / np.where(operates, full - 1.0, 1.0), 1.0)
    time_s = np.where(full > 1.0, np.where(start >= 1.0, 0.0, tau_s * np.log(ratio)), np.inf)
    return np.where(np.isnan(full + start), np.nan, time_s)


def image_after(
    level: ArrayLike, current: ArrayLike, span_s: ArrayLike, *, carried: float, tau_s: float
) -> Floats:
    """Return the image after a steady current for a span, exactly."""
    decay = np.exp(-np.asarray(span_s, np.float64) / tau_s)
    full = (np.asarray(current, np.float64) / carried) ** 2
    return np.asarray(full * (1.0 - decay) + np.asarray(level, np.float64) * decay)


def thermal_cooling_s(level: ArrayLike, until: ArrayLike, *, tau_s: float) -> Floats:
    """Return how long an image takes from one level down to another without current, in s.

    0 where it is there already; infinite down to 0, which it never reaches.
    """
    start, end = np.broadcast_arrays(np.asarray(level, np.float64), np.asarray(until, np.float64))
    falls = start > end
    ratio = np.where(falls & (end > 0), start / np.where(end > 0, end, 1.0), 1.0)
    return np.where(falls & (end <= 0), np.inf, tau_s * np.log(ratio))


def ambient_factor(ambient_degC: ArrayLike, *, most_degC: float) -> Floats:  # noqa: N803 - degC
    """Return by what an ambient other than 40 degC multiplies the heating (I / carried)^2.

    Infinite at and above `most_degC`: nothing may be carried there, and a negative factor would
    cool the image of a joint that is overloaded. ValueError for a most of 40 degC or less.
    """
    if most_degC <= 40.0:
        raise ValueError(f"found a most of {most_degC:g} degC, expected more than 40")
    left_K = most_degC - np.asarray(ambient_degC, np.float64)  # noqa: N806 - kelvin
    there = left_K > 0
    factor = (most_degC - 40.0) / np.where(there, left_K, 1.0)
    return np.where(np.isnan(left_K), np.nan, np.where(there, factor, np.inf))
