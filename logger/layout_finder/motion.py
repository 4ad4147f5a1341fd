"""Position: what turned once and back, and half of that under the load. Marks corrected. Pure.

The turn is one turn of the output and back, the load step goes from hanging to +90 degrees, to -90
and back: a position has to return, and to span half of the turn in the load step. Where it does
the first and not the second, the turn was not one turn, or one of both was not done as told.
"""

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from logger.arrays import Floats, Ints
from logger.layout_finder.bits import unwrap_field
from logger.layout_finder.traffic import Marks, Span, frames_in

__all__ = ["PositionFit", "bin_signal", "correct_marks", "fit_position", "restart_of"]

BIN_S: Final = 0.1
MAX_SHIFT_S: Final = 3.0
"""How far a mark is moved at most."""
MAX_CLOSURE: Final = 0.04
MAX_HALF_TURN_ERROR: Final = 0.12
"""Beyond this it is no position; below, but above `SOUND_HALF_TURN`, it is less sure to be one."""
SOUND_HALF_TURN: Final = 0.025
MIN_TRAVEL_COUNTS: Final = 30.0
MAX_WAY: Final = 2.6
"""Of the whole way in the turn over its travel; there and back is 2."""
_QUIET: Final = 0.04
MIN_JUMPS: Final = 2
"""From which on the number after which a count starts again is measured."""


@dataclass(frozen=True)
class PositionFit:
    """A signal that moves as the joint was moved."""

    rad_per_count: float
    travel_counts: float
    """Of one turn, with the sign of the raw value."""
    closure: float
    """How far from its start it ended, over the travel."""
    half_turn_error: float
    """Span of the load step over half of the travel, less 1; nan without a load step."""
    modulus: int | None
    """Counts after which it starts again; None: it counts on."""
    still_at_rest: bool
    """It had not the least noise at rest, as a commanded value has."""
    marks: Marks
    """The marks, corrected by when this signal moved."""
    unwrapped: Floats
    """Counts, going on over restarts."""
    about_zero: bool = False
    """It starts again from below zero, before its bits are full: its sign counts."""


def bin_signal(time_s: Floats, value: Floats, bin_s: float = BIN_S) -> tuple[Floats, Floats]:
    """Return the times and means of bins of time; bins without a frame are left out."""
    number = np.floor((time_s - time_s[0]) / bin_s).astype(np.int64)
    counts = np.bincount(number)
    some = counts > 0
    total = np.bincount(number, weights=value)
    middle = np.bincount(number, weights=time_s)
    return middle[some] / counts[some], total[some] / counts[some]


def correct_marks(time_s: Floats, value: Floats, marks: Marks) -> Marks:
    """Return the marks, each moved to the nearest moment at which the signal was still.

    A key is pressed early or late; turn and load step begin and end with the joint still. A mark
    that falls within a movement goes to the nearer end of it, at most by `MAX_SHIFT_S`.
    """
    at_s, level = bin_signal(time_s, value)
    if len(at_s) < 10:
        return marks
    rate = np.abs(np.gradient(level, at_s))
    rate = np.convolve(rate, np.ones(3) / 3.0, mode="same")
    resting = rate[frames_in(at_s, marks.rest)]
    floor = 3.0 * float(np.median(resting)) if len(resting) else 0.0
    quiet = rate <= max(floor, _QUIET * float(np.quantile(rate, 0.98)))

    def moved(edge_s: float, *, start: bool) -> float:
        here = int(np.clip(np.searchsorted(at_s, edge_s), 0, len(at_s) - 1))
        if quiet[here]:
            return edge_s
        candidates = np.flatnonzero(quiet & (np.abs(at_s - edge_s) <= MAX_SHIFT_S))
        if not len(candidates):
            return edge_s
        distance = np.abs(at_s[candidates] - edge_s)
        # Of two as near, the one outside of the step.
        outside = at_s[candidates] < edge_s if start else at_s[candidates] > edge_s
        return float(at_s[candidates[np.lexsort((~outside, np.round(distance, 1)))[0]]])

    def corrected(span: Span | None) -> Span | None:
        if span is None:
            return None
        start, end = moved(span[0], start=True), moved(span[1], start=False)
        return (start, end) if end > start else span

    rest = corrected(marks.rest)
    if marks.rest is not None and rest is not None:
        rest = (rest[0], min(rest[1], marks.rest[1]))
        rest = rest if rest[1] > rest[0] else marks.rest
    return replace(marks, rest=rest, turn=corrected(marks.turn), load=corrected(marks.load))


def _level_at(time_s: Floats, value: Floats, edge_s: float) -> float:
    """Return the median within a quarter of a second of an instant."""
    near = value[frames_in(time_s, (edge_s - 0.25, edge_s + 0.25))]
    return float(np.median(near)) if len(near) else float(np.interp(edge_s, time_s, value))


def _measure(
    time_s: Floats, counts: Floats, marks: Marks, resolution: float
) -> tuple[float, float, float, float] | None:
    """Return travel, closure, half-turn error and noise at rest, of counts that go on.

    `resolution` is 1 for whole numbers; 0 for what has no least step.
    """
    if marks.turn is None:
        return None
    rows = frames_in(time_s, marks.turn)
    turning = counts[rows]
    if len(turning) < 10:
        return None
    start = _level_at(time_s, counts, marks.turn[0])
    end = _level_at(time_s, counts, marks.turn[1])
    above, below = float(turning.max() - start), float(start - turning.min())
    travel = above if above >= below else -below
    too_small = travel == 0.0 or abs(travel) < MIN_TRAVEL_COUNTS * resolution
    if too_small or min(above, below) > 0.08 * abs(travel):
        return None
    # There and back, and not more: the magnitude of a speed comes and goes with each way.
    _, coarse = bin_signal(time_s[rows], turning, 0.5)
    if np.abs(np.diff(coarse)).sum() > MAX_WAY * abs(travel):
        return None
    half_turn_error = math.nan
    if marks.load is not None:
        loaded = counts[frames_in(time_s, marks.load)]
        if len(loaded) >= 10:
            half_turn_error = float(np.ptp(loaded)) / (0.5 * abs(travel)) - 1.0
    resting = counts[frames_in(time_s, marks.rest)]
    noise = float(np.std(resting)) if len(resting) else math.nan
    return travel, abs(end - start) / abs(travel), half_turn_error, noise


def restart_of(raw: Ints, modulus: int) -> int:
    """Return after how many counts a number starts again: a power of two, or less.

    An encoder of 3600 counts in 12 bits starts again before its bits are full. The jump, less the
    step that was due, tells the number; the counts that were seen bound it. Counts about zero jump
    in their signed reading only: from 17999 to -18000 sixteen unsigned bits move less than half.
    """
    steps = np.diff(raw.astype(np.float64))
    jumps = np.flatnonzero(np.abs(steps) > 0.5 * modulus)
    jumps = jumps[(jumps > 0) & (jumps < len(steps) - 1)]
    due = 0.5 * (steps[jumps - 1] + steps[jumps + 1])
    usual = np.abs(due) < 0.25 * modulus
    if usual.sum() < MIN_JUMPS:
        return modulus
    measured = np.abs(steps[jumps] - due)[usual]
    found = float(np.median(measured))
    spread = 1.5 * float(np.median(np.abs(measured - found))) / math.sqrt(len(measured)) + 1.0
    low, high = np.quantile(raw, (0.0001, 0.9999))
    highest = int(high - min(low, 0.0)) + 1
    if abs(modulus - found) <= 4.0 * spread or highest > modulus - 4.0 * spread:
        return modulus
    # Among the numbers that fit, a round one.
    for step in (10000, 3600, 1000, 360, 100, 10):
        near = step * round(found / step)
        if abs(near - found) <= 3.0 * spread and near >= highest:
            return near
    return max(round(found), highest)


def fit_position(
    time_s: Floats, value: Floats, modulus: int | None, marks: Marks, positive: int
) -> PositionFit | None:
    """Return how a signal is the position of the joint; None where it is not.

    Parameters
    ----------
    time_s, value
        float64[n]; the value as a number, not yet unwrapped.
    modulus
        2^bits where it may start again; None for a float.
    marks
        As they were set.
    positive
        +1 where the first way of the turn counts positive.
    """
    counts = value
    wraps = about_zero = False
    if modulus is not None and np.max(np.abs(np.diff(value)), initial=0.0) > 0.5 * modulus:
        # Swings about a restart look the less the wrong way round: both readings are asked.
        raw = value.astype(np.int64)
        half = modulus // 2
        other = (raw + half) % modulus - half if raw.min() >= 0 else raw % modulus
        restarts = restart_of(raw, modulus), restart_of(other, modulus)
        raw = raw if restarts[0] <= restarts[1] else other
        about_zero = min(restarts) < modulus and bool(raw.min() < 0)
        modulus = min(restarts)
        counts, wraps = unwrap_field(raw, modulus), True
    corrected = correct_marks(time_s, counts, marks)
    measured = _measure(time_s, counts, corrected, 0.0 if modulus is None else 1.0)
    if measured is None:
        return None
    travel, closure, half_turn_error, noise = measured
    if closure > MAX_CLOSURE or abs(half_turn_error) > MAX_HALF_TURN_ERROR:
        return None
    if noise > 0.02 * abs(travel):
        return None
    return PositionFit(
        rad_per_count=positive * 2.0 * math.pi / travel,
        travel_counts=travel,
        closure=closure,
        half_turn_error=half_turn_error,
        modulus=modulus if wraps else None,
        still_at_rest=noise == 0.0,
        marks=corrected,
        unwrapped=counts,
        about_zero=about_zero,
    )
