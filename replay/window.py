"""Any span at any width in pixels: envelopes and lines, no extreme lost.

Buckets stand on an absolute grid, so that panning never makes a peak shimmer. A bucket of a second
or more comes from the pyramid, a tenth or more from its finest level where there is one, all others
from the raw rows: what is read does not grow with the recording.
"""

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from logger.joint.time_weighted import Buckets, bucketed, merged, regrouped
from logger.store.pyramid.seconds import BASE_NS
from logger.store.pyramid.tenths import FINE_NS
from replay.recording import Recording

__all__ = ["Envelope", "Look", "bin_width_ns", "envelope", "gaps", "line", "trace"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_SECOND: Final = 1_000_000_000
_WIDTHS: Final[tuple[int, ...]] = (
    *(step * 10**power for power in range(3, 9) for step in (1, 2, 5)),
    *(
        seconds * _SECOND
        for seconds in (
            *(1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600),
            *(7200, 14400, 21600, 43200, 86400, 604800),
        )
    ),
)
"""Bucket widths in ns, from a microsecond on; below a second they divide it, from a tenth on they
are whole tenths.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Envelope:
    """m neighbouring buckets of one channel; NaN where nothing was held: a gap."""

    start_ns: Ints
    width_ns: int
    n: Ints
    minimum: Floats
    maximum: Floats
    mean: Floats
    """From a tenth of a second up to a second to a ten-millionth of what lies between extremes."""
    first: Floats
    last: Floats

    def __len__(self) -> int:
        return len(self.start_ns)


def bin_width_ns(span_ns: int, *, bins: int) -> int:
    """Return the narrowest bucket width of the ladder that needs at most `bins` for a span."""
    wanted = max(span_ns, 1) / max(bins, 1)
    for width in _WIDTHS:
        if width >= wanted:
            return width
    return _WIDTHS[-1]


def envelope(
    recording: Recording, joint: str, channel: str, start_ns: int, end_ns: int, *, bins: int
) -> Envelope:
    """Return minimum, maximum and mean of a channel over [start_ns, end_ns) in at most bins + 1.

    The first and the last bucket may reach beyond the span: edges stand on the grid.
    """
    return Look(recording, joint, channel, start_ns, end_ns).envelope(bins=bins)


def trace(
    recording: Recording, joint: str, channel: str, start_ns: int, end_ns: int, *, bins: int
) -> tuple[Ints, Floats]:
    """Return a polyline of a channel over [start_ns, end_ns): see `Look.trace`."""
    return Look(recording, joint, channel, start_ns, end_ns).trace(bins=bins)


class Look:
    """A channel over [start_ns, end_ns), whose raw rows are read once for all widths of bucket."""

    def __init__(
        self, recording: Recording, joint: str, channel: str, start_ns: int, end_ns: int
    ) -> None:
        self._recording = recording
        self._joint, self._channel = joint, channel
        self._start_ns, self._end_ns = start_ns, end_ns
        self._hold_ns = recording.hold_ns(joint)[channel]
        # All seconds that the span touches: buckets below a second divide them.
        self._first_ns = start_ns // BASE_NS * BASE_NS
        self._last_ns = -(-end_ns // BASE_NS) * BASE_NS
        self._raw: tuple[int, _Raw] | None = None
        self._fine: Buckets | None = None

    def envelope(self, *, bins: int) -> Envelope:
        """Return what `envelope` does."""
        width_ns = bin_width_ns(self._end_ns - self._start_ns, bins=bins)
        first_ns = self._start_ns // width_ns * width_ns
        last_ns = -(-self._end_ns // width_ns) * width_ns
        if width_ns >= BASE_NS:
            buckets = self._recording.counted(
                self._joint, self._channel, first_ns, last_ns, width_ns=width_ns
            )
        elif width_ns >= FINE_NS:
            buckets = regrouped(self._tenths().within(first_ns, last_ns), width_ns)
        else:
            # Of all the seconds, so that the rows are read once for every width.
            self._read(self._first_ns)
            buckets = self._bucketed(first_ns, last_ns, width_ns=width_ns)
        return _dense(buckets, first_ns=first_ns, last_ns=last_ns, width_ns=width_ns)

    def trace(self, *, bins: int) -> tuple[Ints, Floats]:
        """Return a polyline: at most 3 * bins + 4 points.

        Every reading where they are few, with the one before and the one after while their holds
        reach the span; otherwise each bucket's extremes, so that none is lost. A NaN breaks the
        line where a gap is.

        Returns
        -------
        time_ns, value
            int64 and float64, shape (m,), in order of time.
        """
        if self._may_show_each(bins):
            raw, hold_ns = self._read(self._first_ns), self._hold_ns
            low = int(np.searchsorted(raw.time_ns, self._start_ns - hold_ns))
            high = int(np.searchsorted(raw.time_ns, self._end_ns))
            if high < len(raw.time_ns) and raw.time_ns[high] < self._end_ns + hold_ns:
                high += 1
            if high - low <= 2 * bins:
                chosen = slice(low, high)
                segment = raw.segment[chosen]
                lost = np.diff(segment) != 0 if self._channel == "position_rad" else None
                broken = _broken(
                    raw.time_ns[chosen], raw.values[chosen], hold_ns=hold_ns, lost=lost
                )
                if len(broken[0]) <= 3 * bins + 4:
                    return broken
        return line(self.envelope(bins=bins))

    def _may_show_each(self, bins: int) -> bool:
        """Return whether there may be so few readings that each of them is shown."""
        width_ns = bin_width_ns(self._end_ns - self._start_ns, bins=bins)
        if FINE_NS <= width_ns < BASE_NS:
            inside = self._tenths().within(self._start_ns, self._end_ns)
            return int(inside.n.sum()) <= 2 * bins
        return width_ns < FINE_NS

    def _tenths(self) -> Buckets:
        """Return the tenths of a second of all seconds that the span touches."""
        if self._fine is None:
            found, counted_ns = self._recording.tenths(
                self._joint, self._channel, self._first_ns, self._last_ns
            )
            if counted_ns < self._last_ns:
                rest = self._bucketed(counted_ns, self._last_ns, width_ns=FINE_NS)
                found = merged([found, rest]) if len(found) else rest
            self._fine = found
        return self._fine

    def _bucketed(self, first_ns: int, last_ns: int, *, width_ns: int) -> Buckets:
        """Return buckets in [first_ns, last_ns), on their grid, from the raw rows."""
        raw = self._read(first_ns)
        low, high = np.searchsorted(raw.time_ns, (first_ns - self._hold_ns, last_ns))
        return bucketed(
            raw.time_ns[low:high],
            raw.values[low:high],
            hold_ns=self._hold_ns,
            width_ns=width_ns,
            until_ns=min(last_ns, self._recording.end_ns),
        ).within(first_ns, last_ns)

    def _read(self, from_ns: int) -> "_Raw":
        """Return the rows from an instant on, those held into it and the one behind the span."""
        if self._raw is None or self._raw[0] > from_ns:
            batch = self._recording.readings(
                self._joint,
                from_ns,
                max(self._last_ns, self._end_ns + self._hold_ns),
                channels=[self._channel],
                lead_in=True,
            )
            values = batch.columns.get(self._channel)
            held = np.empty(0, np.bool_) if values is None else ~np.isnan(values)
            if values is not None and held.all():
                raw = _Raw(batch.time_ns, values, batch.position_segment)
            else:
                time_ns, values = batch.series(self._channel)
                raw = _Raw(time_ns, values, batch.position_segment[held])
            self._raw = (from_ns, raw)
        return self._raw[1]


class _Raw(NamedTuple):
    time_ns: Ints
    values: Floats
    segment: NDArray[np.int32]


def _dense(buckets: Buckets, *, first_ns: int, last_ns: int, width_ns: int) -> Envelope:
    starts = np.arange(first_ns, last_ns, width_ns, dtype=np.int64)
    rows = (buckets.start_ns - first_ns) // width_ns
    spread = {}
    for name in ("minimum", "maximum", "mean", "first", "last"):
        column = np.full(len(starts), np.nan)
        column[rows] = getattr(buckets, name)
        spread[name] = column
    n = np.zeros(len(starts), np.int64)
    n[rows] = buckets.n
    return Envelope(start_ns=starts, width_ns=width_ns, n=n, **spread)


def line(shape: Envelope) -> tuple[Ints, Floats]:
    """Return an envelope as a polyline: two points a bucket, in the order its ends suggest."""
    held = ~np.isnan(shape.mean)
    rising = np.abs(shape.first - shape.minimum) <= np.abs(shape.first - shape.maximum)
    time_ns = np.empty(2 * len(shape), np.int64)
    time_ns[0::2] = shape.start_ns + shape.width_ns // 4
    time_ns[1::2] = shape.start_ns + 3 * shape.width_ns // 4
    value = np.empty(2 * len(shape))
    value[0::2] = np.where(rising, shape.minimum, shape.maximum)
    value[1::2] = np.where(rising, shape.maximum, shape.minimum)
    # One NaN is enough to break a line, however long the gap.
    kept = np.repeat(held, 2)
    breaks = np.flatnonzero(~held & np.append(True, held[:-1])) * 2
    kept[breaks] = True
    return time_ns[kept], value[kept]


def _broken(
    time_ns: Ints, value: Floats, *, hold_ns: int, lost: NDArray[np.bool_] | None
) -> tuple[Ints, Floats]:
    """Break a line where a hold ended before the next value, or where a position was `lost`."""
    ended = np.diff(time_ns) > hold_ns
    after = np.flatnonzero(ended if lost is None else ended | lost) + 1
    ends = np.minimum(time_ns[after - 1] + hold_ns, time_ns[after])
    return (
        np.insert(time_ns, after, ends),
        np.insert(value, after, np.nan),
    )


def gaps(recording: Recording, joint: str, start_ns: int, end_ns: int) -> list[tuple[int, int]]:
    """Return the joint's gaps that touch [start_ns, end_ns)."""
    return [gap for gap in recording.gaps(joint) if gap[1] > start_ns and gap[0] < end_ns]
