"""From a single-turn encoder to a continuous angle, in segments.

A single-turn count starts again every turn; how many turns went by between two readings follows
from the nearest move, and from the speed reading where the shaft may have gone further than half a
turn. Where it cannot be known a new segment starts: never continued in silence. Pure; any chunking
of a trace gives the same result as the whole.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["TurnState", "unwrap"]


@dataclass(frozen=True, slots=True, kw_only=True)
class TurnState:
    """Where the last reading left the count."""

    time_ns: int = 0
    count: int = 0
    speed_counts_s: float = math.nan
    total: int = 0
    segment: int = -1
    """-1: nothing was read yet."""


def unwrap(
    time_ns: NDArray[np.int64],
    count: NDArray[np.int64],
    speed_counts_s: NDArray[np.float64],
    *,
    modulus: int,
    known_for_ns: int,
    state: TurnState,
    speed_apart: bool = False,
    broken: NDArray[np.bool_] | None = None,
) -> tuple[NDArray[np.int64], NDArray[np.int32], TurnState]:
    """Return the continuous count and its segment for n encoder readings.

    Parameters
    ----------
    time_ns, count
        int64, shape (n,): time of each reading and what it read, 0 <= count < modulus.
    speed_counts_s
        float64, shape (n,): speed of the same shaft in counts a second, NaN where unknown.
    modulus
        Counts of one turn.
    known_for_ns
        The longest silence over which the number of turns is believed.
    state
        What the call before gave back.
    speed_apart
        The speed comes in a frame of its own and is held until the next: the moves since the last
        one were counted with a speed that was already out of date.
    broken
        bool, shape (n,): before these readings the joint was switched on again.

    Returns
    -------
    total, segment, state
        int64 and int32, shape (n,). `total` goes on within a segment; a segment begins with the
        raw count. A new one begins after a silence longer than `known_for_ns`, where the joint was
        switched on again, where the speed changed so much that it leaves more than half a turn
        open, and, without a speed, at a move of exactly half a turn.

    Notes
    -----
    move = d0 + k * modulus with d0 the nearest move and k = round((v * dt - d0) / modulus), right
    while |speed error| * dt stays below half a turn.
    """
    if len(time_ns) == 0:
        return np.empty(0, np.int64), np.empty(0, np.int32), state
    counts = _behind(state.count, count)
    speeds = _behind(state.speed_counts_s, speed_counts_s)
    times = _behind(state.time_ns, time_ns)
    elapsed_ns = times[1:] - times[:-1]
    elapsed_s = elapsed_ns * 1e-9
    half = modulus // 2
    nearest = (counts[1:] - counts[:-1] + half) % modulus - half

    before, after = speeds[:-1], speeds[1:]
    blank = np.isnan(speeds)
    if blank.any():
        # Where only one of two readings has a speed beside it, that one is what is known.
        before = np.where(blank[:-1], after, before)
        after = np.where(blank[1:], before, after)
    mean_speed = 0.5 * (before + after)
    unknown = elapsed_ns > known_for_ns
    unknown[0] |= state.segment < 0
    if broken is not None:
        unknown |= broken
    # The speed between two readings is somewhere between theirs: half the difference is open. For
    # moves that were counted with a held speed it is all of it, as is known once the next arrives.
    share = 1.0 if speed_apart else 0.5
    open_counts = share * np.abs(after - before) * elapsed_s + 1.0
    far = open_counts >= modulus / 2
    if unknown.any() or np.isnan(mean_speed).any():
        guided = ~np.isnan(mean_speed) & ~unknown
        mean_speed = np.where(guided, mean_speed, 0.0)
        turns = np.rint((mean_speed * elapsed_s - nearest) / modulus).astype(np.int64)
        turns[~guided] = 0
        unknown |= guided & far
        unknown |= ~guided & (2 * np.abs(nearest) == modulus)
    else:
        turns = np.rint((mean_speed * elapsed_s - nearest) / modulus).astype(np.int64)
        unknown = far
    move = nearest + turns * modulus

    if unknown.any():
        move[unknown] = 0
        run = np.cumsum(move)
        begins = np.where(unknown, np.arange(len(move)), -1)
        latest = np.maximum.accumulate(begins)
        base = np.where(latest >= 0, counts[1:][latest] - run[latest], np.int64(state.total))
        total = base + run
        segment = (state.segment + np.cumsum(unknown)).astype(np.int32)
    else:
        total = state.total + move.cumsum()
        segment = np.full(len(move), state.segment, np.int32)
    return (
        total,
        segment,
        TurnState(
            time_ns=int(time_ns[-1]),
            count=int(count[-1]),
            speed_counts_s=float(speed_counts_s[-1]),
            total=int(total[-1]),
            segment=int(segment[-1]),
        ),
    )


def _behind(first: float, rest: NDArray[Any]) -> NDArray[Any]:
    """Return `rest` with one more in front of it."""
    whole = np.empty(len(rest) + 1, rest.dtype)
    whole[0] = first
    whole[1:] = rest
    return whole
