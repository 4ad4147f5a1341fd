"""Thermal images of many limits from one read: what each second adds to any of them.

What the current of a second adds to an image at its end is a power series in 1 / tau, whose
coefficients (moments of the squared current over the time that is left) do not depend on the limit.
Summed up over the seconds they give every image at the end of each, to about twelve digits, and
bounds of it within. Only where these come near a level are rows read, and taken by the live code
from the image before them. An image that is closer to a level than the digits reach is unsure: its
limit is taken over every reading instead.

What it buys over reading everything: 12 times for 50 limits over an hour of one joint at 1 kHz.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, TypeGuard

import numpy as np

from logger.arrays import Floats, Ints, to_s
from logger.limits.hysteresis import LevelState
from logger.limits.kinds.thermal import Thermal, ThermalMemory, measure_thermal
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
from replay.evaluation.level_alerts import RowCache, raw_values, to_series
from replay.evaluation.score_groups import limit_thresholds
from replay.evaluation.skip_scan import ScoreBuckets, skip_scan
from replay.recording import Recording

__all__ = ["supports_moments", "thermal_alerts"]

_SERIES_TERMS: Final = 8
_MAX_HELD_SHARE: Final = 0.1
"""Of a time constant, a second's held time may be at most: the series is exact to 1e-13."""
_ROUNDING_MARGIN: Final = 2e-11
"""Relative distance from a level at which an image is sure: both ways of working it out round, and
over hours at 1 kHz they came to lie 7e-13 apart at the most."""
_MAX_CURRENT_MULTIPLE: Final = 900.0
"""Of the basic current; less than where the live code cuts off."""
_MOMENTS_CHUNK_NS: Final = 120 * BASE_NS
_MAX_EXPONENT: Final = 16.0


class _UndecidedError(Exception):
    """An image lies too near to a level; never seen outside of this file."""


def supports_moments(limit: object) -> TypeGuard[Thermal]:
    """Return whether a limit is one that this is for."""
    return isinstance(limit, Thermal) and limit.cooling_s is None and limit.most_degC is None


@dataclass(frozen=True, slots=True, kw_only=True)
class _BlockMoments:
    """m blocks of readings, each within one second, in order of time; at least one reading each."""

    first_ns: Ints
    last_ns: Ints
    held_s: Floats
    """Time that the image moved from the last reading of the block before to that of this one."""
    last: Floats
    """The value of the last reading."""
    largest: Floats
    """The largest magnitude in the block."""
    sums: Floats
    """Shape (_TERMS, m): integral of value^2 * u^k / k! over the held time, u before its end."""


def thermal_alerts(
    recording: Recording,
    joint: str,
    limits: Sequence[Thermal],
    *,
    report_progress: StoppableProgress = lambda _share: None,
) -> list[AlertArrays | None]:
    """Return the alerts of thermal limits (`supports_moments`), as `full.in_full` does; None:
    unsure.

    `report_progress` is called with the share that is done, and may raise to end it.
    """
    spans = recorded_spans(recording.read_events(), recording.start_ns, recording.end_ns)
    results: list[AlertArrays | None] = [None] * len(limits)
    channels = list(dict.fromkeys(limit.channel for limit in limits))
    for order, channel in enumerate(channels):
        hold_ns = recording.hold_ns(joint)[channel]
        moments = []
        for span in spans:
            moments.append(_block_moments(recording, joint, channel, span, hold_ns=hold_ns))
            share = (span.end_ns - recording.start_ns) / (recording.end_ns - recording.start_ns)
            report_progress((order + 0.5 * share) / len(channels))

        span_ns = (recording.start_ns, recording.end_ns)
        rows = RowCache(
            recording, joint, [channel], span_ns, raw_values(channel), max_blocks=_MAX_CACHED_BLOCKS
        )
        of_channel = [
            limit_index for limit_index, limit in enumerate(limits) if limit.channel == channel
        ]
        for index, limit_index in enumerate(of_channel):
            report_progress((order + 0.5 + 0.5 * index / len(of_channel)) / len(channels))
            try:
                changes = _evaluate_thermal(
                    limits[limit_index], spans, moments, rows, joint=joint, hold_ns=hold_ns
                )
            except _UndecidedError:
                continue
            results[limit_index] = to_alert_arrays(changes)
    return results


_MAX_CACHED_BLOCKS: Final = 128


def _block_moments(
    recording: Recording, joint: str, channel: str, span: RecordedSpan, *, hold_ns: int
) -> _BlockMoments:
    """Return the moments of a channel over a stretch that somebody listened to."""
    chunks: list[_BlockMoments] = []
    last_reading: tuple[int, float] | None = None
    for chunk_start_ns, chunk_end_ns in time_chunks(
        span.start_ns, span.end_ns, _MOMENTS_CHUNK_NS, on_grid=True
    ):
        batch = recording.read_readings(joint, chunk_start_ns, chunk_end_ns, channels=[channel])
        time_ns, value = batch.channel_series(channel)
        if len(value):
            chunks.append(
                _moments_of_chunk(time_ns, value, last_reading or (int(time_ns[0]), 0.0), hold_ns)
            )
            last_reading = (int(time_ns[-1]), float(value[-1]))
    return _BlockMoments(
        first_ns=np.concatenate([chunk.first_ns for chunk in chunks] or [np.empty(0, np.int64)]),
        last_ns=np.concatenate([chunk.last_ns for chunk in chunks] or [np.empty(0, np.int64)]),
        held_s=np.concatenate([chunk.held_s for chunk in chunks] or [np.empty(0)]),
        last=np.concatenate([chunk.last for chunk in chunks] or [np.empty(0)]),
        largest=np.concatenate([chunk.largest for chunk in chunks] or [np.empty(0)]),
        sums=np.concatenate(
            [chunk.sums for chunk in chunks] or [np.empty((_SERIES_TERMS, 0))], axis=1
        ),
    )


def _moments_of_chunk(
    time_ns: Ints, value: Floats, last_reading: tuple[int, float], hold_ns: int
) -> _BlockMoments:
    second = time_ns // BASE_NS
    first_rows = np.flatnonzero(np.diff(second, prepend=second[0] - 1))
    last_rows = np.append(first_rows[1:], len(value)) - 1
    span = to_s(np.minimum(np.diff(time_ns, prepend=last_reading[0]), hold_ns))
    power = np.concatenate(([last_reading[1]], value[:-1])) ** 2
    held_s = np.add.reduceat(span, first_rows)
    # Time from each reading to the last of its block, within the block only: it is exact enough.
    run = np.cumsum(span)
    time_left = np.repeat(run[last_rows], last_rows - first_rows + 1) - run
    np.maximum(time_left, 0.0, out=time_left)
    upper = time_left + span
    high, low = upper.copy(), time_left.copy()
    sums = np.empty((_SERIES_TERMS, len(first_rows)))
    factorial = 1.0
    for term in range(_SERIES_TERMS):
        factorial *= term + 1
        sums[term] = np.add.reduceat(power * (high - low), first_rows) / factorial
        if term + 1 < _SERIES_TERMS:
            high *= upper
            low *= time_left
    return _BlockMoments(
        first_ns=time_ns[first_rows],
        last_ns=time_ns[last_rows],
        held_s=held_s,
        last=value[last_rows],
        largest=np.maximum.reduceat(np.abs(value), first_rows),
        sums=sums,
    )


def _evaluate_thermal(
    limit: Thermal,
    spans: Sequence[RecordedSpan],
    moments_by_span: Sequence[_BlockMoments],
    rows: RowCache,
    *,
    joint: str,
    hold_ns: int,
) -> list[StateChanges]:
    """Return what one limit raises over all stretches.

    Raises
    ------
    _UnsureError
        An image lies too near to a level, or moves too fast for the series.
    """
    pick_up, drop_off = limit_thresholds(limit, {limit.channel: hold_ns})
    changes: list[StateChanges] = []
    state, memory = LevelState(), ThermalMemory()
    for span, moments in zip(spans, moments_by_span, strict=True):
        if span is not spans[0]:
            memory = memory.cooled(limit, span.start_ns)
            state = LevelState(active=state.active, peak=state.peak)
        if len(moments.last) == 0:
            continue
        levels = _image_levels(limit, moments, memory.level)
        buckets = _image_buckets(
            limit,
            moments,
            levels,
            rows,
            start=memory,
            hold_ns=hold_ns,
            thresholds=(pick_up, drop_off),
        )
        new_changes, state = skip_scan(
            limit, state, buckets, pick_up=pick_up, drop_off=drop_off, joint=joint
        )
        changes += new_changes
        memory = _memory_after(limit, moments, levels, len(moments.last) - 1)
    return changes


def _image_levels(limit: Thermal, moments: _BlockMoments, level: float) -> Floats:
    """Return the image at the last reading of each block."""
    tau = limit.heating_s
    span = moments.held_s / tau
    assert limit.basic is not None, "`of` has seen to it"
    # The live code cuts off what is no current any more; a series does not.
    if (
        float(span.max()) > _MAX_HELD_SHARE
        or float(moments.largest.max()) > _MAX_CURRENT_MULTIPLE * limit.basic
    ):
        raise _UndecidedError
    factor = (-1.0 / tau) ** np.arange(_SERIES_TERMS) / tau
    added = _heating_scale(limit) * (factor @ moments.sums)
    levels = np.empty(len(span))
    begin, n = 0, len(span)
    while begin < n:
        growth = np.cumsum(span[begin : begin + 65_536])
        stop = max(int(np.searchsorted(growth, _MAX_EXPONENT)), 1)
        growth = np.exp(growth[:stop])
        levels[begin : begin + stop] = (
            level + np.cumsum(added[begin : begin + stop] * growth)
        ) / growth
        begin += stop
        level = float(levels[begin - 1])
    return levels


def _heating_scale(limit: Thermal) -> float:
    assert limit.basic is not None, "`of` has seen to it"
    return 1.0 / (limit.k * limit.basic) ** 2


def _memory_after(
    limit: Thermal, moments: _BlockMoments, levels: Floats, block: int
) -> ThermalMemory:
    """Return what the live code would remember behind a block."""
    assert limit.basic is not None, "`of` has seen to it"
    size = abs(float(moments.last[block])) / limit.basic
    return ThermalMemory(
        last_ns=int(moments.last_ns[block]),
        heating=(size / limit.k) ** 2,
        resting=False,
        block_level=float(levels[block]),
    )


def _image_buckets(
    limit: Thermal,
    moments: _BlockMoments,
    levels: Floats,
    rows: RowCache,
    *,
    start: ThermalMemory,
    hold_ns: int,
    thresholds: tuple[float, float],
) -> ScoreBuckets:
    levels_before = np.concatenate(([start.level], levels[:-1]))
    tau = limit.heating_s
    fallen = levels_before * np.exp(-moments.held_s / tau)
    risen = levels_before + _heating_scale(limit) * moments.sums[0] / tau

    def scores(first: int, stop: int) -> tuple[Ints, Floats]:
        time_ns, value = rows.read_between(
            int(moments.first_ns[first]), int(moments.last_ns[stop - 1]) + 1
        )
        memory = _memory_after(limit, moments, levels, first - 1) if first else start
        scores_read, _ = measure_thermal(
            limit, memory, to_series(limit.channel, time_ns, value, hold_ns=hold_ns)
        )
        for level in thresholds:
            if bool((np.abs(scores_read.score - level) <= _ROUNDING_MARGIN * level).any()):
                raise _UndecidedError
        return scores_read.time_ns, scores_read.score

    return ScoreBuckets(
        start_ns=moments.first_ns,
        end_ns=moments.last_ns + 1,
        low=fallen * (1.0 - _ROUNDING_MARGIN),
        high=risen * (1.0 + _ROUNDING_MARGIN),
        max_low=levels * (1.0 + _ROUNDING_MARGIN),
        min_high=levels * (1.0 - _ROUNDING_MARGIN),
        hold_ns=hold_ns,
        read_scores=scores,
    )
