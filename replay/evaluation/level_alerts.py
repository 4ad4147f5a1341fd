"""Levels on one channel by the pyramid: only the rows near a level are read.

The lowest and the highest value of each second say in which of them a level can change anything;
the rows of these are read, and cached while several limits want them. In pieces of some hours, so
that memory does not grow with the recording.
"""

from collections.abc import Callable, Iterator, Sequence
from typing import Final

import numpy as np

from logger.arrays import Floats, Ints
from logger.joint.batch import ReadingBatch
from logger.limits.evaluate import compute_scores
from logger.limits.hysteresis import LevelState
from logger.limits.kinds.band import Band
from logger.limits.kinds.level import Level
from logger.limits.kinds.touch import TouchTemperature
from logger.limits.limit import AnyJointLimit
from logger.limits.series import Series
from logger.store.pyramid.seconds import BASE_NS
from logger.time_chunks import time_chunks
from replay.evaluation.alert_arrays import (
    AlertArrays,
    RecordedSpan,
    StateChanges,
    StoppableProgress,
    recorded_spans,
    to_alert_arrays,
)
from replay.evaluation.score_groups import Threshold, group_by_score
from replay.evaluation.skip_scan import ScoreBuckets, skip_scan
from replay.recording import Recording

__all__ = [
    "RowCache",
    "SecondExtremes",
    "level_alerts",
    "raw_values",
    "read_second_extremes",
    "split_recorded_span",
    "to_series",
]

_EVALUATION_PIECE_NS: Final = 7200 * BASE_NS
_BLOCK_SECONDS: Final = 64
"""Seconds of rows that are read at a time."""


class SecondExtremes:
    """The lowest and highest value of a channel in each second of a span that has any."""

    def __init__(self, start_ns: Ints, low: Floats, high: Floats) -> None:
        self.start_ns = start_ns
        self.low = low
        self.high = high

    def within(self, start_ns: int, end_ns: int) -> "SecondExtremes":
        """Return those that touch [start_ns, end_ns)."""
        first, stop = np.searchsorted(self.start_ns, [start_ns - BASE_NS + 1, end_ns])
        rows = slice(int(first), int(stop))
        return SecondExtremes(self.start_ns[rows], self.low[rows], self.high[rows])


def read_second_extremes(recording: Recording, joint: str, channel: str) -> SecondExtremes:
    """Return a channel's seconds over a whole recording."""
    buckets = recording.read_buckets(
        joint,
        channel,
        recording.start_ns // BASE_NS * BASE_NS,
        -(-recording.end_ns // BASE_NS) * BASE_NS,
    )
    return SecondExtremes(buckets.start_ns, buckets.minimum, buckets.maximum)


class RowCache:
    """What is made of a channel's rows in a span, read where it is asked for and kept.

    `most`: blocks of 64 s that are kept; None: all.
    """

    def __init__(
        self,
        recording: Recording,
        joint: str,
        channels: Sequence[str],
        span_ns: tuple[int, int],
        make: Callable[[Series], tuple[Ints, Floats]],
        *,
        max_blocks: int | None = None,
    ) -> None:
        self._recording = recording
        self._joint = joint
        self._channels = channels
        self._span_ns = span_ns
        self._make = make
        self._max_blocks = max_blocks
        self._blocks: dict[int, tuple[Ints, Floats]] = {}

    def read_between(self, begin_ns: int, end_ns: int) -> tuple[Ints, Floats]:
        """Return times and scores in [begin_ns, end_ns)."""
        width = _BLOCK_SECONDS * BASE_NS
        blocks = [
            self._read_block(block) for block in range(begin_ns // width, (end_ns - 1) // width + 1)
        ]
        cut = []
        for time_ns, score in blocks:
            first, stop = np.searchsorted(time_ns, [begin_ns, end_ns])
            cut.append((time_ns[first:stop], score[first:stop]))
        if len(cut) == 1:
            return cut[0]
        return np.concatenate([array for array, _ in cut]), np.concatenate(
            [array for _, array in cut]
        )

    def _read_block(self, block: int) -> tuple[Ints, Floats]:
        if block not in self._blocks:
            if self._max_blocks is not None and len(self._blocks) >= self._max_blocks:
                # The one that was read first goes.
                self._blocks.pop(next(iter(self._blocks)))
            width = _BLOCK_SECONDS * BASE_NS
            begin = max(block * width, self._span_ns[0])
            end = min((block + 1) * width, self._span_ns[1])
            batch = self._recording.read_readings(self._joint, begin, end, channels=self._channels)
            self._blocks[block] = self._make(Series(batch, self._recording.hold_ns(self._joint)))
        return self._blocks[block]


def raw_values(channel: str) -> Callable[[Series], tuple[Ints, Floats]]:
    """Return what `RowCache` makes of a channel to give its readings as they are."""

    def read_values(series: Series) -> tuple[Ints, Floats]:
        readings = series.channel_series(channel)
        return readings.time_ns, readings.values

    return read_values


def to_series(channel: str, time_ns: Ints, values: Floats, *, hold_ns: int) -> Series:
    """Return such readings as a limit takes them."""
    batch = ReadingBatch(
        joint="",
        time_ns=time_ns,
        position_segment=np.empty(0, np.int32),
        columns={channel: values},
    )
    return Series(batch, {channel: hold_ns})


def split_recorded_span(span: RecordedSpan) -> Iterator[tuple[int, int]]:
    """Return the spans in which a stretch of a recording is looked at, on a grid of some hours."""
    return time_chunks(span.start_ns, span.end_ns, _EVALUATION_PIECE_NS, on_grid=True)


def level_alerts(
    recording: Recording,
    joint: str,
    limits: Sequence[AnyJointLimit],
    *,
    report_progress: StoppableProgress = lambda _share: None,
) -> list[AlertArrays]:
    """Return the alerts of levels (`Level`, `Band`, `TouchTemperature`), as `full.in_full` does.

    `report_progress` is called with the share that is done, and may raise to end it.
    """
    hold_ns = recording.hold_ns(joint)
    changes: list[list[StateChanges]] = [[] for _ in limits]
    states = [LevelState() for _ in limits]
    extremes: dict[str, SecondExtremes] = {}
    groups = group_by_score(enumerate(limits), hold_ns)
    whole_ns = max(recording.end_ns - recording.start_ns, 1)
    for groups_done, group in enumerate(groups):
        measure = group.representative
        assert isinstance(measure, Level | Band | TouchTemperature), "what the caller has seen to"
        channel = measure.channel
        if channel not in extremes:
            extremes[channel] = read_second_extremes(recording, joint, channel)

        def make_scores(
            series: Series, measure: Level | Band | TouchTemperature = measure
        ) -> tuple[Ints, Floats]:
            scores, _ = compute_scores(measure, None, series)
            return scores.time_ns, scores.score

        for span in recorded_spans(recording.read_events(), recording.start_ns, recording.end_ns):
            for threshold in group.thresholds:
                previous = states[threshold.index]
                # What was running where the recorder ended begins anew.
                states[threshold.index] = LevelState(active=previous.active, peak=previous.peak)
            for span_ns in split_recorded_span(span):
                report_progress(
                    (groups_done + (span_ns[0] - recording.start_ns) / whole_ns) / len(groups)
                )
                seconds = extremes[channel].within(*span_ns)
                rows = RowCache(recording, joint, [channel], span_ns, make_scores)
                buckets = _level_buckets(measure, seconds, rows, span_ns, hold_ns[channel])
                _evaluate_group(buckets, group.thresholds, states, changes, joint)
    return [to_alert_arrays(limit_changes) for limit_changes in changes]


def _evaluate_group(
    buckets: ScoreBuckets,
    thresholds: Sequence[Threshold],
    states: list[LevelState],
    changes: list[list[StateChanges]],
    joint: str,
) -> None:
    """Take the limits of one group over a piece."""
    if len(buckets.low) == 0:
        return
    lowest, highest = float(buckets.low.min()), float(buckets.high.max())
    for threshold in thresholds:
        state = states[threshold.index]
        if state.pending_ns is None:
            out_of_reach = (
                lowest > threshold.drop_off if state.active else highest < threshold.pick_up
            )
            if out_of_reach:
                continue
        new_changes, states[threshold.index] = skip_scan(
            threshold.limit,
            state,
            buckets,
            pick_up=threshold.pick_up,
            drop_off=threshold.drop_off,
            joint=joint,
        )
        changes[threshold.index] += new_changes


def _level_buckets(
    measure: Level | Band | TouchTemperature,
    seconds: SecondExtremes,
    rows: RowCache,
    span_ns: tuple[int, int],
    hold_ns: int,
) -> ScoreBuckets:
    starts = np.maximum(seconds.start_ns, span_ns[0])
    ends = np.minimum(seconds.start_ns + BASE_NS, span_ns[1])
    low, high, max_low, min_high = _score_bounds(measure, seconds)

    def read_scores(first: int, stop: int) -> tuple[Ints, Floats]:
        return rows.read_between(int(starts[first]), int(ends[stop - 1]))

    return ScoreBuckets(
        start_ns=starts,
        end_ns=ends,
        low=low,
        high=high,
        max_low=max_low,
        min_high=min_high,
        hold_ns=hold_ns,
        read_scores=read_scores,
    )


def _score_bounds(
    measure: Level | Band | TouchTemperature, seconds: SecondExtremes
) -> tuple[Floats, ...]:
    """Return low, high, low_had and high_had of `ScoreBuckets` for each second."""
    low, high = seconds.low, seconds.high
    max_low, min_high = low, high
    if not isinstance(measure, TouchTemperature) and measure.magnitude:
        sizes = np.abs(low), np.abs(high)
        max_low, min_high = np.minimum(*sizes), np.maximum(*sizes)
        low, high = np.where((low <= 0) & (high >= 0), 0.0, max_low), min_high
    if isinstance(measure, Band):
        return _band_score_bounds(measure, (low, high), (max_low, min_high))
    if isinstance(measure, Level) and not measure.rising:
        return -high, -low, -min_high, -max_low
    return low, high, max_low, min_high


def _band_score_bounds(
    measure: Band, span: tuple[Floats, Floats], certain: tuple[Floats, Floats]
) -> tuple[Floats, ...]:
    """Return the same for two levels, where a score is on (1), off (-1) or between (0)."""
    (bottom, top), (lower, upper) = measure.outside, measure.clears_within
    on = [(bound <= bottom) | (bound >= top) for bound in certain]
    off = [
        (bound >= lower) & (bound <= upper) & ~is_on
        for bound, is_on in zip(certain, on, strict=True)
    ]
    some_on = (span[0] <= bottom) | (span[1] >= top)
    some_off = (span[1] >= lower) & (span[0] <= upper)
    return (
        np.where(some_off, -1.0, np.where(on[0] & on[1], 1.0, 0.0)),
        np.where(some_on, 1.0, np.where(off[0] & off[1], -1.0, 0.0)),
        np.where(on[0] & on[1], 1.0, -1.0),
        np.where(off[0] & off[1], -1.0, 1.0),
    )
