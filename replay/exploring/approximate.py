"""The approximate alerts of a limit, at once, from the pyramid's seconds alone.

A few values represent the readings of each second: its extremes in a likely order, its root mean
square, its mean, the amplitude of a sine with the same variance, or its first and last reading. The
limit's own code evaluates these, so that it works for every kind. The result is right to about a
second, and may be wrong about what is shorter; `evaluation.tasks.evaluate_limits` is exact. Gaps
are kept: a second without readings has no values here either.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Floats, Ints, to_s
from logger.joint.batch import ReadingBatch
from logger.joint.time_weighted import Buckets
from logger.limits.hysteresis import LevelState
from logger.limits.kind import JointLimit, SummaryStyle
from logger.limits.scored_limit import ScoredLimit
from logger.limits.series import Series
from logger.store.pyramid.seconds import BASE_NS
from replay.evaluation.alert_arrays import AlertArrays, to_alert_arrays, to_state_changes
from replay.evaluation.skip_scan import find_state_changes
from replay.recording import Recording

__all__ = [
    "LimitMeasure",
    "MinMaxTrace",
    "SecondValues",
    "SummaryStyle",
    "approximate_measure",
    "may_miss_short",
    "read_second_values",
    "to_min_max",
]


_VALUES_PER_SECOND: Final = 4
"""Values that represent a second where its extremes count."""
_MIN_SWING_S: Final = 1.5
"""Shortest delay that first and last readings of seconds decide: between them a value may go there
and back unseen."""
_MIN_HOLD_NS: Final = BASE_NS * 3 // 2
"""Consecutive seconds have no gap between them, two with one missing between them have."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondValues:
    """What represents the seconds of one channel of one joint, of those n that have readings."""

    second: NDArray[np.int32]
    """Shape (n,): number of the second, counted from `zero_ns`."""
    zero_ns: int
    values: Floats
    """Shape (n, values of a second): in order of time; NaN is no reading."""

    @property
    def start_ns(self) -> Ints:
        """Begin of each second, shape (n,)."""
        return self.zero_ns + self.second.astype(np.int64) * BASE_NS

    @property
    def nbytes(self) -> int:
        """Size in memory."""
        return self.second.nbytes + self.values.nbytes


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitMeasure:
    """n values that a limit compares with its pick-up, in order of time, and its alerts."""

    time_ns: Ints
    values: Floats
    """In the unit that the limit reports its values in."""
    alerts: AlertArrays


def read_second_values(
    recording: Recording, joint: str, channel: str, style: SummaryStyle
) -> SecondValues:
    """Return the seconds of a channel over the whole recording, in the style of a kind of limit."""
    zero_ns = recording.start_ns // BASE_NS * BASE_NS
    end_ns = -(-recording.end_ns // BASE_NS) * BASE_NS
    buckets = recording.read_buckets(joint, channel, zero_ns, end_ns)
    has_readings = buckets.n > 0
    return SecondValues(
        second=((buckets.start_ns[has_readings] - zero_ns) // BASE_NS).astype(np.int32),
        zero_ns=zero_ns,
        values=_representative_values(buckets, style)[has_readings],
    )


def _representative_values(buckets: Buckets, style: SummaryStyle) -> Floats:
    """Return the values that represent each of n buckets, shape (n, values of a second)."""
    match style:
        case "extremes":
            # The extreme that is nearer to the first reading is likely to have come first.
            first, low, high = buckets.first, buckets.minimum, buckets.maximum
            rises = np.abs(first - low) <= np.abs(first - high)
            sooner, later = np.where(rises, low, high), np.where(rises, high, low)
            return np.stack((first, sooner, later, buckets.last), axis=1)
        case "ends":
            return np.stack((buckets.first, buckets.last), axis=1)
        case "rms":
            held_s = np.where(buckets.duration_s > 0, buckets.duration_s, 1.0)
            return np.sqrt(buckets.mean**2 + buckets.m2 / held_s)[:, None]
        case "swing":
            held_s = np.where(buckets.duration_s > 0, buckets.duration_s, 1.0)
            return np.sqrt(2.0 * buckets.m2 / held_s)[:, None]
        case "mean":
            return buckets.mean[:, None].copy()


def may_miss_short(limit: JointLimit) -> bool:
    """Return whether an alert may be too brief for `approximate_measure` to find it.

    Extremes are actual readings: without a delay nothing is missed. With a delay of less than a
    second it is not known how long within a second the condition held.
    """
    if limit.watches_gaps:
        # Gaps are known to the nanosecond.
        return False
    styles = set(limit.summary_styles.values())
    if "ends" in styles:
        return limit.delay_s < _MIN_SWING_S
    return styles == {"extremes"} and 0.0 < limit.delay_s < to_s(BASE_NS)


def approximate_measure(
    limit: JointLimit,
    seconds: Mapping[str, SecondValues],
    *,
    joint: str,
    hold_ns: Mapping[str, int],
    gaps: list[tuple[int, int]],
    span_ns: tuple[int, int],
) -> LimitMeasure:
    """Return the approximate values and alerts of a limit.

    Parameters
    ----------
    limit
        With its levels in the unit of the channel (`in_channel_unit`).
    seconds
        Of each channel in the limit's `summary_styles`.
    gaps
        Begin and end of each gap of the joint, by which a silence is measured.
    span_ns
        Begin and end of the recording.
    """
    if not isinstance(limit, ScoredLimit):
        return _of_gaps(limit, gaps, joint=joint, span_ns=span_ns)
    styles = limit.summary_styles
    channel = limit.needed_channels[0][1]
    channel_seconds = seconds[channel]
    if limit.rules_out(channel_seconds.second, channel_seconds.values):
        batch = _representative_batch({channel: channel_seconds}, {channel: styles[channel]}, joint)
        return LimitMeasure(
            time_ns=batch.time_ns, values=batch.columns[channel], alerts=to_alert_arrays([])
        )
    batch = _representative_batch(seconds, styles, joint)
    hold_at_least_ns = {**hold_ns, **{name: max(hold_ns[name], _MIN_HOLD_NS) for name in styles}}
    series = Series(batch, hold_at_least_ns)
    scores = limit.scores_of_seconds(series)
    changes, _ = find_state_changes(limit, LevelState(), scores, joint=joint)
    return LimitMeasure(
        time_ns=scores.time_ns, values=scores.reported, alerts=to_alert_arrays(changes)
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class MinMaxTrace:
    """The values of a limit as they are drawn: lowest and highest in each of m equal spans.

    Both of shape (m,); NaN where there is no value.
    """

    low: Floats
    high: Floats


def to_min_max(measure: LimitMeasure, start_ns: int, end_ns: int, *, bins: int) -> MinMaxTrace:
    """Return lowest and highest values in `bins` equal spans of [start_ns, end_ns)."""
    low, high = np.full(bins, np.nan), np.full(bins, np.nan)
    is_known = np.isfinite(measure.values)
    values = measure.values[is_known]
    bin_of = (measure.time_ns[is_known] - start_ns) * bins // max(end_ns - start_ns, 1)
    bin_of = np.clip(bin_of, 0, bins - 1)
    first = np.flatnonzero(np.diff(bin_of, prepend=-1))
    if len(first):
        low[bin_of[first]] = np.minimum.reduceat(values, first)
        high[bin_of[first]] = np.maximum.reduceat(values, first)
    return MinMaxTrace(low=low, high=high)


def _representative_batch(
    seconds: Mapping[str, SecondValues], styles: Mapping[str, SummaryStyle], joint: str
) -> ReadingBatch:
    """Return the values of the seconds of some channels as readings on one time axis."""
    starts = [seconds[name].start_ns for name in styles]
    start_ns = starts[0] if len(starts) == 1 else np.unique(np.concatenate(starts))
    per_second = _VALUES_PER_SECOND if {"extremes", "ends"} & set(styles.values()) else 1
    steps = np.arange(per_second) * (BASE_NS // per_second)
    return ReadingBatch(
        joint=joint,
        time_ns=(start_ns[:, None] + steps).ravel(),
        position_segment=np.empty(0, np.int32),
        columns={name: _spread_values(seconds[name], start_ns, per_second) for name in styles},
    )


def _spread_values(seconds: SecondValues, start_ns: Ints, per_second: int) -> Floats:
    """Return the values of a channel at `per_second` places of each second of `start_ns`.

    A channel with fewer values a second has its first and last at the ends of the second, and NaN
    between them; a second without a value is NaN.
    """
    own_count = seconds.values.shape[1]
    values = seconds.values
    if own_count != per_second:
        values = np.full((len(seconds.second), per_second), np.nan)
        values[:, [0, -1] if own_count > 1 else [0]] = seconds.values
    if len(values) == len(start_ns):
        return values.ravel()
    spread = np.full((len(start_ns), per_second), np.nan)
    spread[np.searchsorted(start_ns, seconds.start_ns)] = values
    return spread.ravel()


def _of_gaps(
    limit: JointLimit, gaps: list[tuple[int, int]], *, joint: str, span_ns: tuple[int, int]
) -> LimitMeasure:
    """Return the length of each gap as a trace: 0 where it begins, its length where it ends."""
    changes = limit.changes_from_gaps(gaps, joint=joint, end_ns=span_ns[1])
    edges = np.array(gaps, np.int64).reshape(-1, 2)
    lengths = np.zeros(edges.shape)
    lengths[:, 1] = to_s(edges[:, 1] - edges[:, 0])
    return LimitMeasure(
        time_ns=edges.ravel(),
        values=lengths.ravel(),
        alerts=to_alert_arrays(to_state_changes(changes)),
    )
