"""Any span at any width in pixels, as envelopes and polylines that lose no extreme.

Bucket edges lie on an absolute grid, so that a peak does not flicker while a figure is panned.
Buckets of a second or more come from the pyramid, those of a tenth or more from its finest level
where there is one, all others from the raw rows: what is read does not grow with the recording.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Floats, Ints
from logger.joint.time_weighted import Buckets, merge_buckets, resample_buckets, to_buckets
from logger.store.pyramid.seconds import BASE_NS
from logger.store.pyramid.tenths import TENTH_NS
from replay.recording import Recording

__all__ = [
    "ChannelWindow",
    "Envelope",
    "FewBins",
    "bin_width_ns",
    "gaps_within",
    "read_envelope",
    "read_few_bins",
    "read_polyline",
    "to_polyline",
    "widest_bin_ns",
]


_ONE_SECOND_NS: Final = 1_000_000_000
_BUCKET_WIDTHS_NS: Final[tuple[int, ...]] = (
    *(step * 10**power for power in range(3, 9) for step in (1, 2, 5)),
    *(
        seconds * _ONE_SECOND_NS
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
    """m consecutive buckets of one channel; NaN where no value was held, in a gap."""

    start_ns: Ints
    width_ns: int
    n: Ints
    minimum: Floats
    maximum: Floats
    mean: Floats
    """Between a tenth of a second and a second rounded to 1e-7 of the range of the bucket."""
    first: Floats
    last: Floats

    def __len__(self) -> int:
        return len(self.start_ns)


def bin_width_ns(span_ns: int, *, bins: int) -> int:
    """Return the narrowest of `_BUCKET_WIDTHS_NS` of which `bins` buckets cover a span."""
    least_width = max(span_ns, 1) / max(bins, 1)
    for width in _BUCKET_WIDTHS_NS:
        if width >= least_width:
            return width
    return _BUCKET_WIDTHS_NS[-1]


def widest_bin_ns(span_ns: int, *, bins: int) -> int:
    """Return the widest of `_BUCKET_WIDTHS_NS` that divides a span into at least `bins` buckets."""
    most_width = max(span_ns, 1) / max(bins, 1)
    fitting = [width for width in _BUCKET_WIDTHS_NS if width <= most_width]
    return fitting[-1] if fitting else _BUCKET_WIDTHS_NS[0]


def read_envelope(
    recording: Recording, joint: str, channel: str, start_ns: int, end_ns: int, *, bins: int
) -> Envelope:
    """Return the envelope of a channel over [start_ns, end_ns) in at most bins + 1 buckets.

    The first and the last bucket may reach beyond the span, since edges lie on the grid.
    """
    return ChannelWindow(recording, joint, channel, start_ns, end_ns).envelope(bins=bins)


def read_polyline(
    recording: Recording, joint: str, channel: str, start_ns: int, end_ns: int, *, bins: int
) -> tuple[Ints, Floats]:
    """Return a polyline of a channel over [start_ns, end_ns): see `ChannelWindow.polyline`."""
    return ChannelWindow(recording, joint, channel, start_ns, end_ns).polyline(bins=bins)


@dataclass(frozen=True, slots=True, kw_only=True)
class FewBins:
    """Some neighbouring bins of several channels, each of shape (count, channels); NaN in a gap."""

    minimum: Floats
    maximum: Floats
    mean: Floats
    first: Floats


def read_few_bins(
    recording: Recording, joint: str, channels: Sequence[str], edges_ns: Sequence[int]
) -> FewBins:
    """Return the bins between neighbouring edges, those of `read_envelope` (a property test).

    A joint's rows are read once for all its channels, and each bin is a handful of operations: what
    closes on a live page several times a second. The last edge is at most the recording's end.
    """
    batch = recording.read_readings(
        joint, edges_ns[0], edges_ns[-1], channels=list(dict.fromkeys(channels)), lead_in=True
    )
    hold_ns = recording.hold_ns(joint)
    found = np.full((4, len(edges_ns) - 1, len(channels)), np.nan)
    for column, channel in enumerate(channels):
        time_ns, value = batch.channel_series(channel)
        if not len(time_ns):
            continue
        following = np.append(time_ns[1:], np.int64(edges_ns[-1]))
        end_ns = np.minimum(following, time_ns + hold_ns[channel])
        places = np.searchsorted(time_ns, edges_ns).tolist()
        for row, (low, high) in enumerate(pairwise(places)):
            begin_ns, until_ns = edges_ns[row], edges_ns[row + 1]
            # What is held into the bin comes first in it.
            first = low - 1 if low and end_ns[low - 1] > begin_ns else low
            if first == high:
                continue
            inside = value[first:high]
            lasts = np.minimum(end_ns[first:high], until_ns) - time_ns[first:high]
            if first < low:
                lasts[0] -= begin_ns - time_ns[first]
            weight = lasts.sum()
            mean = lasts @ inside / weight if weight > 0 else inside.mean()
            found[:, row, column] = inside.min(), inside.max(), mean, inside[0]
    minimum, maximum, mean, first_values = found
    return FewBins(minimum=minimum, maximum=maximum, mean=mean, first=first_values)


class ChannelWindow:
    """A channel over [start_ns, end_ns), whose raw rows are read once for all widths of bucket."""

    def __init__(
        self, recording: Recording, joint: str, channel: str, start_ns: int, end_ns: int
    ) -> None:
        self._recording = recording
        self._joint, self._channel = joint, channel
        self._start_ns, self._end_ns = start_ns, end_ns
        self._hold_ns = recording.hold_ns(joint)[channel]
        # All seconds that the span touches, since narrower buckets divide seconds.
        self._first_ns = start_ns // BASE_NS * BASE_NS
        self._last_ns = -(-end_ns // BASE_NS) * BASE_NS
        self._raw: tuple[int, _RawRows] | None = None
        self._fine: Buckets | None = None

    def envelope(self, *, bins: int) -> Envelope:
        """Return the envelope of the span; see `read_envelope`."""
        width_ns = bin_width_ns(self._end_ns - self._start_ns, bins=bins)
        first_ns = self._start_ns // width_ns * width_ns
        last_ns = -(-self._end_ns // width_ns) * width_ns
        if width_ns >= BASE_NS:
            buckets = self._recording.read_buckets(
                self._joint, self._channel, first_ns, last_ns, width_ns=width_ns
            )
        elif width_ns >= TENTH_NS:
            buckets = resample_buckets(
                self._read_tenths().buckets_within(first_ns, last_ns), width_ns
            )
        else:
            # From the first second on, so that the rows serve narrower widths, too.
            self._read_rows(self._first_ns)
            buckets = self._bucket_rows(first_ns, last_ns, width_ns=width_ns)
        return _to_envelope(buckets, first_ns=first_ns, last_ns=last_ns, width_ns=width_ns)

    def polyline(self, *, bins: int) -> tuple[Ints, Floats]:
        """Return a polyline: at most 3 * bins + 4 points.

        Where there are few readings, each of them, with the ones before and after the span if a
        hold connects them to it; otherwise the extremes of each bucket. NaN breaks the line at a
        gap.

        Returns
        -------
        time_ns, value
            int64 and float64, shape (m,), in order of time.
        """
        if self._may_show_each(bins):
            raw, hold_ns = self._read_rows(self._first_ns), self._hold_ns
            low = int(np.searchsorted(raw.time_ns, self._start_ns - hold_ns))
            high = int(np.searchsorted(raw.time_ns, self._end_ns))
            if high < len(raw.time_ns) and raw.time_ns[high] < self._end_ns + hold_ns:
                high += 1
            if high - low <= 2 * bins:
                rows = slice(low, high)
                segment = raw.segment[rows]
                lost = np.diff(segment) != 0 if self._channel == "position_rad" else None
                broken = _break_at_gaps(
                    raw.time_ns[rows], raw.values[rows], hold_ns=hold_ns, lost=lost
                )
                if len(broken[0]) <= 3 * bins + 4:
                    return broken
        return to_polyline(self.envelope(bins=bins))

    def _may_show_each(self, bins: int) -> bool:
        """Return whether there may be few enough readings to show each of them."""
        width_ns = bin_width_ns(self._end_ns - self._start_ns, bins=bins)
        if TENTH_NS <= width_ns < BASE_NS:
            inside = self._read_tenths().buckets_within(self._start_ns, self._end_ns)
            return int(inside.n.sum()) <= 2 * bins
        return width_ns < TENTH_NS

    def _read_tenths(self) -> Buckets:
        """Return the tenths of a second of all seconds that the span touches."""
        if self._fine is None:
            tenths, final_until_ns = self._recording.pyramid_tenths(
                self._joint, self._channel, self._first_ns, self._last_ns
            )
            if final_until_ns < self._last_ns:
                remainder = self._bucket_rows(final_until_ns, self._last_ns, width_ns=TENTH_NS)
                tenths = merge_buckets([tenths, remainder]) if len(tenths) else remainder
            self._fine = tenths
        return self._fine

    def _bucket_rows(self, first_ns: int, last_ns: int, *, width_ns: int) -> Buckets:
        """Return buckets in [first_ns, last_ns), on their grid, from the raw rows."""
        if last_ns <= first_ns:
            # Else what is held into it would be divided into the narrowest buckets there are.
            return Buckets.empty(width_ns)
        raw = self._read_rows(first_ns)
        low, high = np.searchsorted(raw.time_ns, (first_ns - self._hold_ns, last_ns))
        return to_buckets(
            raw.time_ns[low:high],
            raw.values[low:high],
            hold_ns=self._hold_ns,
            width_ns=width_ns,
            until_ns=min(last_ns, self._recording.end_ns),
        ).buckets_within(first_ns, last_ns)

    def _read_rows(self, from_ns: int) -> "_RawRows":
        """Return the rows from an instant on, those held into it and the one after the span."""
        if self._raw is None or self._raw[0] > from_ns:
            batch = self._recording.read_readings(
                self._joint,
                from_ns,
                max(self._last_ns, self._end_ns + self._hold_ns),
                channels=[self._channel],
                lead_in=True,
            )
            values = batch.columns.get(self._channel)
            has_value = np.empty(0, np.bool_) if values is None else ~np.isnan(values)
            if values is not None and has_value.all():
                raw = _RawRows(batch.time_ns, values, batch.position_segment)
            else:
                time_ns, values = batch.channel_series(self._channel)
                raw = _RawRows(time_ns, values, batch.position_segment[has_value])
            self._raw = (from_ns, raw)
        return self._raw[1]


class _RawRows(NamedTuple):
    time_ns: Ints
    values: Floats
    segment: NDArray[np.int32]


def _to_envelope(buckets: Buckets, *, first_ns: int, last_ns: int, width_ns: int) -> Envelope:
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


def to_polyline(envelope: Envelope) -> tuple[Ints, Floats]:
    """Return an envelope as a polyline: minimum and maximum of each bucket, in a likely order.

    The extreme nearer to the first reading of a bucket comes first.
    """
    has_value = ~np.isnan(envelope.mean)
    rising = np.abs(envelope.first - envelope.minimum) <= np.abs(envelope.first - envelope.maximum)
    time_ns = np.empty(2 * len(envelope), np.int64)
    time_ns[0::2] = envelope.start_ns + envelope.width_ns // 4
    time_ns[1::2] = envelope.start_ns + 3 * envelope.width_ns // 4
    value = np.empty(2 * len(envelope))
    value[0::2] = np.where(rising, envelope.minimum, envelope.maximum)
    value[1::2] = np.where(rising, envelope.maximum, envelope.minimum)
    # One NaN is enough to break a line, however long the gap.
    is_kept = np.repeat(has_value, 2)
    breaks = np.flatnonzero(~has_value & np.append(True, has_value[:-1])) * 2
    is_kept[breaks] = True
    return time_ns[is_kept], value[is_kept]


def _break_at_gaps(
    time_ns: Ints, value: Floats, *, hold_ns: int, lost: NDArray[np.bool_] | None
) -> tuple[Ints, Floats]:
    """Return a line with NaN where a hold ended before the next value, or a position was lost.

    `lost`: between each two readings, whether the zero of the position changed.
    """
    ended = np.diff(time_ns) > hold_ns
    break_rows = np.flatnonzero(ended if lost is None else ended | lost) + 1
    ends = np.minimum(time_ns[break_rows - 1] + hold_ns, time_ns[break_rows])
    return (
        np.insert(time_ns, break_rows, ends),
        np.insert(value, break_rows, np.nan),
    )


def gaps_within(
    recording: Recording, joint: str, start_ns: int, end_ns: int
) -> list[tuple[int, int]]:
    """Return the joint's gaps that touch [start_ns, end_ns)."""
    return [gap for gap in recording.read_gaps(joint) if gap[1] > start_ns and gap[0] < end_ns]
