"""From a single-turn encoder to a continuous angle, in segments.

A single-turn count starts again every turn; how many turns went by between two readings follows
from the nearest move, and from the speed reading where the shaft may have gone further than half a
turn. Where it cannot be known a new segment starts: never continued in silence. Pure; any chunking
of a trace gives the same result as the whole.
"""

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from logger.arrays import to_s

__all__ = ["UnwrapState", "unwrap_counts"]


class UnwrapState(NamedTuple):
    """The newest reading, and the continuous count and segment at it.

    A tuple, as one is made of every batch.
    """

    time_ns: int = 0
    raw: int = 0
    """What the encoder read."""
    speed_counts_s: float = math.nan
    total: int = 0
    segment: int = -1
    """-1: nothing was read yet."""


def unwrap_counts(
    time_ns: NDArray[np.int64],
    count: NDArray[np.int64],
    speed_counts_s: NDArray[np.float64],
    *,
    modulus: int,
    valid_for_ns: int,
    guided_for_ns: int | None = None,
    state: UnwrapState,
    speed_apart: bool = False,
    zero: int | None = None,
    broken: NDArray[np.bool_] | None = None,
) -> tuple[NDArray[np.int64], NDArray[np.int32], UnwrapState]:
    """Return the continuous count and its segment for n encoder readings.

    Parameters
    ----------
    time_ns, count
        int64, shape (n,): time of each reading and what it read, 0 <= count < modulus.
    speed_counts_s
        float64, shape (n,): speed of the same shaft in counts a second, NaN where unknown.
    modulus
        Counts of one turn.
    valid_for_ns
        The longest silence after which the number of turns is still known.
    guided_for_ns
        The longest silence in which the speed tells how far the shaft went; None: as long as that.
        Behind a longer one an encoder that counts its own turns has made the nearest move.
    state
        The state that the previous call returned.
    speed_apart
        The speed comes in a frame of its own and is held until the next: the moves since the last
        one were counted with a speed that was already out of date.
    zero
        The count at the joint's zero: a segment begins within half a turn of it, below or above.
        None: with the raw count.
    broken
        bool, shape (n,): before these readings the joint was switched on again.

    Returns
    -------
    total, segment, state
        int64 and int32, shape (n,). `total` is continuous within a segment; a segment begins with
        the raw count, or with the one that is nearest to `zero`. A new one begins after a silence
        longer than `valid_for_ns`, where the joint was switched on again, where the speed changed
        so much that it leaves more than half a turn open, and, without a speed, at a move of
        exactly half a turn.

    Notes
    -----
    move = d0 + k * modulus with d0 the nearest move and k = round((v * dt - d0) / modulus), right
    while |speed error| * dt stays below half a turn.
    """
    if len(time_ns) == 0:
        return np.empty(0, np.int64), np.empty(0, np.int32), state
    counts = _prepend_value(state.raw, count)
    speeds = _prepend_value(state.speed_counts_s, speed_counts_s)
    times = _prepend_value(state.time_ns, time_ns)
    elapsed_ns = times[1:] - times[:-1]
    elapsed_s = to_s(elapsed_ns)
    half = modulus // 2
    nearest = (counts[1:] - counts[:-1] + half) % modulus - half

    speed_before, speed_after = speeds[:-1], speeds[1:]
    unknown_speed = np.isnan(speeds)
    if unknown_speed.any():
        # Where only one of two readings has a speed, that one is used.
        speed_before = np.where(unknown_speed[:-1], speed_after, speed_before)
        speed_after = np.where(unknown_speed[1:], speed_before, speed_after)
    mean_speed = 0.5 * (speed_before + speed_after)
    is_unknown = elapsed_ns > valid_for_ns
    is_unknown[0] |= state.segment < 0
    if broken is not None:
        is_unknown |= broken
    # The speed between two readings is between theirs, so half the difference is uncertain. For
    # moves counted with a held speed all of it is, as the next speed shows.
    share = 1.0 if speed_apart else 0.5
    open_counts = share * np.abs(speed_after - speed_before) * elapsed_s + 1.0
    is_ambiguous = open_counts >= modulus / 2
    is_long = elapsed_ns > (valid_for_ns if guided_for_ns is None else guided_for_ns)
    if is_unknown.any() or is_long.any() or np.isnan(mean_speed).any():
        guided_counts = ~np.isnan(mean_speed) & ~is_unknown & ~is_long
        mean_speed = np.where(guided_counts, mean_speed, 0.0)
        turn_counts = np.rint((mean_speed * elapsed_s - nearest) / modulus).astype(np.int64)
        turn_counts[~guided_counts] = 0
        is_unknown |= guided_counts & is_ambiguous
        is_unknown |= ~guided_counts & (2 * np.abs(nearest) == modulus)
    else:
        turn_counts = np.rint((mean_speed * elapsed_s - nearest) / modulus).astype(np.int64)
        is_unknown = is_ambiguous
    move = nearest + turn_counts * modulus

    if is_unknown.any():
        # Within a segment the total is its first count plus the moves since: one running sum of all
        # moves serves every segment, less what it was at the first reading of that segment.
        move[is_unknown] = 0
        run = np.cumsum(move)
        segment_starts = np.where(is_unknown, np.arange(len(move)), -1)
        latest = np.maximum.accumulate(segment_starts)
        first = counts[1:][latest]
        if zero is not None:
            first = (first - zero + half) % modulus - half + zero
        base = np.where(latest >= 0, first - run[latest], np.int64(state.total))
        total = base + run
        segment = (state.segment + np.cumsum(is_unknown)).astype(np.int32)
    else:
        total = state.total + move.cumsum()
        segment = np.full(len(move), state.segment, np.int32)
    return (
        total,
        segment,
        UnwrapState(
            time_ns=int(time_ns[-1]),
            raw=int(count[-1]),
            speed_counts_s=float(speed_counts_s[-1]),
            total=int(total[-1]),
            segment=int(segment[-1]),
        ),
    )


def _prepend_value(first: float, rest: NDArray[Any]) -> NDArray[Any]:
    """Return `rest` with `first` in front, shape (n + 1,)."""
    joined = np.empty(len(rest) + 1, rest.dtype)
    joined[0] = first
    joined[1:] = rest
    return joined
