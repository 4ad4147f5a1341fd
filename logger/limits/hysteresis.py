"""Pick-up, drop-off, on-delay, off-delay over scores: the same for every kind of limit.

Takes the state in and gives it back: any chunking of a trace gives the same changes and the same
state as the whole. Vectorised: a few passes over the array and, where the trace comes near the
limit, one step for each run of readings on one side; no Python per reading. evaluate.py defines
the meaning.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logger.event_kind import EventKind
from logger.limits.gaps import bridged_ns
from logger.limits.kind import TimedLimit
from logger.limits.limit_change import LimitChange
from logger.limits.scores import LimitState, Scores

__all__ = ["LevelState", "step_level"]

_BEYOND_PICK_UP, _BEYOND_DROP_OFF, _BETWEEN = 1, -1, 0


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelState(LimitState):
    """The state of a limit between two batches."""

    last_ns: int | None = None
    """Time of the newest score."""
    pending_ns: int | None = None
    """Start of the running delay: towards raising while not active, else towards clearing."""
    peak: float | None = None
    """Worst value of the alert, or of the readings whose on-delay is running."""


def step_level(
    limit: TimedLimit, state: LevelState, scores: Scores, *, joint: str
) -> tuple[list[tuple[int, LimitChange]], LevelState]:
    """Return the changes, each with the index of its score, and the state after them."""
    score, reported, time_ns = scores.score, scores.reported, scores.time_ns
    if len(score) == 0:
        return [], state
    last_ns = int(time_ns[-1])
    if not state.active and float(score.max()) < scores.pick_up:
        return [], LevelState(last_ns=last_ns)
    if state.active and float(score.min()) > scores.drop_off:
        calm = _furthest_value(limit, state.peak, reported)
        return [], LevelState(active=True, last_ns=last_ns, peak=calm)

    on_ns, off_ns = round(limit.on_delay_s * 1e9), round(limit.off_delay_s * 1e9)
    first, last, side, begun_ns, continues = _runs_of_side(
        state,
        scores,
        on_apart_ns=bridged_ns(scores.hold_ns, on_ns),
        off_apart_ns=bridged_ns(scores.hold_ns, off_ns),
    )
    delay = np.where(side == _BEYOND_PICK_UP, on_ns, off_ns)
    completed = np.flatnonzero((side != _BETWEEN) & (time_ns[last] - begun_ns >= delay))
    sides = np.concatenate(
        ([_BEYOND_PICK_UP if state.active else _BEYOND_DROP_OFF], side[completed][:-1])
    )
    changes: list[tuple[int, LimitChange]] = []
    active, peak, next_row = state.active, state.peak, 0
    for run in completed[side[completed] != sides]:
        start, stop = int(first[run]), int(last[run]) + 1
        onset = int(begun_ns[run])
        index = start + int(np.searchsorted(time_ns[start:stop], onset + int(delay[run])))
        if not active:
            peak = state.peak if run == 0 and continues else None
            next_row = start
        active = not active
        worst = _furthest_value(limit, peak, reported[next_row : index + 1])
        peak, next_row = worst, index + 1
        change = LimitChange(
            time_ns=int(time_ns[index]),
            limit=limit.name,
            joint=joint,
            severity=limit.severity,
            channel=limit.reported_channel,
            kind=EventKind.RAISED if active else EventKind.RETURNED,
            value=float(reported[index]),
            onset_ns=onset,
            peak=worst,
        )
        changes.append((index, change))

    pending = (
        int(begun_ns[-1]) if side[-1] == (_BEYOND_DROP_OFF if active else _BEYOND_PICK_UP) else None
    )
    if active:
        peak = _furthest_value(limit, peak, reported[next_row:])
    elif pending is not None:
        start = int(first[-1])
        carried = state.peak if len(first) == 1 and continues else None
        peak = _furthest_value(limit, carried, reported[start:])
    else:
        peak = None
    return changes, LevelState(active=active, last_ns=last_ns, pending_ns=pending, peak=peak)


def _runs_of_side(
    state: LevelState, scores: Scores, *, on_apart_ns: int, off_apart_ns: int
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.int8], NDArray[np.int64], bool]:
    """Split the scores into runs on one side of the levels without a gap that is not bridged.

    `on_apart_ns`, `off_apart_ns`: how far apart two scores on or off may be (`gaps`).

    Returns, each of shape (runs,): index of the first and of the last score, the side, and the
    time at which the side was reached; then whether the first run continues that of the
    previous batch, whose time it then has.
    """
    score, time_ns = scores.score, scores.time_ns
    on = score >= scores.pick_up
    off = score <= scores.drop_off
    side = on.astype(np.int8)
    side[off & ~on] = _BEYOND_DROP_OFF
    steps = np.diff(time_ns)
    apart = steps > scores.hold_ns
    if apart.any():
        apart = steps > np.where(side[1:] == _BEYOND_PICK_UP, on_apart_ns, off_apart_ns)
    breaks = (side[1:] != side[:-1]) | apart
    first = np.concatenate(([0], np.flatnonzero(breaks) + 1))
    last = np.concatenate((first[1:], [len(score)])) - 1
    side = side[first]
    begun_ns = time_ns[first]  # a copy: indexed by an array
    if (
        state.pending_ns is not None
        and state.last_ns is not None
        and side[0] == (_BEYOND_DROP_OFF if state.active else _BEYOND_PICK_UP)
        and time_ns[0] - state.last_ns <= (off_apart_ns if state.active else on_apart_ns)
    ):
        begun_ns[0] = state.pending_ns
        return first, last, side, begun_ns, True
    return first, last, side, begun_ns, False


def _furthest_value(
    limit: TimedLimit, previous_peak: float | None, values: NDArray[np.float64]
) -> float:
    """Return the worst of `previous_peak` and `values`; of equal ones the earliest."""
    if len(values) == 0:
        assert previous_peak is not None, "an alert has at least one reading"
        return previous_peak
    rank = limit.rank(values)
    index = int(rank.argmax())
    if previous_peak is not None and limit.rank(np.array([previous_peak]))[0] >= rank[index]:
        return previous_peak
    return float(values[index])
