"""Limits on the value of one channel: only the rows of seconds near a level are read.

The pyramid gives the lowest and the highest value of each second, and with them the seconds in
which a level may change its state; only their rows are read, and cached for the other limits on
that channel. Works in pieces of two hours, so that memory does not grow with the recording.
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
"""The cached rows of a piece are at most 7.2 M at 1 kHz: 115 MB of times and scores."""
_BLOCK_SECONDS: Final = 64
"""Seconds of rows that are read at a time, so that the small steps of a scan do not each go to the
store."""


class SecondExtremes:
    """The lowest and the highest value of a channel in each second that has a reading.

    `start_ns`, `low`, `high` have shape (m,), in order of time; seconds begin on whole seconds.
    """

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
    """Return the extremes of a channel in each second of a whole recording."""
    buckets = recording.read_buckets(
        joint,
        channel,
        recording.start_ns // BASE_NS * BASE_NS,
        -(-recording.end_ns // BASE_NS) * BASE_NS,
    )
    return SecondExtremes(buckets.start_ns, buckets.minimum, buckets.maximum)


class RowCache:
    """Times and values made from the rows of a span, read in blocks when needed and kept."""

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
        """Make an empty cache.

        Parameters
        ----------
        span_ns
            Rows outside of it are never read: a block at its ends is cut there.
        make
            What is kept of the rows of a block: times and values of shape (n,).
        max_blocks
            Blocks of 64 s that are kept, the newest; None: all.
        """
        self._recording = recording
        self._joint = joint
        self._channels = channels
        self._span_ns = span_ns
        self._make = make
        self._max_blocks = max_blocks
        self._blocks: dict[int, tuple[Ints, Floats]] = {}

    def read_between(self, begin_ns: int, end_ns: int) -> tuple[Ints, Floats]:
        """Return the times and values in [begin_ns, end_ns)."""
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
                # The oldest read goes: a scan runs forward in time.
                self._blocks.pop(next(iter(self._blocks)))
            width = _BLOCK_SECONDS * BASE_NS
            begin = max(block * width, self._span_ns[0])
            end = min((block + 1) * width, self._span_ns[1])
            batch = self._recording.read_readings(self._joint, begin, end, channels=self._channels)
            self._blocks[block] = self._make(Series(batch, self._recording.hold_ns(self._joint)))
        return self._blocks[block]


def raw_values(channel: str) -> Callable[[Series], tuple[Ints, Floats]]:
    """Return a `make` for `RowCache` that keeps the readings of a channel as they are."""

    def read_values(series: Series) -> tuple[Ints, Floats]:
        readings = series.channel_series(channel)
        return readings.time_ns, readings.values

    return read_values


def to_series(channel: str, time_ns: Ints, values: Floats, *, hold_ns: int) -> Series:
    """Return readings of one channel as the series that limits are evaluated on."""
    batch = ReadingBatch(
        joint="",
        time_ns=time_ns,
        position_segment=np.empty(0, np.int32),
        columns={channel: values},
    )
    return Series(batch, {channel: hold_ns})


def split_recorded_span(span: RecordedSpan) -> Iterator[tuple[int, int]]:
    """Return a recorded span in pieces, cut on a grid of two hours."""
    return time_chunks(span.start_ns, span.end_ns, _EVALUATION_PIECE_NS, on_grid=True)


def level_alerts(
    recording: Recording,
    joint: str,
    limits: Sequence[AnyJointLimit],
    *,
    report_progress: StoppableProgress = lambda _share: None,
) -> list[AlertArrays]:
    """Return the alerts of each `Level`, `Band` or `TouchTemperature`, in the order given.

    Equal to those of `full_evaluation.evaluate_rows`. `report_progress` is called with the share
    that is done, and may raise to end the work.
    """
    hold_ns = recording.hold_ns(joint)
    changes: list[list[StateChanges]] = [[] for _ in limits]
    states = [LevelState() for _ in limits]
    extremes: dict[str, SecondExtremes] = {}
    groups = group_by_score(enumerate(limits), hold_ns)
    whole_ns = max(recording.end_ns - recording.start_ns, 1)
    for groups_done, group in enumerate(groups):
        measure = group.representative
        assert isinstance(measure, Level | Band | TouchTemperature), (
            "the caller passes no other kind"
        )
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
                # An alert stays active over a stop of the recorder; a running delay does not.
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
    """Evaluate the limits of one group over a piece, and update `states` and `changes`."""
    if len(buckets.low) == 0:
        return
    # Most levels of a sweep are far from the trace: two comparisons settle them for the piece.
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
    """Return low, high, max_low and min_high of `ScoreBuckets` for each second, shape (m,).

    The score of a plain level is the value itself, so both extremes of a second are exact. Of a
    magnitude the highest is exact; the lowest is so only where the second stays on one side of 0:

        value     low           0                  high
             ------|------------+-------------------|------
        |value| of `low` is a reading's, so the lowest magnitude is at most that (max_low here);
        readings may have crossed 0 between the two, so that it is at least 0 (low here).

    A falling level has the value with its sign turned as its score, which exchanges the bounds.
    """
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
    """Return the bounds of `_score_bounds` for a band, whose scores are 1, 0 and -1.

    1 is on (outside the outer levels), -1 off (within the inner ones), 0 between the two.

    Parameters
    ----------
    span
        Bounds of all values (or magnitudes) of each second.
    certain
        Two values that readings of the second certainly had.
    """
    # Only pick-up 1 and drop-off -1 are ever compared with these bounds. So max_low is written as
    # -1 for "not all readings are on" though the lowest may be 0, and min_high likewise as 1.
    (bottom, top), (lower, upper) = measure.compared_outside, measure.compared_inside
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
