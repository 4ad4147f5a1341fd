"""A level limit over the readings of its channel: hysteresis, on-delay, off-delay.

Takes the state in and gives it back: any chunking of a trace gives the same changes and the same
state as the whole. Vectorised: cost lies in a few passes over the array and, only where the trace
comes near the limit, in runs of readings on one side; no Python per reading. The meaning is told in
evaluate.py.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logger.limits.change import Change
from logger.limits.limit import Level

__all__ = ["LevelState", "step"]

_ON, _OFF, _BETWEEN = 1, -1, 0


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelState:
    """What a level limit remembers between batches."""

    active: bool = False
    last_ns: int | None = None
    """Time of the channel's newest value."""
    pending_ns: int | None = None
    """Where the running delay began: towards raising while not active, else towards clearing."""
    peak: float | None = None
    """Worst value of the alert, or of the readings whose on-delay is running."""


def step(
    limit: Level,
    state: LevelState,
    time_ns: NDArray[np.int64],
    values: NDArray[np.float64],
    *,
    joint: str,
    hold_ns: int,
) -> tuple[list[tuple[int, Change]], LevelState]:
    """Return the changes, each with the index of its reading, and the state after `values`.

    Parameters
    ----------
    time_ns, values
        The non-null values of the channel, shape (n,), in order of time.
    hold_ns
        Two values further apart than this have a gap between them.
    """
    if len(values) == 0:
        return [], state
    score = _score(limit, values)
    top = float(score.max())
    last_ns = int(time_ns[-1])
    if not state.active and top < _threshold(limit, limit.pick_up):
        return [], LevelState(last_ns=last_ns)
    if state.active and float(score.min()) > _threshold(limit, limit.clears_at):
        calm = _worst(limit, state.peak, values, score)
        return [], LevelState(active=True, last_ns=last_ns, peak=calm)

    on_ns, off_ns = round(limit.on_delay_s * 1e9), round(limit.off_delay_s * 1e9)
    first, last, side, since, joined = _runs(limit, state, time_ns, score, hold_ns)
    delay = np.where(side == _ON, on_ns, off_ns)
    held = np.flatnonzero((side != _BETWEEN) & (time_ns[last] - since >= delay))
    before = np.concatenate(([_ON if state.active else _OFF], side[held][:-1]))
    changes: list[tuple[int, Change]] = []
    active, peak, done = state.active, state.peak, 0
    for run in held[side[held] != before]:
        start, stop = int(first[run]), int(last[run]) + 1
        onset = int(since[run])
        index = start + int(np.searchsorted(time_ns[start:stop], onset + int(delay[run])))
        if not active:
            peak = state.peak if run == 0 and joined else None
            done = start
        active = not active
        worst = _worst(limit, peak, values[done : index + 1], score[done : index + 1])
        peak, done = worst, index + 1
        change = Change(
            time_ns=int(time_ns[index]),
            limit=limit.name,
            joint=joint,
            severity=limit.severity,
            channel=limit.channel,
            kind="raised" if active else "returned",
            value=float(values[index]),
            onset_ns=onset,
            peak=worst,
        )
        changes.append((index, change))

    pending = int(since[-1]) if side[-1] == (_OFF if active else _ON) else None
    if active:
        peak = _worst(limit, peak, values[done:], score[done:])
    elif pending is not None:
        start = int(first[-1])
        carried = state.peak if len(first) == 1 and joined else None
        peak = _worst(limit, carried, values[start:], score[start:])
    else:
        peak = None
    return changes, LevelState(active=active, last_ns=last_ns, pending_ns=pending, peak=peak)


def _runs(
    limit: Level,
    state: LevelState,
    time_ns: NDArray[np.int64],
    score: NDArray[np.float64],
    hold_ns: int,
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.int8], NDArray[np.int64], bool]:
    """Return first and last index, side and begin of each run on one side with no gap inside.

    The last item says that the first run goes on from the batch before.
    """
    on = score >= _threshold(limit, limit.pick_up)
    off = score <= _threshold(limit, limit.clears_at)
    side = on.astype(np.int8)
    side[off & ~on] = _OFF
    breaks = (side[1:] != side[:-1]) | (np.diff(time_ns) > hold_ns)
    first = np.concatenate(([0], np.flatnonzero(breaks) + 1))
    last = np.concatenate((first[1:], [len(score)])) - 1
    side = side[first]
    since = time_ns[first]  # a copy: indexed by an array
    if (
        state.pending_ns is not None
        and state.last_ns is not None
        and side[0] == (_OFF if state.active else _ON)
        and time_ns[0] - state.last_ns <= hold_ns
    ):
        since[0] = state.pending_ns
        return first, last, side, since, True
    return first, last, side, since, False


def _score(limit: Level, values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return values such that more is worse, whichever way the limit looks."""
    size = np.abs(values) if limit.magnitude else values
    return size if limit.rising else -size


def _threshold(limit: Level, level: float) -> float:
    return level if limit.rising else -level


def _worst(
    limit: Level, before: float | None, values: NDArray[np.float64], score: NDArray[np.float64]
) -> float:
    """Return the worst of `before` and `values`; of equals the earliest."""
    if len(values) == 0:
        assert before is not None, "an alert has at least one reading"
        return before
    index = int(score.argmax())
    if before is not None and _score(limit, np.array([before]))[0] >= score[index]:
        return before
    return float(values[index])
