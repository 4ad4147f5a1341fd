"""Speed: what runs with the derivative of the position, its scale from its integral. Pure."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Floats
from logger.layout_finder.motion import PositionFit, bin_signal, fit_position
from logger.layout_finder.traffic import Marks, frames_in

__all__ = ["SpeedFit", "fit_speed", "fit_speed_alone", "integrate_signal"]

MIN_CORRELATION: Final = 0.93
MAX_INTEGRAL_ERROR: Final = 0.03
"""Of the integral against the position, over its spread."""
_BIN_S: Final = 0.1


@dataclass(frozen=True)
class SpeedFit:
    """A signal that is a speed."""

    rad_s_per_count: float
    zero_counts: float
    """Counts that mean no speed."""
    correlation: float
    """With the derivative of the position; nan where there is no position."""
    integral_error: float
    """What its integral leaves of the position, root mean square over the spread."""
    closure: float
    """Of the integral over the turn."""
    half_turn_error: float
    still_at_rest: bool


def integrate_signal(time_s: Floats, value: Floats) -> Floats:
    """Return the running integral of a signal by the trapezoidal rule, from 0, float64[n]."""
    steps = 0.5 * (value[1:] + value[:-1]) * np.diff(time_s)
    return np.concatenate([[0.0], np.cumsum(steps)])


def _is_within(time_s: Floats, marks: Marks) -> NDArray[np.bool_]:
    """Return which instants lie in turn or load step, the time between them included."""
    spans = [span for span in (marks.turn, marks.load) if span is not None]
    if not spans:
        return np.zeros(len(time_s), dtype=bool)
    first, last = min(start for start, _ in spans), max(end for _, end in spans)
    return (time_s >= first) & (time_s <= last)


def _zero_of(time_s: Floats, value: Floats, marks: Marks) -> tuple[float, bool]:
    resting = value[frames_in(time_s, marks.rest)]
    if not len(resting):
        return 0.0, False
    return float(np.mean(resting)), float(np.ptp(resting)) == 0.0


def fit_speed(
    time_s: Floats, value: Floats, position_time_s: Floats, position: PositionFit
) -> SpeedFit | None:
    """Return how a signal is the speed of a joint whose position is known; None where it is not.

    The correlation tells that it is one. Its scale comes from its integral: filters and the
    time of frames shift the derivative, they do not shorten the way.
    """
    marks = position.marks
    rows = _is_within(time_s, marks)
    if rows.sum() < 30:
        return None
    zero, still = _zero_of(time_s, value, marks)
    angle = np.interp(time_s, position_time_s, position.unwrapped) * position.rad_per_count
    at_s, level = bin_signal(time_s[rows], value[rows], _BIN_S)
    _, way = bin_signal(time_s[rows], angle[rows], _BIN_S)
    if len(at_s) < 20 or np.ptp(level) == 0.0:
        return None
    derivative = np.gradient(way, at_s)
    if np.ptp(derivative) == 0.0:
        return None
    correlation = _best_correlation(level, derivative)
    if abs(correlation) < MIN_CORRELATION:
        return None
    integral = integrate_signal(time_s[rows], value[rows] - zero)
    # The rest gives the zero only to its noise: a drift of the integral is fitted as well.
    since = time_s[rows] - time_s[rows][0]
    columns = np.stack([integral, since, np.ones(len(since))], axis=1)
    solution = np.linalg.lstsq(columns, angle[rows], rcond=None)[0]
    scale, drift, _ = solution
    left = angle[rows] - columns @ solution
    error = float(np.sqrt(np.mean(left**2)) / np.std(angle[rows]))
    if scale == 0.0 or error > MAX_INTEGRAL_ERROR:
        return None
    return SpeedFit(
        rad_s_per_count=float(scale),
        zero_counts=zero - float(drift / scale),
        correlation=abs(correlation),
        integral_error=error,
        closure=position.closure,
        half_turn_error=position.half_turn_error,
        still_at_rest=still,
    )


def _best_correlation(level: Floats, derivative: Floats) -> float:
    """Return the greatest correlation over small delays: a speed is filtered by the drive."""
    best = 0.0
    for delay in range(4):
        end = len(level) - delay
        correlation = float(np.corrcoef(level[delay:], derivative[:end])[0, 1])
        if abs(correlation) > abs(best):
            best = correlation
    return best


def fit_speed_alone(
    time_s: Floats, value: Floats, marks: Marks, positive: int
) -> tuple[SpeedFit, PositionFit] | None:
    """Return a speed whose integral moves as a position does, where no position is reported.

    Also the position that it makes, by which current and torque are fitted.
    """
    zero, still = _zero_of(time_s, value, marks)
    way = integrate_signal(time_s, value - zero)
    made = fit_position(time_s, way, None, marks, positive)
    if made is None:
        return None
    fit = SpeedFit(
        rad_s_per_count=made.rad_per_count,
        zero_counts=zero,
        correlation=float("nan"),
        integral_error=float("nan"),
        closure=made.closure,
        half_turn_error=made.half_turn_error,
        still_at_rest=still,
    )
    return fit, made
