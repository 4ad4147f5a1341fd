"""Time-weighted figures: mean, RMS, extremes, by bucket and over spans.

A value holds until the channel's next value, at most for its hold limit; what lies beyond is a gap
and has no weight. Weighted by time and never by sample: joints that report more often under load
would otherwise lie. Pure; the buckets of a trace taken in chunks merge to those of the whole.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Buckets", "Figures", "bucketed", "figures_of", "merged", "regrouped", "spanned"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


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

    def columns(self) -> Mapping[str, NDArray[np.float64] | NDArray[np.int64]]:
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

    def within(self, start_ns: int, end_ns: int) -> "Buckets":
        """Return the buckets that lie wholly in [start_ns, end_ns)."""
        low = int(np.searchsorted(self.start_ns, start_ns, "left"))
        high = int(np.searchsorted(self.start_ns, end_ns - self.width_ns, "right"))
        return self.rows(slice(low, max(low, high)))

    def rows(self, chosen: slice) -> "Buckets":
        """Return a stretch of the buckets."""
        return Buckets(
            width_ns=self.width_ns,
            start_ns=self.start_ns[chosen],
            n=self.n[chosen],
            duration_s=self.duration_s[chosen],
            mean=self.mean[chosen],
            m2=self.m2[chosen],
            minimum=self.minimum[chosen],
            maximum=self.maximum[chosen],
            first=self.first[chosen],
            last=self.last[chosen],
        )

    @classmethod
    def none(cls, width_ns: int) -> "Buckets":
        """Return no buckets of that width."""
        whole, real = np.empty(0, np.int64), np.empty(0, np.float64)
        return cls(
            width_ns=width_ns,
            start_ns=whole,
            n=whole,
            duration_s=real,
            mean=real,
            m2=real,
            minimum=real,
            maximum=real,
            first=real,
            last=real,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """Exact, time-weighted figures of one channel over a span; NaN where nothing was held."""

    n: int
    duration_s: float
    minimum: float
    maximum: float
    mean: float
    rms: float


def bucketed(
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
        return Buckets.none(width_ns)
    following = np.append(time_ns[1:], np.int64(max(until_ns, int(time_ns[-1]))))
    ends = np.minimum(following, time_ns + hold_ns)
    bucket = time_ns // width_ns
    edge = (bucket + 1) * width_ns
    lasts_s = (np.minimum(ends, edge) - time_ns).astype(np.float64) * 1e-9
    own = _rows_reduced(edge - width_ns, width_ns=width_ns, duration_s=lasts_s, value=value)
    over = np.flatnonzero(ends > edge)
    if len(over) == 0:
        return own
    # A value that is held over bucket edges gives each bucket behind them its share.
    more = (ends[over] - 1) // width_ns - bucket[over]
    owner = np.repeat(over, more)
    later = np.arange(len(owner)) - np.repeat(np.cumsum(more) - more, more) + 1
    start_ns = (bucket[owner] + later) * width_ns
    values = value[owner]
    held = Buckets(
        width_ns=width_ns,
        start_ns=start_ns,
        n=np.zeros(len(owner), np.int64),
        duration_s=(np.minimum(ends[owner], start_ns + width_ns) - start_ns) * 1e-9,
        mean=values,
        m2=np.zeros(len(owner)),
        minimum=values,
        maximum=values,
        first=values,
        last=values,
    )
    columns = _columns([held, own])
    # In a bucket of both, what was held before comes first.
    order = np.argsort(columns["start_ns"], kind="stable")
    return _reduced(width_ns=width_ns, **{name: one[order] for name, one in columns.items()})


def merged(parts: list[Buckets]) -> Buckets:
    """Return buckets of one width, given in order of time, as one; shared buckets are merged."""
    parts = [part for part in parts if len(part)]
    if not parts:
        return Buckets.none(1)
    if len(parts) == 1:
        return parts[0]
    return _reduced(width_ns=parts[0].width_ns, **_columns(parts))


def _columns(parts: list[Buckets]) -> dict[str, NDArray[Any]]:
    """Return the columns of some buckets, those of all end to end."""
    return {
        one.name: np.concatenate([getattr(part, one.name) for part in parts])
        for one in fields(Buckets)
        if one.name != "width_ns"
    }


def regrouped(buckets: Buckets, width_ns: int) -> Buckets:
    """Return the buckets at a coarser width, a multiple of their own."""
    if len(buckets) == 0 or width_ns == buckets.width_ns:
        return buckets if len(buckets) else Buckets.none(width_ns)
    return _reduced(
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


def figures_of(parts: list[Buckets]) -> Figures:
    """Return the figures of all buckets together (of any widths, not overlapping)."""
    filled = [part for part in parts if len(part)]
    if not filled:
        return Figures(
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
    return Figures(
        n=int(sum(int(part.n.sum()) for part in filled)),
        duration_s=total,
        minimum=float(min(part.minimum.min() for part in filled)),
        maximum=float(max(part.maximum.max() for part in filled)),
        mean=mean,
        rms=math.sqrt(mean * mean + spread),
    )


def _reduced(
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
    heads, tails = _runs(start_ns)
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


def _rows_reduced(start_ns: Ints, *, width_ns: int, duration_s: Floats, value: Floats) -> Buckets:
    """Return what `_reduced` does for single readings, in half the time."""
    heads, tails = _runs(start_ns)
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


def _runs(start_ns: Ints) -> tuple[Ints, Ints]:
    """Return the first and the last place of each run of equal starts; there is at least one."""
    changes = np.flatnonzero(start_ns[1:] != start_ns[:-1])
    return np.append(0, changes + 1), np.append(changes, len(start_ns) - 1)


def spanned(time_ns: Ints, value: Floats, *, hold_ns: int, start_ns: int, end_ns: int) -> Buckets:
    """Return the figures of [start_ns, end_ns) as one bucket, exact at both ends.

    `time_ns` and `value` (shape (n,), in order of time, without NaN) hold the readings of the span
    and, before it, at least the last one whose hold may reach into it.
    """
    if len(time_ns) == 0 or end_ns <= start_ns:
        return Buckets.none(max(end_ns - start_ns, 1))
    ends = np.minimum(np.append(time_ns[1:], np.int64(end_ns)), time_ns + hold_ns)
    ends = np.minimum(ends, end_ns)
    begins = np.maximum(time_ns, start_ns)
    inside = (time_ns >= start_ns) & (time_ns < end_ns)
    kept = inside | ((ends > begins) & (time_ns < end_ns))
    if not kept.any():
        return Buckets.none(max(end_ns - start_ns, 1))
    values = value[kept]
    return _reduced(
        start_ns=np.full(len(values), start_ns, np.int64),
        width_ns=end_ns - start_ns,
        n=inside[kept].astype(np.int64),
        duration_s=np.maximum(ends - begins, 0)[kept] * 1e-9,
        mean=values,
        m2=np.zeros(len(values)),
        minimum=values,
        maximum=values,
        first=values,
        last=values,
    )
