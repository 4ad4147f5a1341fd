"""Pick-up, drop-off, on-delay, off-delay over scores: the same for every kind of limit.

Takes the state in and gives it back: any chunking of a trace gives the same changes and the same
state as the whole. Vectorised: cost lies in a few passes over the array and, only where the trace
comes near the limit, in runs of readings on one side; no Python per reading. The meaning is told in
evaluate.py.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logger.limits.kind import Scores, Timed
from logger.limits.limit_change import Change

__all__ = ["LevelState", "step"]

_ON, _OFF, _BETWEEN = 1, -1, 0


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelState:
    """What a limit remembers between batches of where it stands."""

    active: bool = False
    last_ns: int | None = None
    """Time of the newest score."""
    pending_ns: int | None = None
    """Where the running delay began: towards raising while not active, else towards clearing."""
    peak: float | None = None
    """Worst value of the alert, or of the readings whose on-delay is running."""


def step(
    limit: Timed, state: LevelState, scores: Scores, *, joint: str
) -> tuple[list[tuple[int, Change]], LevelState]:
    """Return the changes, each with the index of its score, and the state after them."""
    score, told, time_ns = scores.score, scores.told, scores.time_ns
    if len(score) == 0:
        return [], state
    last_ns = int(time_ns[-1])
    if not state.active and float(score.max()) < scores.pick_up:
        return [], LevelState(last_ns=last_ns)
    if state.active and float(score.min()) > scores.drop_off:
        calm = _worst(limit, state.peak, told)
        return [], LevelState(active=True, last_ns=last_ns, peak=calm)

    on_ns, off_ns = round(limit.on_delay_s * 1e9), round(limit.off_delay_s * 1e9)
    first, last, side, since, joined = _runs(state, scores)
    delay = np.where(side == _ON, on_ns, off_ns)
    held = np.flatnonzero((side != _BETWEEN) & (time_ns[last] - since >= delay))
    sides = np.concatenate(([_ON if state.active else _OFF], side[held][:-1]))
    changes: list[tuple[int, Change]] = []
    active, peak, done = state.active, state.peak, 0
    for run in held[side[held] != sides]:
        start, stop = int(first[run]), int(last[run]) + 1
        onset = int(since[run])
        index = start + int(np.searchsorted(time_ns[start:stop], onset + int(delay[run])))
        if not active:
            peak = state.peak if run == 0 and joined else None
            done = start
        active = not active
        worst = _worst(limit, peak, told[done : index + 1])
        peak, done = worst, index + 1
        change = Change(
            time_ns=int(time_ns[index]),
            limit=limit.name,
            joint=joint,
            severity=limit.severity,
            channel=limit.told_channel,
            kind="raised" if active else "returned",
            value=float(told[index]),
            onset_ns=onset,
            peak=worst,
        )
        changes.append((index, change))

    pending = int(since[-1]) if side[-1] == (_OFF if active else _ON) else None
    if active:
        peak = _worst(limit, peak, told[done:])
    elif pending is not None:
        start = int(first[-1])
        carried = state.peak if len(first) == 1 and joined else None
        peak = _worst(limit, carried, told[start:])
    else:
        peak = None
    return changes, LevelState(active=active, last_ns=last_ns, pending_ns=pending, peak=peak)


def _runs(
    state: LevelState, scores: Scores
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.int8], NDArray[np.int64], bool]:
    """Return first and last index, side and begin of each run on one side with no gap inside.

    The last item says that the first run goes on from the batch before.
    """
    score, time_ns = scores.score, scores.time_ns
    on = score >= scores.pick_up
    off = score <= scores.drop_off
    side = on.astype(np.int8)
    side[off & ~on] = _OFF
    breaks = (side[1:] != side[:-1]) | (np.diff(time_ns) > scores.hold_ns)
    first = np.concatenate(([0], np.flatnonzero(breaks) + 1))
    last = np.concatenate((first[1:], [len(score)])) - 1
    side = side[first]
    since = time_ns[first]  # a copy: indexed by an array
    if (
        state.pending_ns is not None
        and state.last_ns is not None
        and side[0] == (_OFF if state.active else _ON)
        and time_ns[0] - state.last_ns <= scores.hold_ns
    ):
        since[0] = state.pending_ns
        return first, last, side, since, True
    return first, last, side, since, False


def _worst(limit: Timed, before: float | None, told: NDArray[np.float64]) -> float:
    """Return the worst of `before` and what follows; of equals the earliest."""
    if len(told) == 0:
        assert before is not None, "an alert has at least one reading"
        return before
    rank = limit.rank(told)
    index = int(rank.argmax())
    if before is not None and limit.rank(np.array([before]))[0] >= rank[index]:
        return before
    return float(told[index])
