"""What a limit makes of a trace roughly and at once, from the pyramid's seconds alone.

Each second stands for its readings by a few: its extremes in a likely order, its root mean square,
its mean, or where it begins and ends. The limit's own code is shown these, so every kind can be
asked. What it says is right to about a second, and may be wrong about what lasts for less;
`tasks.alerts_on` says it exactly. Gaps are kept: a second without readings has none here either.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Floats, Ints, to_s
from logger.joint.batch import ReadingBatch
from logger.joint.time_weighted import Buckets
from logger.limits import silence
from logger.limits.evaluate import compute_scores, initial_memory
from logger.limits.frozen import Stuck
from logger.limits.hysteresis import LevelState
from logger.limits.inverse_time import InverseTime
from logger.limits.level import Band, Level
from logger.limits.limit import AnyJointLimit
from logger.limits.limit_change import LimitChange
from logger.limits.rate import Rate
from logger.limits.series import Series
from logger.limits.silence import Silence, SilenceState
from logger.limits.thermal import Thermal
from logger.limits.touch import TouchTemperature
from logger.limits.tracking import Tracking
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
    "summary_styles",
    "to_min_max",
]

SummaryStyle = Literal["extremes", "rms", "mean", "ends"]

_VALUES_PER_SECOND: Final = 4
"""Readings that stand for a second where its extremes count."""
_MIN_WHOLE_DELAY_S: Final = 3.0
"""A wait of fewer seconds need not cover a whole one."""
_MIN_SWING_S: Final = 1.5
"""Between readings that stand for the ends of seconds, what swings back is not seen."""
_MIN_HOLD_NS: Final = BASE_NS * 3 // 2
"""Seconds that follow each other have no gap between them, two with one left out have."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondValues:
    """The seconds of one channel of one joint that hold a reading, as far as a style needs them."""

    second: NDArray[np.int32]
    """Since `zero_ns`."""
    zero_ns: int
    values: Floats
    """Shape (n, many): what stands for each second, in order of time; NaN is no reading."""

    @property
    def start_ns(self) -> Ints:
        """Where each second begins."""
        return self.zero_ns + self.second.astype(np.int64) * BASE_NS

    @property
    def nbytes(self) -> int:
        """What it takes in memory."""
        return self.second.nbytes + self.values.nbytes


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitMeasure:
    """What a limit compares with its pick-up: n values in order of time; and what it raised."""

    time_ns: Ints
    values: Floats
    """In the unit that the limit tells its values in."""
    alerts: AlertArrays


def read_second_values(
    recording: Recording, joint: str, channel: str, style: SummaryStyle
) -> SecondValues:
    """Return the seconds of a channel over the whole recording."""
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
    """Return what stands for each bucket, shape (n, many)."""
    match style:
        case "extremes":
            # The one that lies nearer to where the second begins is likely to have come first.
            first, low, high = buckets.first, buckets.minimum, buckets.maximum
            rises = np.abs(first - low) <= np.abs(first - high)
            sooner, later = np.where(rises, low, high), np.where(rises, high, low)
            return np.stack((first, sooner, later, buckets.last), axis=1)
        case "ends":
            return np.stack((buckets.first, buckets.last), axis=1)
        case "rms":
            held_s = np.where(buckets.duration_s > 0, buckets.duration_s, 1.0)
            return np.sqrt(buckets.mean**2 + buckets.m2 / held_s)[:, None]
        case "mean":
            return buckets.mean[:, None].copy()


def summary_styles(limit: AnyJointLimit) -> dict[str, SummaryStyle]:
    """Return the channels that a limit looks at, and what of their seconds counts for it."""
    match limit:
        case InverseTime() | Thermal():
            needs = [channel for _, channel in limit.needed_channels]
            return {needs[0]: "rms", **dict.fromkeys(needs[1:], "mean")}
        case Rate():
            return {limit.channel: "mean"}
        case Tracking():
            # Readings at one instant: means of the two would hide an error that swings.
            return {limit.channel: "ends", limit.setpoint: "ends"}
        case Stuck():
            return {limit.channel: "extremes", limit.load: "rms"}
        case Level() | Band() | TouchTemperature():
            return {limit.channel: "extremes"}
        case _:
            return {}


def may_miss_short(limit: AnyJointLimit) -> bool:
    """Return whether what raises a limit may be too brief for `approximate_measure` to see.

    An extreme stands for itself: whatever has no wait is seen, but not for how much less than a
    second something lasted that has to last for less than a second.
    """
    if isinstance(limit, Silence):
        # Gaps are known to the nanosecond.
        return False
    styles = set(summary_styles(limit).values())
    if "ends" in styles:
        return limit.on_delay_s < _MIN_SWING_S
    return styles == {"extremes"} and 0.0 < limit.on_delay_s < to_s(BASE_NS)


def approximate_measure(
    limit: AnyJointLimit,
    seconds: Mapping[str, SecondValues],
    *,
    joint: str,
    hold_ns: Mapping[str, int],
    gaps: list[tuple[int, int]],
    span_ns: tuple[int, int],
) -> LimitMeasure:
    """Return what a limit measures and raises, roughly.

    Parameters
    ----------
    limit
        Spoken in the channel's own unit (`evaluate.spoken`).
    seconds
        Of each channel of `summary_styles`.
    gaps
        The joint's stretches without a frame; a silence is measured by these.
    span_ns
        Where the recording begins and ends.
    """
    if isinstance(limit, Silence):
        return _silence_measure(limit, gaps, joint=joint, span_ns=span_ns)
    styles = summary_styles(limit)
    if isinstance(limit, Stuck) and not _may_freeze(limit, seconds[limit.channel]):
        channel_seconds = seconds[limit.channel]
        batch = _representative_batch(
            {limit.channel: channel_seconds}, {limit.channel: "extremes"}, joint
        )
        return LimitMeasure(
            time_ns=batch.time_ns, values=batch.columns[limit.channel], alerts=to_alert_arrays([])
        )
    batch = _representative_batch(seconds, styles, joint)
    hold_at_least_ns = {**hold_ns, **{name: max(hold_ns[name], _MIN_HOLD_NS) for name in styles}}
    series = Series(batch, hold_at_least_ns)
    scores, _ = compute_scores(limit, initial_memory(limit), series)
    changes, _ = find_state_changes(limit, LevelState(), scores, joint=joint)
    return LimitMeasure(
        time_ns=scores.time_ns, values=scores.reported, alerts=to_alert_arrays(changes)
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class MinMaxTrace:
    """A measure as it is drawn: the lowest and the highest of each of m stretches of a recording.

    NaN where there was none.
    """

    low: Floats
    high: Floats


def to_min_max(measure: LimitMeasure, start_ns: int, end_ns: int, *, bins: int) -> MinMaxTrace:
    """Return a measure in `bins` equal stretches of [start_ns, end_ns)."""
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
    """Return the readings that stand for the seconds of some channels, on one axis of time."""
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
    """Return what stands for the seconds of a channel, each at its place of `per_second` a second."""
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


def _may_freeze(limit: Stuck, seconds: SecondValues) -> bool:
    """Return whether a channel stands still for long enough anywhere to be called frozen.

    A wait of k seconds covers a whole block of k / 2 on any grid, within which all values lie
    within twice `within` of each other. Where no block does, nothing needs to be evaluated.
    """
    block = max(int(limit.on_delay_s) // 2, 1)
    if limit.on_delay_s < _MIN_WHOLE_DELAY_S or len(seconds.second) == 0:
        return True
    first = np.flatnonzero(np.diff(seconds.second // block, prepend=-1))
    high = np.fmax.reduceat(seconds.values.max(axis=1), first)
    low = np.fmin.reduceat(seconds.values.min(axis=1), first)
    return bool(np.any(high - low <= 2.0 * limit.within))


def _silence_measure(
    limit: Silence, gaps: list[tuple[int, int]], *, joint: str, span_ns: tuple[int, int]
) -> LimitMeasure:
    """Return the gaps as they grow: nothing where each begins, its length where it ends."""
    _, end_ns = span_ns
    all_changes: list[LimitChange] = []
    for begin, end in gaps:
        # The end of the recording ends no silence: only a frame does.
        frame_times_ns = np.array([end] if end < end_ns else [], np.int64)
        gap_changes, _ = silence.step_silence(
            limit, SilenceState(last_ns=begin), frame_times_ns, joint=joint, now_ns=end
        )
        all_changes += [change for _, change in gap_changes]
    edges = np.array(gaps, np.int64).reshape(-1, 2)
    lengths = np.zeros(edges.shape)
    lengths[:, 1] = to_s(edges[:, 1] - edges[:, 0])
    return LimitMeasure(
        time_ns=edges.ravel(),
        values=lengths.ravel(),
        alerts=to_alert_arrays(to_state_changes(all_changes)),
    )
