"""Inverse-time limits that reset at once, over rows in which they operate again and again. Pure.

What such a limit gains in a run above its setting s is the difference of two values of a running
sum. Of curves that are a power of the current (B and C) it is made of two sums that all limits
share; of the others it is a sum for each limit, the rate looked up by the value. So a limit costs a
few passes over the rows to find its runs, and a search by halves in each run that operates.

    held time    T(k) = sum of min(t_i - t_i-1, hold),                       i = 1 .. k
    held power   P(k) = sum of min(t_i - t_i-1, hold) * m_i-1 ** alpha
    gain from a to k:  ((P(k) - P(a)) / s ** alpha - (T(k) - T(a))) / (k_s * TMS)

Differences of long sums are rounded. Where that might decide at which reading a limit operates, the
run is evaluated reading by reading, by the code that runs live.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Floats, Ints
from logger.limits.curves import CURVES, inverse_operate_s
from logger.limits.kinds.inverse_time import InverseMemory, InverseTime, measure_inverse_time
from replay.evaluation.level_alerts import to_series

__all__ = ["InverseRun", "RowStretch", "advance_run", "restore_memory", "runs_are_all"]

ReadRows = Callable[[int, int], tuple[Ints, Floats]]
"""Returns the times and values in [begin_ns, end_ns)."""

_FULL: Final = 1.0 - 1e-9
"""As in logger/limits/kinds/inverse_time.py."""
_EPS: Final = float(np.finfo(np.float64).eps)
_LEAST_MARGIN: Final = 1e-11


def runs_are_all(limit: InverseTime) -> bool:
    """Return whether a limit depends on its runs alone: it resets at once and has no delay."""
    return limit.reset == "instant" and not (limit.on_delay_s or limit.off_delay_s)


@dataclass(slots=True)
class InverseRun:
    """The state of one limit between two stretches of rows."""

    active: bool = False
    memory: InverseMemory = field(default_factory=InverseMemory)
    """Its integral is rounded while there is an `anchor`."""
    is_full: bool = False
    """Whether the limit has operated in the run that goes on."""
    margin: float = 0.0
    """By how much the integral may be rounded."""
    anchor: tuple[int, InverseMemory] | None = None
    """A time at or before the begin of the run that goes on, and the exact memory before it."""

    @classmethod
    def from_exact(cls, memory: InverseMemory, *, active: bool) -> "InverseRun":
        """Return the state that the code that runs live has reached."""
        return cls(active=active, memory=memory, is_full=memory.integral >= _FULL)


class RowStretch:
    """n >= 1 readings of one channel, and what all limits on it share."""

    def __init__(self, time_ns: Ints, values: Floats, *, hold_ns: int) -> None:
        self.time_ns = time_ns
        self.values = values
        self.hold_ns = hold_ns
        self.size = np.abs(values)
        self.largest = float(self.size.max())
        self.span_s = np.minimum(np.diff(time_ns), hold_ns) * 1e-9
        """How long each reading but the last is held, shape (n - 1,)."""
        self._held_powers: dict[float, Floats] = {}

    def held_power(self, alpha: float) -> Floats:
        """Return P of the module's text, shape (n,); T for an alpha of 0."""
        if alpha not in self._held_powers:
            power = self.size[:-1] ** alpha
            self._held_powers[alpha] = np.append(0.0, np.cumsum(self.span_s * power))
        return self._held_powers[alpha]

    @cached_property
    def distinct(self) -> tuple[Floats, NDArray[np.intp]]:
        """The different magnitudes, and which of them each reading but the last has."""
        return np.unique(self.size[:-1], return_inverse=True)


def advance_run(
    limit: InverseTime, run: InverseRun, rows: RowStretch, read_rows: ReadRows
) -> tuple[Ints, Ints]:
    """Return when a limit is raised and when it returns over a stretch, and update its run.

    Parameters
    ----------
    limit
        `runs_are_all` must hold for it.
    read_rows
        Gives rows before the stretch again, from the run's anchor on.
    """
    assert limit.setting is not None, "`in_channel_unit` has seen to it"
    n = len(rows.size)
    stretch = _find_runs(limit, run, rows)
    operated, number = _find_operations(limit, run, stretch, rows, read_rows)

    # Each operation lasts until the first reading that is gone, after its run at the earliest.
    since, gone_from = operated, np.maximum(operated + 1, stretch.stops[number])
    if run.active:
        # The alert that stands; where its run goes on no reading of that is gone.
        goes_on = stretch.is_carried and run.is_full
        since = np.append(-1, since)
        gone_from = np.append(stretch.stops[0] if goes_on else 0, gone_from)
    gone = _first_gone(rows.size, gone_from, _greatest_size(limit.setting, limit.gone_until))
    # Before the alert has returned, an operation only prolongs it.
    is_apart = gone[:-1] < since[1:]
    is_raise = np.append([not run.active], is_apart)[: len(since)]
    is_return = np.append(is_apart, [True])[: len(since)] & (gone < n)
    raised_ns, returned_ns = rows.time_ns[since[is_raise]], rows.time_ns[gone[is_return]]
    _leave_stretch(limit, run, stretch, rows, operated_last=len(stretch.begins) - 1 in number)
    run.active = bool(len(gone)) and int(gone[-1]) >= n
    return raised_ns, returned_ns


def restore_memory(
    limit: InverseTime, run: InverseRun, read_rows: ReadRows, *, end_ns: int, hold_ns: int
) -> None:
    """Make the memory of a run exact again; `end_ns`: after its newest reading."""
    if run.anchor is not None:
        begin_ns, memory = run.anchor
        _, run.memory = _measure(limit, memory, *read_rows(begin_ns, end_ns), hold_ns=hold_ns)
        run.anchor, run.margin = None, 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Runs:
    """The m runs above the setting of one limit in a stretch, in order; all of shape (m,)."""

    begins: NDArray[np.intp]
    stops: NDArray[np.intp]
    """The first reading below; n where the run goes on after the stretch."""
    base: Floats
    """The integral at the first reading."""
    is_carried: bool
    """Whether the first run goes on from before the stretch."""
    gain: Callable[[NDArray[np.intp]], Floats]
    """What is gained from the first reading of the stretch to some others, were all above."""
    margin: float
    """By how much a difference of gains may be rounded."""

    def integral(self, number: NDArray[np.intp], reading: NDArray[np.intp]) -> Floats:
        """Return the integral of some runs, each at one reading."""
        return self.base[number] + self.gain(reading) - self.gain(self.begins[number])


def _find_runs(limit: InverseTime, run: InverseRun, rows: RowStretch) -> _Runs:
    assert limit.setting is not None, "`in_channel_unit` has seen to it"
    is_above = rows.size >= _least_size(limit.setting, limit.counts_from)
    edges = np.flatnonzero(is_above[1:] != is_above[:-1]) + 1
    if is_above[0]:
        edges = np.append(0, edges)
    begins, stops = edges[::2], np.append(edges[1::2], [len(is_above)] * (len(edges) % 2))
    base = np.zeros(len(begins))
    is_carried = run.memory.multiple >= limit.counts_from
    if is_carried:
        if not is_above[0]:
            # The run that goes on ends with the first reading.
            begins, stops, base = (
                np.append(0, begins), np.append(0, stops), np.append(0.0, base),
            )  # fmt: skip
        base[0] = _integral_at_first(limit, run.memory, rows)
    gain, margin = _gain_function(limit, rows)
    return _Runs(
        begins=begins.astype(np.intp),
        stops=stops.astype(np.intp),
        base=base,
        is_carried=is_carried,
        gain=gain,
        margin=margin + run.margin,
    )


def _integral_at_first(limit: InverseTime, memory: InverseMemory, rows: RowStretch) -> float:
    if memory.last_ns is None:
        return memory.integral
    span_s = min(int(rows.time_ns[0]) - memory.last_ns, rows.hold_ns) * 1e-9
    return min(memory.integral + span_s * float(_rate(limit, np.array(memory.multiple))), 1.0)


def _rate(limit: InverseTime, multiple: Floats) -> Floats:
    """Return the rate of the integral above the setting, in 1/s."""
    return 1.0 / inverse_operate_s(
        CURVES[limit.curve], multiple, tms=limit.tms, flat_above=limit.flat_above
    )


def _gain_function(
    limit: InverseTime, rows: RowStretch
) -> tuple[Callable[[NDArray[np.intp]], Floats], float]:
    """Return `_Runs.gain` and `_Runs.margin`."""
    assert limit.setting is not None, "`in_channel_unit` has seen to it"
    curve, setting, n = CURVES[limit.curve], limit.setting, len(rows.size)
    if (
        curve.c_s == 0.0
        and curve.alpha in {1.0, 2.0}
        and rows.largest <= limit.flat_above * setting
    ):
        power, held = rows.held_power(curve.alpha), rows.held_power(0.0)
        of_power = 1.0 / (setting**curve.alpha * curve.k_s * limit.tms)
        of_time = 1.0 / (curve.k_s * limit.tms)
        margin = 4 * n * _EPS * float(power[-1] * of_power + held[-1] * of_time)

        def power_gain(reading: NDArray[np.intp]) -> Floats:
            gained: Floats = power[reading] * of_power - held[reading] * of_time
            return gained

        return power_gain, margin + _LEAST_MARGIN
    distinct, which = rows.distinct
    rate = np.where(
        distinct >= _least_size(setting, limit.counts_from), _rate(limit, distinct / setting), 0.0
    )
    gains = np.append(0.0, np.cumsum(rows.span_s * rate[which]))

    def looked_up_gain(reading: NDArray[np.intp]) -> Floats:
        gained: Floats = gains[reading]
        return gained

    return looked_up_gain, 4 * n * _EPS * float(gains[-1]) + _LEAST_MARGIN


def _find_operations(
    limit: InverseTime, run: InverseRun, runs: _Runs, rows: RowStretch, read_rows: ReadRows
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return at which readings runs operate, and which runs; in order."""
    n = len(rows.size)
    last = np.minimum(runs.stops, n - 1)
    reaches = runs.integral(np.arange(len(last)), last) >= _FULL - runs.margin
    if runs.is_carried and run.is_full:
        reaches[0] = False
    number = np.flatnonzero(reaches)
    # By halves: the integral of a run only rises.
    low, high = runs.begins[number].copy(), last[number].copy()
    while (low < high).any():
        middle = (low + high) // 2
        is_full = runs.integral(number, middle) >= _FULL
        high = np.where(is_full, middle, high)
        low = np.where(is_full, low, np.minimum(middle + 1, high))
    before = np.maximum(high - 1, runs.begins[number])
    is_decided = (runs.integral(number, high) >= _FULL + runs.margin) & (
        (high == before) | (runs.integral(number, before) < _FULL - runs.margin)
    )
    for index in np.flatnonzero(~is_decided).tolist():
        begin, stop = int(runs.begins[number[index]]), int(last[number[index]]) + 1
        carried = run if runs.is_carried and number[index] == 0 else None
        high[index] = _operates_exactly_at(
            limit, rows, begin=begin, stop=stop, carried=carried, read_rows=read_rows
        )
    return high[high < n], number[high < n]


def _operates_exactly_at(
    limit: InverseTime,
    rows: RowStretch,
    *,
    begin: int,
    stop: int,
    carried: InverseRun | None,
    read_rows: ReadRows,
) -> int:
    """Return the reading of [begin, stop) at which a run operates, n or more for none.

    `carried`: the run, where it goes on from before the stretch.
    """
    time_ns, values = rows.time_ns[begin:stop], rows.values[begin:stop]
    memory, earlier = InverseMemory(), 0
    if carried is not None and carried.anchor is None:
        memory = carried.memory
    elif carried is not None and carried.anchor is not None:
        since_ns, memory = carried.anchor
        before_ns, before = read_rows(since_ns, int(rows.time_ns[0]))
        earlier = len(before_ns)
        time_ns, values = np.append(before_ns, time_ns), np.append(before, values)
    score, _ = _measure(limit, memory, time_ns, values, hold_ns=rows.hold_ns)
    full = np.flatnonzero(score[earlier:] == 1.0)
    return begin + int(full[0]) if len(full) else len(rows.size)


def _first_gone(size: Floats, begin: NDArray[np.intp], most: float) -> NDArray[np.intp]:
    """Return the first reading from each of some on that is at most so large; n for none."""
    n = len(size)
    found = np.minimum(begin, n)
    is_beyond = found < n
    is_beyond[is_beyond] = size[found[is_beyond]] > most
    if is_beyond.any():
        gone = np.flatnonzero(size <= most)
        place = np.searchsorted(gone, found[is_beyond])
        found[is_beyond] = np.append(gone, n)[place]
    return found


def _leave_stretch(
    limit: InverseTime, run: InverseRun, runs: _Runs, rows: RowStretch, *, operated_last: bool
) -> None:
    """Update all of a run but whether its alert is active."""
    assert limit.setting is not None, "`in_channel_unit` has seen to it"
    n, count = len(rows.size), len(runs.begins)
    goes_on = count > 0 and int(runs.stops[-1]) == n
    newest = InverseMemory(
        last_ns=int(rows.time_ns[-1]), multiple=float(rows.size[-1]) / limit.setting
    )
    if not goes_on:
        run.memory, run.is_full, run.anchor, run.margin = newest, False, None, 0.0
        return
    is_same = runs.is_carried and count == 1
    if not is_same:
        run.anchor = int(rows.time_ns[runs.begins[-1]]), InverseMemory()
    elif run.anchor is None:
        run.anchor = int(rows.time_ns[0]), run.memory
    run.is_full = operated_last or (is_same and run.is_full)
    at = np.array([count - 1]), np.array([n - 1])
    integral = 1.0 if run.is_full else min(max(float(runs.integral(*at)[0]), 0.0), 1.0)
    run.memory = InverseMemory(last_ns=newest.last_ns, multiple=newest.multiple, integral=integral)
    run.margin = runs.margin


def _measure(
    limit: InverseTime, memory: InverseMemory, time_ns: Ints, values: Floats, *, hold_ns: int
) -> tuple[Floats, InverseMemory]:
    """Return the scores and the memory that the code that runs live gives."""
    series = to_series(limit.channel, time_ns, values, hold_ns=hold_ns)
    scores, after = measure_inverse_time(limit, memory, series)
    return scores.score, after


def _least_size(setting: float, multiple: float) -> float:
    """Return the least magnitude that, over the setting, is at least a multiple of it."""
    size = multiple * setting
    while size / setting >= multiple:
        size = float(np.nextafter(size, 0.0))
    while size / setting < multiple:
        size = float(np.nextafter(size, np.inf))
    return size


def _greatest_size(setting: float, multiple: float) -> float:
    """Return the greatest magnitude that, over the setting, is at most a multiple of it."""
    size = multiple * setting
    while size / setting <= multiple:
        size = float(np.nextafter(size, np.inf))
    while size / setting > multiple:
        size = float(np.nextafter(size, 0.0))
    return size
