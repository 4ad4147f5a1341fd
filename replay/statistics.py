"""Exact time-weighted statistics of a span, at a cost that does not grow with the recording.

The whole seconds within come from the pyramid, the widest buckets in the middle, and both ends from
the raw rows. Merged they equal the statistics of the raw rows but for float64 rounding.
"""

from collections.abc import Sequence
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Floats, Ints, to_s
from logger.joint.time_weighted import Buckets, WeightedStatistics, span_bucket, statistics_of
from logger.store.pyramid.seconds import BASE_NS
from replay.recording import Recording

__all__ = ["WeightedStatistics", "rms_before", "span_statistics"]

_READ_TOGETHER_S: Final = 30
"""Instants whose seconds lie closer together than this are read at once."""
_READ_AT_ONCE_S: Final = 1800
"""Length of the longest read."""
_LEAST_HELD_S: Final = 0.5e-9
"""Held time below half a nanosecond is the rounding of sums: nothing was held."""


def span_statistics(
    recording: Recording, joint: str, channel: str, start_ns: int, end_ns: int
) -> WeightedStatistics:
    """Return n, held time, minimum, maximum, mean and RMS of a channel over [start_ns, end_ns).

    In the unit of the channel.
    """
    inner_start = -(-start_ns // BASE_NS) * BASE_NS
    inner_end = end_ns // BASE_NS * BASE_NS
    if inner_end - inner_start < 2 * BASE_NS:
        return statistics_of([_bucket_from_rows(recording, joint, channel, start_ns, end_ns)])
    buckets, counted_ns = recording.tiling_buckets(joint, channel, inner_start, inner_end)
    return statistics_of(
        [
            _bucket_from_rows(recording, joint, channel, start_ns, inner_start),
            *buckets,
            _bucket_from_rows(recording, joint, channel, counted_ns, end_ns),
        ]
    )


def rms_before(
    recording: Recording,
    joint: str,
    channel: str,
    ends_ns: Sequence[int],
    *,
    spans_s: Sequence[int],
) -> NDArray[np.float64]:
    """Return the RMS of a channel over each of several spans before each of n instants.

    Equal to that of `span_statistics` but for float64 rounding, with one read of the pyramid.

    Parameters
    ----------
    ends_ns
        n instants, in any order; time before the recording does not count.
    spans_s
        Lengths of the spans, in whole seconds.

    Returns
    -------
    numpy.ndarray
        Shape (n, len(spans_s)), in the channel's unit; NaN where no value was held.
    """
    ends = np.asarray(ends_ns, np.int64)
    spans_ns = np.asarray(spans_s, np.int64) * BASE_NS
    begins = np.maximum(ends[:, None] - spans_ns, recording.start_ns)
    is_within = begins < ends[:, None]
    rms = np.full(begins.shape, np.nan)
    if not is_within.any():
        return rms
    # Each instant once: of thousands of alerts many begin and end within the same second.
    used_ends = np.broadcast_to(ends[:, None], begins.shape)[is_within]
    instants, column = np.unique(np.append(begins[is_within], used_ends), return_inverse=True)
    held_s, squares = _sums_until(recording, joint, channel, instants)
    begin, end = column[: len(used_ends)], column[len(used_ends) :]
    lasts_s = held_s[end] - held_s[begin]
    square = np.maximum(squares[end] - squares[begin], 0.0)
    rms[is_within] = np.sqrt(
        np.divide(square, lasts_s, out=np.full(len(lasts_s), np.nan), where=lasts_s > _LEAST_HELD_S)
    )
    return rms


def _sums_until(
    recording: Recording, joint: str, channel: str, instants_ns: Ints
) -> tuple[Floats, Floats]:
    """Return held time, and square times held time, from one origin to each of n instants.

    Whole seconds come from the pyramid, the rest of the last second of each instant from the rows.

    Parameters
    ----------
    instants_ns
        Shape (n,), n > 0, ascending, none before the recording.

    Returns
    -------
    held_s, squares
        Each of shape (n,), in seconds, and in seconds times the square of the channel's unit.
    """
    seconds = instants_ns // BASE_NS
    first_ns, last_ns = int(seconds[0]) * BASE_NS, int(seconds[-1]) * BASE_NS
    held_sums, square_sums = _cumulative_sums(
        recording.read_buckets(joint, channel, first_ns, last_ns)
        if last_ns > first_ns
        else Buckets.empty(BASE_NS),
        first_ns,
        (last_ns - first_ns) // BASE_NS,
    )
    held_s, squares = held_sums[seconds - seconds[0]], square_sums[seconds - seconds[0]]
    starts = np.flatnonzero(
        np.diff(seconds, prepend=seconds[0] - _READ_TOGETHER_S) >= _READ_TOGETHER_S
    )
    for begin, end in pairwise([*starts.tolist(), len(seconds)]):
        # A read takes as long as that of some thousand rows: what lies close is read at once, but
        # never so much that memory follows the number of instants.
        for some in np.split(
            np.arange(begin, end),
            np.flatnonzero(np.diff((seconds[begin:end] - seconds[begin]) // _READ_AT_ONCE_S)) + 1,
        ):
            held_rest, square_rest = _sums_within_seconds(
                recording, joint, channel, instants_ns[some]
            )
            held_s[some] += held_rest
            squares[some] += square_rest
    return held_s, squares


def _sums_within_seconds(
    recording: Recording, joint: str, channel: str, instants_ns: Ints
) -> tuple[Floats, Floats]:
    """Return the sums of `_sums_until` from the whole second before each instant, from one read."""
    whole_ns = instants_ns // BASE_NS * BASE_NS
    time_ns, value = recording.read_readings(
        joint, int(whole_ns[0]), int(instants_ns[-1]), channels=[channel], lead_in=True
    ).channel_series(channel)
    if len(time_ns) == 0:
        return np.zeros(len(instants_ns)), np.zeros(len(instants_ns))
    hold_ns = recording.hold_ns(joint)[channel]
    held_ns = np.minimum(np.diff(time_ns, append=time_ns[-1] + hold_ns), hold_ns)
    square = np.square(value, dtype=np.float64)
    held_before = np.concatenate([[0], held_ns.cumsum()])
    squares_before = np.concatenate([[0.0], (to_s(held_ns) * square).cumsum()])

    def sums_at(at_ns: Ints) -> tuple[Ints, Floats]:
        row = time_ns.searchsorted(at_ns) - 1
        is_after = row >= 0
        since_ns = np.where(is_after, np.minimum(at_ns - time_ns[row], held_ns[row]), 0)
        row = np.maximum(row, 0)
        return held_before[row] + since_ns, squares_before[row] + to_s(since_ns) * square[row]

    # Nothing is held beyond the end of the recording.
    held_whole, squares_whole = sums_at(np.minimum(whole_ns, recording.end_ns))
    held_until, squares_until = sums_at(np.minimum(instants_ns, recording.end_ns))
    return to_s(held_until - held_whole), squares_until - squares_whole


def _cumulative_sums(
    buckets: Buckets, first_ns: int, count: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return held time, and square times held time, from `first_ns` to each of `count` + 1 seconds.

    Both of shape (count + 1,), the first element 0.
    """
    held_s, squares = np.zeros(count + 1), np.zeros(count + 1)
    second = (buckets.start_ns - first_ns) // BASE_NS + 1
    held_s[second] = buckets.duration_s
    squares[second] = buckets.m2 + buckets.duration_s * buckets.mean**2
    return held_s.cumsum(), squares.cumsum()


def _bucket_from_rows(
    recording: Recording, joint: str, channel: str, start_ns: int, end_ns: int
) -> Buckets:
    if end_ns <= start_ns:
        return Buckets.empty(1)
    time_ns, value = recording.read_readings(
        joint, start_ns, end_ns, channels=[channel], lead_in=True
    ).channel_series(channel)
    return span_bucket(
        time_ns,
        value,
        hold_ns=recording.hold_ns(joint)[channel],
        start_ns=start_ns,
        end_ns=min(end_ns, recording.end_ns),
    )
