"""Exact time-weighted statistics of a span, at a cost that does not grow with the recording.

The whole seconds within come from the pyramid, the widest buckets in the middle, and both ends from
the raw rows. Merged they equal the statistics of the raw rows but for float64 rounding.
"""

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Floats, Ints
from logger.joint.time_weighted import Buckets, WeightedStatistics, span_bucket, statistics_of
from logger.store.pyramid.seconds import BASE_NS
from replay.recording import Recording

__all__ = ["WeightedStatistics", "rms_before", "span_statistics"]

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

    Over whole seconds, the last of them that was over at the instant: as the recorder computes its
    RMS torque, and as the pyramid holds them, so that no row is read. Equal to `span_statistics` of
    those seconds but for float64 rounding.

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
    ends = np.asarray(ends_ns, np.int64)[:, None] // BASE_NS
    begins = np.maximum(ends - np.asarray(spans_s, np.int64), recording.start_ns // BASE_NS)
    rms = np.full(begins.shape, np.nan)
    if len(ends) == 0:
        return rms
    order = np.argsort(ends[:, 0], kind="stable")
    earliest = begins.min(axis=1)[order]
    # What lies between spans that do not touch is not read.
    is_apart = earliest[1:] > ends[order[:-1], 0]
    for some in np.split(order, np.flatnonzero(is_apart) + 1):
        rms[some] = _rms_of_spans(recording, joint, channel, begins[some], ends[some])
    return rms


def _rms_of_spans(
    recording: Recording, joint: str, channel: str, begins: Ints, ends: Ints
) -> Floats:
    """Return the RMS over [begins, ends) in whole seconds since 1970, from one read."""
    first, last = int(begins.min()), int(ends.max())
    rms = np.full(begins.shape, np.nan)
    if last <= first:
        return rms
    held_sums, square_sums = _cumulative_sums(
        recording.read_buckets(joint, channel, first * BASE_NS, last * BASE_NS),
        first * BASE_NS,
        last - first,
    )
    # A span that ends before the recording begins holds nothing.
    begin = np.maximum(np.minimum(begins, ends) - first, 0)
    end = np.maximum(ends - first, 0)
    lasts_s = held_sums[end] - held_sums[begin]
    square = np.maximum(square_sums[end] - square_sums[begin], 0.0)
    np.divide(square, lasts_s, out=rms, where=lasts_s > _LEAST_HELD_S)
    np.sqrt(rms, out=rms)
    return rms


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
