"""Thermal images of many limits from one read: what each second adds to any of them.

What the current of a second adds to an image at its end is a power series in 1 / tau, whose
coefficients (moments of the squared current over the time that is left) do not depend on the limit.
Summed up over the seconds they give every image at the end of each, to about twelve digits, and
bounds of it within. Only where these come near a level are rows read, and taken by the live code
from the image before them. An image that is closer to a level than the digits reach is unsure: its
limit is taken over every reading instead.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, TypeGuard

import numpy as np
from numpy.typing import NDArray

from logger.limits.hysteresis import LevelState
from logger.limits.thermal import Thermal, ThermalMemory, measure_thermal
from logger.store.pyramid.seconds import BASE_NS
from replay.evaluation.alert_arrays import Alerts, Flips, Heard, Heed, alerts_of, heard_of
from replay.evaluation.level_alerts import Rows, series_of, values_of
from replay.evaluation.score_groups import thresholds
from replay.evaluation.skip_scan import Course, walk
from replay.recording import Recording

__all__ = ["by_moments", "summed"]

_TERMS: Final = 8
_SHORT: Final = 0.1
"""Of a time constant, a second's held time may be at most: the series is exact to 1e-13."""
_SURE: Final = 2e-11
"""Relative distance from a level at which an image is sure: both ways of working it out round, and
over hours at 1 kHz they came to lie 7e-13 apart at the most."""
_MOST_TIMES: Final = 900.0
"""Of the basic current; less than where the live code cuts off."""
_CHUNK_NS: Final = 120 * BASE_NS
_LONG: Final = 16.0

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class _UnsureError(Exception):
    """An image lies too near to a level; never seen outside of this file."""


def summed(limit: object) -> TypeGuard[Thermal]:
    """Return whether a limit is one that this is for."""
    return isinstance(limit, Thermal) and limit.cooling_s is None and limit.most_degC is None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Moments:
    """m blocks of readings, each within one second, in order of time; at least one reading each."""

    first_ns: Ints
    last_ns: Ints
    held_s: Floats
    """Time that the image moved from the last reading of the block before to that of this one."""
    last: Floats
    """The value of the last reading."""
    most: Floats
    """The largest magnitude in the block."""
    sums: Floats
    """Shape (_TERMS, m): integral of value^2 * u^k / k! over the held time, u before its end."""


def by_moments(
    recording: Recording,
    joint: str,
    limits: Sequence[Thermal],
    *,
    heed: Heed = lambda _share: None,
) -> list[Alerts | None]:
    """Return the alerts of thermal limits (`summed`), as `full.in_full` does; None: unsure.

    `heed` is called with the share that is done, and may raise to end it.
    """
    turns = heard_of(recording.events(), recording.start_ns, recording.end_ns)
    found: list[Alerts | None] = [None] * len(limits)
    channels = list(dict.fromkeys(limit.channel for limit in limits))
    for order, channel in enumerate(channels):
        hold_ns = recording.hold_ns(joint)[channel]
        known = []
        for heard in turns:
            known.append(_moments(recording, joint, channel, heard, hold_ns=hold_ns))
            share = (heard.end_ns - recording.start_ns) / (recording.end_ns - recording.start_ns)
            heed((order + 0.5 * share) / len(channels))

        span_ns = (recording.start_ns, recording.end_ns)
        rows = Rows(recording, joint, [channel], span_ns, values_of(channel), most=_BLOCKS)
        mine = [place for place, limit in enumerate(limits) if limit.channel == channel]
        for index, place in enumerate(mine):
            heed((order + 0.5 + 0.5 * index / len(mine)) / len(channels))
            try:
                changes = _taken(limits[place], turns, known, rows, joint=joint, hold_ns=hold_ns)
            except _UnsureError:
                continue
            found[place] = alerts_of(changes)
    return found


_BLOCKS: Final = 128


def _moments(
    recording: Recording, joint: str, channel: str, heard: Heard, *, hold_ns: int
) -> _Moments:
    """Return the moments of a channel over a stretch that somebody listened to."""
    parts: list[_Moments] = []
    before: tuple[int, float] | None = None
    at = heard.start_ns
    while at < heard.end_ns:
        until = min((at // _CHUNK_NS + 1) * _CHUNK_NS, heard.end_ns)
        batch = recording.readings(joint, at, until, channels=[channel])
        time_ns, value = batch.series(channel)
        if len(value):
            parts.append(_of_chunk(time_ns, value, before or (int(time_ns[0]), 0.0), hold_ns))
            before = (int(time_ns[-1]), float(value[-1]))
        at = until
    return _Moments(
        first_ns=np.concatenate([one.first_ns for one in parts] or [np.empty(0, np.int64)]),
        last_ns=np.concatenate([one.last_ns for one in parts] or [np.empty(0, np.int64)]),
        held_s=np.concatenate([one.held_s for one in parts] or [np.empty(0)]),
        last=np.concatenate([one.last for one in parts] or [np.empty(0)]),
        most=np.concatenate([one.most for one in parts] or [np.empty(0)]),
        sums=np.concatenate([one.sums for one in parts] or [np.empty((_TERMS, 0))], axis=1),
    )


def _of_chunk(time_ns: Ints, value: Floats, before: tuple[int, float], hold_ns: int) -> _Moments:
    second = time_ns // BASE_NS
    first = np.flatnonzero(np.diff(second, prepend=second[0] - 1))
    last = np.append(first[1:], len(value)) - 1
    span = np.minimum(np.diff(time_ns, prepend=before[0]), hold_ns) * 1e-9
    power = np.concatenate(([before[1]], value[:-1])) ** 2
    held = np.add.reduceat(span, first)
    # Time from each reading to the last of its block, within the block only: it is exact enough.
    run = np.cumsum(span)
    left = np.repeat(run[last], last - first + 1) - run
    np.maximum(left, 0.0, out=left)
    upper = left + span
    high, low = upper.copy(), left.copy()
    sums = np.empty((_TERMS, len(first)))
    factorial = 1.0
    for term in range(_TERMS):
        factorial *= term + 1
        sums[term] = np.add.reduceat(power * (high - low), first) / factorial
        if term + 1 < _TERMS:
            high *= upper
            low *= left
    return _Moments(
        first_ns=time_ns[first],
        last_ns=time_ns[last],
        held_s=held,
        last=value[last],
        most=np.maximum.reduceat(np.abs(value), first),
        sums=sums,
    )


def _taken(
    limit: Thermal,
    turns: Sequence[Heard],
    known: Sequence[_Moments],
    rows: Rows,
    *,
    joint: str,
    hold_ns: int,
) -> list[Flips]:
    """Return what one limit raises over all stretches.

    Raises
    ------
    _UnsureError
        An image lies too near to a level, or moves too fast for the series.
    """
    pick_up, drop_off = thresholds(limit, {limit.channel: hold_ns})
    changes: list[Flips] = []
    state, memory = LevelState(), ThermalMemory()
    for heard, moments in zip(turns, known, strict=True):
        if heard is not turns[0]:
            memory = memory.cooled(limit, heard.start_ns)
            state = LevelState(active=state.active, peak=state.peak)
        if len(moments.last) == 0:
            continue
        levels = _levels(limit, moments, memory.level)
        course = _course(
            limit, moments, levels, rows, start=memory, hold_ns=hold_ns, near=(pick_up, drop_off)
        )
        found, state = walk(limit, state, course, pick_up=pick_up, drop_off=drop_off, joint=joint)
        changes += found
        memory = _memory(limit, moments, levels, len(moments.last) - 1)
    return changes


def _levels(limit: Thermal, moments: _Moments, level: float) -> Floats:
    """Return the image at the last reading of each block."""
    tau = limit.heating_s
    span = moments.held_s / tau
    assert limit.basic is not None, "`of` has seen to it"
    # The live code cuts off what is no current any more; a series does not.
    if float(span.max()) > _SHORT or float(moments.most.max()) > _MOST_TIMES * limit.basic:
        raise _UnsureError
    factor = (-1.0 / tau) ** np.arange(_TERMS) / tau
    added = _scale(limit) * (factor @ moments.sums)
    found = np.empty(len(span))
    begin, n = 0, len(span)
    while begin < n:
        grown = np.cumsum(span[begin : begin + 65_536])
        stop = max(int(np.searchsorted(grown, _LONG)), 1)
        grown = np.exp(grown[:stop])
        found[begin : begin + stop] = (
            level + np.cumsum(added[begin : begin + stop] * grown)
        ) / grown
        begin += stop
        level = float(found[begin - 1])
    return found


def _scale(limit: Thermal) -> float:
    assert limit.basic is not None, "`of` has seen to it"
    return 1.0 / (limit.k * limit.basic) ** 2


def _memory(limit: Thermal, moments: _Moments, levels: Floats, block: int) -> ThermalMemory:
    """Return what the live code would remember behind a block."""
    assert limit.basic is not None, "`of` has seen to it"
    size = abs(float(moments.last[block])) / limit.basic
    return ThermalMemory(
        last_ns=int(moments.last_ns[block]),
        heating=(size / limit.k) ** 2,
        resting=False,
        block_level=float(levels[block]),
    )


def _course(
    limit: Thermal,
    moments: _Moments,
    levels: Floats,
    rows: Rows,
    *,
    start: ThermalMemory,
    hold_ns: int,
    near: tuple[float, float],
) -> Course:
    before = np.concatenate(([start.level], levels[:-1]))
    tau = limit.heating_s
    fallen = before * np.exp(-moments.held_s / tau)
    risen = before + _scale(limit) * moments.sums[0] / tau

    def scores(first: int, stop: int) -> tuple[Ints, Floats]:
        time_ns, value = rows.between(
            int(moments.first_ns[first]), int(moments.last_ns[stop - 1]) + 1
        )
        memory = _memory(limit, moments, levels, first - 1) if first else start
        found, _ = measure_thermal(
            limit, memory, series_of(limit.channel, time_ns, value, hold_ns=hold_ns)
        )
        for level in near:
            if bool((np.abs(found.score - level) <= _SURE * level).any()):
                raise _UnsureError
        return found.time_ns, found.score

    return Course(
        start_ns=moments.first_ns,
        end_ns=moments.last_ns + 1,
        low=fallen * (1.0 - _SURE),
        high=risen * (1.0 + _SURE),
        low_had=levels * (1.0 + _SURE),
        high_had=levels * (1.0 - _SURE),
        hold_ns=hold_ns,
        scores=scores,
    )
