"""Time-weighted statistics: mean, RMS, extremes, by bucket and over spans.

A value holds until the channel's next value, at most for its hold limit; what lies beyond is a gap
and has no weight. Weighted by time and never by sample, which would favour the times of load, when
joints report more often. Pure; the buckets of a trace taken in chunks merge to those of the whole.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Floats, Ints, to_s

__all__ = [
    "Buckets",
    "WeightedStatistics",
    "merge_buckets",
    "resample_buckets",
    "span_bucket",
    "statistics_of",
    "to_buckets",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Buckets:
    """Figures of one channel for m buckets on the absolute grid; only buckets that hold a value."""

    width_ns: int
    start_ns: Ints
    """Strictly increasing multiples of `width_ns`."""
    n: Ints
    """Readings whose time lies in the bucket; 0 where a value is only held into it."""
    duration_s: Floats
    """Time during which a value was held."""
    mean: Floats
    """Time-weighted; the plain value where nothing was held for any time."""
    m2: Floats
    """Integral of (value - mean)^2 over the held time."""
    minimum: Floats
    maximum: Floats
    first: Floats
    last: Floats

    def __len__(self) -> int:
        return len(self.start_ns)

    def value_columns(self) -> Mapping[str, NDArray[np.float64] | NDArray[np.int64]]:
        """Return the figures by name, without the bucket's start."""
        return {
            "n": self.n,
            "duration_s": self.duration_s,
            "mean": self.mean,
            "m2": self.m2,
            "minimum": self.minimum,
            "maximum": self.maximum,
            "first": self.first,
            "last": self.last,
        }

    def buckets_within(self, start_ns: int, end_ns: int) -> "Buckets":
        """Return the buckets that lie wholly in [start_ns, end_ns)."""
        low = int(np.searchsorted(self.start_ns, start_ns, "left"))
        high = int(np.searchsorted(self.start_ns, end_ns - self.width_ns, "right"))
        return self.select_rows(slice(low, max(low, high)))

    def select_rows(self, row_slice: slice) -> "Buckets":
        """Return a stretch of the buckets."""
        return Buckets(
            width_ns=self.width_ns,
            start_ns=self.start_ns[row_slice],
            n=self.n[row_slice],
            duration_s=self.duration_s[row_slice],
            mean=self.mean[row_slice],
            m2=self.m2[row_slice],
            minimum=self.minimum[row_slice],
            maximum=self.maximum[row_slice],
            first=self.first[row_slice],
            last=self.last[row_slice],
        )

    @classmethod
    def empty(cls, width_ns: int) -> "Buckets":
        """Return no buckets of that width."""
        no_integers, real = np.empty(0, np.int64), np.empty(0, np.float64)
        return cls(
            width_ns=width_ns,
            start_ns=no_integers,
            n=no_integers,
            duration_s=real,
            mean=real,
            m2=real,
            minimum=real,
            maximum=real,
            first=real,
            last=real,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class WeightedStatistics:
    """Exact, time-weighted figures of one channel over a span; NaN where nothing was held."""

    n: int
    duration_s: float
    minimum: float
    maximum: float
    mean: float
    rms: float


def to_buckets(
    time_ns: Ints, value: Floats, *, hold_ns: int, width_ns: int, until_ns: int
) -> Buckets:
    """Return the buckets of n readings of one channel.

    Parameters
    ----------
    time_ns, value
        Shape (n,), in order of time, without NaN.
    hold_ns
        How long a value holds at most.
    width_ns
        Bucket width; edges are its multiples.
    until_ns
        Where the last value's hold ends at the latest.
    """
    if len(time_ns) == 0:
        return Buckets.empty(width_ns)
    following = np.append(time_ns[1:], np.int64(max(until_ns, int(time_ns[-1]))))
    ends = np.minimum(following, time_ns + hold_ns)
    bucket = time_ns // width_ns
    edge = (bucket + 1) * width_ns
    lasts_s = to_s((np.minimum(ends, edge) - time_ns).astype(np.float64))
    own = _merge_single_readings(
        edge - width_ns, width_ns=width_ns, duration_s=lasts_s, value=value
    )
    crossing_rows = np.flatnonzero(ends > edge)
    if len(crossing_rows) == 0:
        return own
    # A value that is held over bucket edges gives each later bucket its share.
    extra_counts = (ends[crossing_rows] - 1) // width_ns - bucket[crossing_rows]
    reading_index = np.repeat(crossing_rows, extra_counts)
    later = (
        np.arange(len(reading_index))
        - np.repeat(np.cumsum(extra_counts) - extra_counts, extra_counts)
        + 1
    )
    start_ns = (bucket[reading_index] + later) * width_ns
    values = value[reading_index]
    held_values = Buckets(
        width_ns=width_ns,
        start_ns=start_ns,
        n=np.zeros(len(reading_index), np.int64),
        duration_s=to_s(np.minimum(ends[reading_index], start_ns + width_ns) - start_ns),
        mean=values,
        m2=np.zeros(len(reading_index)),
        minimum=values,
        maximum=values,
        first=values,
        last=values,
    )
    columns = _concatenated_columns([held_values, own])
    # In a bucket of both, what was held before comes first.
    order = np.argsort(columns["start_ns"], kind="stable")
    return _merge_equal_starts(
        width_ns=width_ns, **{name: column_values[order] for name, column_values in columns.items()}
    )


def merge_buckets(parts: list[Buckets]) -> Buckets:
    """Return buckets of one width, given in order of time, as one; shared buckets are merged."""
    parts = [part for part in parts if len(part)]
    if not parts:
        return Buckets.empty(1)
    if len(parts) == 1:
        return parts[0]
    return _merge_equal_starts(width_ns=parts[0].width_ns, **_concatenated_columns(parts))


def _concatenated_columns(parts: list[Buckets]) -> dict[str, NDArray[Any]]:
    """Return the columns of some buckets, those of all end to end."""
    return {
        bucket_field.name: np.concatenate([getattr(part, bucket_field.name) for part in parts])
        for bucket_field in fields(Buckets)
        if bucket_field.name != "width_ns"
    }


def resample_buckets(buckets: Buckets, width_ns: int) -> Buckets:
    """Return the buckets at a coarser width, a multiple of their own."""
    if len(buckets) == 0 or width_ns == buckets.width_ns:
        return buckets if len(buckets) else Buckets.empty(width_ns)
    return _merge_equal_starts(
        start_ns=buckets.start_ns // width_ns * width_ns,
        width_ns=width_ns,
        n=buckets.n,
        duration_s=buckets.duration_s,
        mean=buckets.mean,
        m2=buckets.m2,
        minimum=buckets.minimum,
        maximum=buckets.maximum,
        first=buckets.first,
        last=buckets.last,
    )


def statistics_of(parts: list[Buckets]) -> WeightedStatistics:
    """Return the figures of all buckets together (of any widths, not overlapping)."""
    filled = [part for part in parts if len(part)]
    if not filled:
        return WeightedStatistics(
            n=0, duration_s=0.0, minimum=math.nan, maximum=math.nan, mean=math.nan, rms=math.nan
        )
    weight = np.concatenate([part.duration_s for part in filled])
    means = np.concatenate([part.mean for part in filled])
    m2 = float(sum(float(part.m2.sum()) for part in filled))
    total = float(weight.sum())
    if total > 0:
        mean = float(np.dot(weight, means) / total)
        spread = (float(np.dot(weight, (means - mean) ** 2)) + m2) / total
    else:
        n = np.concatenate([part.n for part in filled])
        mean = float(np.dot(n, means) / n.sum())
        spread = float(np.dot(n, (means - mean) ** 2) / n.sum())
    return WeightedStatistics(
        n=int(sum(int(part.n.sum()) for part in filled)),
        duration_s=total,
        minimum=float(min(part.minimum.min() for part in filled)),
        maximum=float(max(part.maximum.max() for part in filled)),
        mean=mean,
        rms=math.sqrt(mean * mean + spread),
    )


def _merge_equal_starts(
    *,
    start_ns: Ints,
    width_ns: int,
    n: Ints,
    duration_s: Floats,
    mean: Floats,
    m2: Floats,
    minimum: Floats,
    maximum: Floats,
    first: Floats,
    last: Floats,
) -> Buckets:
    """Merge neighbouring rows of equal start; `start_ns` is non-decreasing."""
    heads, tails = _run_bounds(start_ns)
    size = tails - heads + 1
    weight = np.add.reduceat(duration_s, heads)
    # Rows without duration (two readings at one instant) count only where nothing has any, then by
    # their readings, so that it does not matter which are merged first.
    share = np.where(np.repeat(weight, size) > 0, duration_s, n)
    weighted = np.add.reduceat(share, heads)
    centre = np.add.reduceat(share * mean, heads) / weighted
    deviation = mean - np.repeat(centre, size)
    return Buckets(
        width_ns=width_ns,
        start_ns=start_ns[heads],
        n=np.add.reduceat(n, heads),
        duration_s=weight,
        mean=centre,
        m2=np.add.reduceat(m2 + duration_s * deviation * deviation, heads),
        minimum=np.minimum.reduceat(minimum, heads),
        maximum=np.maximum.reduceat(maximum, heads),
        first=first[heads],
        last=last[tails],
    )


def _merge_single_readings(
    start_ns: Ints, *, width_ns: int, duration_s: Floats, value: Floats
) -> Buckets:
    """Do what `_merge_equal_starts` does, for single readings, in half the time."""
    heads, tails = _run_bounds(start_ns)
    n = tails - heads + 1
    weight = np.add.reduceat(duration_s, heads)
    if weight.all():
        share, weighted = duration_s, weight
    else:
        share = np.where(np.repeat(weight, n) > 0, duration_s, 1.0)
        weighted = np.add.reduceat(share, heads)
    centre = np.add.reduceat(share * value, heads) / weighted
    deviation = value - np.repeat(centre, n)
    deviation *= deviation
    deviation *= duration_s
    return Buckets(
        width_ns=width_ns,
        start_ns=start_ns[heads],
        n=n,
        duration_s=weight,
        mean=centre,
        m2=np.add.reduceat(deviation, heads),
        minimum=np.minimum.reduceat(value, heads),
        maximum=np.maximum.reduceat(value, heads),
        first=value[heads],
        last=value[tails],
    )


def _run_bounds(start_ns: Ints) -> tuple[Ints, Ints]:
    """Return the first and the last place of each run of equal starts; there is at least one."""
    changes = np.flatnonzero(start_ns[1:] != start_ns[:-1])
    return np.append(0, changes + 1), np.append(changes, len(start_ns) - 1)


def span_bucket(
    time_ns: Ints, value: Floats, *, hold_ns: int, start_ns: int, end_ns: int
) -> Buckets:
    """Return the figures of [start_ns, end_ns) as one bucket, exact at both ends.

    `time_ns` and `value` (shape (n,), in order of time, without NaN) hold the readings of the span
    and, before it, at least the last one whose hold may reach into it.
    """
    if len(time_ns) == 0 or end_ns <= start_ns:
        return Buckets.empty(max(end_ns - start_ns, 1))
    end_times = np.minimum(np.append(time_ns[1:], np.int64(end_ns)), time_ns + hold_ns)
    end_times = np.minimum(end_times, end_ns)
    start_times = np.maximum(time_ns, start_ns)
    inside = (time_ns >= start_ns) & (time_ns < end_ns)
    is_kept = inside | ((end_times > start_times) & (time_ns < end_ns))
    if not is_kept.any():
        return Buckets.empty(max(end_ns - start_ns, 1))
    values = value[is_kept]
    return _merge_equal_starts(
        start_ns=np.full(len(values), start_ns, np.int64),
        width_ns=end_ns - start_ns,
        n=inside[is_kept].astype(np.int64),
        duration_s=to_s(np.maximum(end_times - start_times, 0)[is_kept]),
        mean=values,
        m2=np.zeros(len(values)),
        minimum=values,
        maximum=values,
        first=values,
        last=values,
    )
