"""Exact time-weighted statistics of a span, at a cost that does not grow with the recording.

The whole seconds within come from the pyramid, the widest buckets in the middle, and both ends from
the raw rows. Merged they equal the statistics of the raw rows but for float64 rounding.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from logger.joint.time_weighted import Buckets, WeightedStatistics, span_bucket, statistics_of
from logger.store.pyramid.seconds import BASE_NS
from replay.recording import Recording

__all__ = ["WeightedStatistics", "rms_before", "span_statistics"]


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
    rms = np.full((len(ends_ns), len(spans_s)), np.nan)
    within = [at_ns for at_ns in ends_ns if at_ns > recording.start_ns]
    if not within or not spans_s:
        return rms
    min_start_ns = max(min(within) - max(spans_s) * BASE_NS, recording.start_ns)
    first_ns, last_ns = -(-min_start_ns // BASE_NS) * BASE_NS, max(within) // BASE_NS * BASE_NS
    held_sums, square_sums = _cumulative_sums(
        recording.read_buckets(joint, channel, first_ns, last_ns)
        if last_ns > first_ns
        else Buckets.empty(BASE_NS),
        first_ns,
        (last_ns - first_ns) // BASE_NS,
    )
    edges: dict[tuple[int, int], tuple[float, float]] = {}

    def edge(begin_ns: int, end_ns: int) -> tuple[float, float]:
        if (begin_ns, end_ns) not in edges:
            raw = _bucket_from_rows(recording, joint, channel, begin_ns, end_ns)
            held_s = float(raw.duration_s.sum())
            edges[begin_ns, end_ns] = held_s, float((raw.m2 + raw.duration_s * raw.mean**2).sum())
        return edges[begin_ns, end_ns]

    for row, end_ns in enumerate(ends_ns):
        for column, span_s in enumerate(spans_s):
            begin_ns = max(end_ns - span_s * BASE_NS, recording.start_ns)
            low_ns, high_ns = -(-begin_ns // BASE_NS) * BASE_NS, end_ns // BASE_NS * BASE_NS
            if end_ns <= begin_ns:
                continue
            if high_ns < low_ns:
                parts = [edge(begin_ns, end_ns)]
            else:
                low, high = ((edge_ns - first_ns) // BASE_NS for edge_ns in (low_ns, high_ns))
                parts = [
                    edge(begin_ns, low_ns),
                    (
                        float(held_sums[high] - held_sums[low]),
                        float(square_sums[high] - square_sums[low]),
                    ),
                    edge(high_ns, end_ns),
                ]
            lasts_s = sum(part[0] for part in parts)
            if lasts_s > 0:
                square = max(sum(part[1] for part in parts), 0.0)
                rms[row, column] = (square / lasts_s) ** 0.5
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
