"""Inverse-time limits that reset at once, over the runs whose integral may reach operation.

Below its setting the integral of such a limit is 0, so that each run above it is on its own. The
largest current of each second bounds what the integral gains in it; where the sum of these bounds
over a whole run stays below 1, the limit cannot operate in it and its rows are not read. While an
alert is active or an integral is running nothing is skipped.

What it buys over reading everything, of one joint at 1 kHz: 69 times for one limit that does not
operate in six hours, as the Limits page asks. Of 20 limits that operate in every cycle of three
hours the rows at once take an eighth of the time of the steps from second to second.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final, TypeGuard

import numpy as np
from numpy.typing import NDArray

from logger.limits.curves import CURVES, inverse_operate_s
from logger.limits.hysteresis import LevelState
from logger.limits.kinds.inverse_time import InverseMemory, InverseTime, measure_inverse_time
from logger.store.pyramid.seconds import BASE_NS
from logger.time_chunks import time_chunks
from replay.evaluation.alert_arrays import (
    AlertArrays,
    StateChanges,
    StoppableProgress,
    recorded_spans,
    to_alert_arrays,
)
from replay.evaluation.candidate_buckets import max_run_weight
from replay.evaluation.inverse_time_runs import (
    InverseRun,
    RowStretch,
    advance_run,
    restore_memory,
    runs_are_all,
)
from replay.evaluation.level_alerts import (
    RowCache,
    SecondExtremes,
    raw_values,
    read_second_extremes,
    split_recorded_span,
    to_series,
)
from replay.evaluation.skip_scan import find_state_changes
from replay.recording import Recording

__all__ = ["inverse_time_alerts", "resets_instantly"]

_FULL_INTEGRAL: Final = 1.0 - 1e-6
"""The integral operates at 1. Its bound is a sum of rounded terms, which may come out too low."""
_FIRST_STRIDE: Final = 8
"""Seconds that are read at once where a run may operate; then twice as many each time."""
_MAX_STRIDE: Final = 512
"""Bounds the rows in memory: at 1 kHz half a million."""
_BUSY_SHARE: Final = 0.1
_BUSY_STRETCH_NS: Final = 256 * BASE_NS
"""Rows that are looked at at once: at 1 kHz 2 MB of each array, which a processor keeps near."""


def resets_instantly(limit: object) -> TypeGuard[InverseTime]:
    """Return whether the integral of a limit is 0 as soon as the current is below its setting."""
    return isinstance(limit, InverseTime) and limit.reset == "instant"


@dataclass(slots=True)
class _InverseTimeRun:
    """One limit while it is evaluated over a recording."""

    limit: InverseTime
    state: LevelState = field(default_factory=LevelState)
    memory: InverseMemory = field(default_factory=InverseMemory)
    state_changes: list[StateChanges] = field(default_factory=list)

    @property
    def is_idle(self) -> bool:
        """Whether no alert, delay or integral is running: the past makes no difference any more."""
        return (
            not self.state.active
            and self.state.pending_ns is None
            and self.memory.integral == 0.0
            and self.memory.multiple < self.limit.counts_from
        )


def inverse_time_alerts(
    recording: Recording,
    joint: str,
    limits: Sequence[InverseTime],
    *,
    report_progress: StoppableProgress = lambda _share: None,
) -> list[AlertArrays]:
    """Return the alerts of each inverse-time limit, in the order given.

    Equal to those of `full_evaluation.evaluate_rows`.

    Parameters
    ----------
    limits
        `resets_instantly` must hold for each.
    report_progress
        Is called with the share that is done, and may raise to end the work.
    """
    runs = [_InverseTimeRun(limit) for limit in limits]
    whole_ns = max(recording.end_ns - recording.start_ns, 1)
    by_channel: dict[str, list[_InverseTimeRun]] = {}
    for run in runs:
        by_channel.setdefault(run.limit.channel, []).append(run)
    for channels_done, (channel, channel_runs) in enumerate(by_channel.items()):
        extremes = read_second_extremes(recording, joint, channel)
        hold_ns = recording.hold_ns(joint)[channel]

        for span in recorded_spans(recording.read_events(), recording.start_ns, recording.end_ns):
            for run in channel_runs:
                # As the live code does where a recorder resumes: an alert stays active, a running
                # delay and the integral do not.
                run.state = LevelState(active=run.state.active, peak=run.state.peak)
                run.memory = InverseMemory()
            for span_ns in split_recorded_span(span):
                share = (span_ns[0] - recording.start_ns) / whole_ns
                rows = RowCache(recording, joint, [channel], span_ns, raw_values(channel))
                seconds = extremes.within(*span_ns)
                busy_runs = []
                for index, run in enumerate(channel_runs):
                    if index % 16 == 0:
                        report_progress((channels_done + share) / len(by_channel))
                    if runs_are_all(run.limit) and _is_busy(run.limit, seconds):
                        busy_runs.append(run)
                    else:
                        _evaluate_piece(run, seconds, rows, span_ns, joint=joint, hold_ns=hold_ns)
                _evaluate_busy(busy_runs, rows, span_ns, hold_ns=hold_ns)
    return [to_alert_arrays(run.state_changes) for run in runs]


def _is_busy(limit: InverseTime, seconds: SecondExtremes) -> bool:
    """Return whether a limit may operate in so many seconds that all rows are looked at at once."""
    return len(_seconds_to_check(limit, seconds)) >= _BUSY_SHARE * len(seconds.start_ns) > 0


def _evaluate_busy(
    runs: Sequence[_InverseTimeRun], rows: RowCache, span_ns: tuple[int, int], *, hold_ns: int
) -> None:
    """Evaluate limits over all rows of a piece, and update their runs."""
    if not runs:
        return
    reached = [InverseRun.from_exact(run.memory, active=run.state.active) for run in runs]
    for begin_ns, end_ns in time_chunks(*span_ns, _BUSY_STRETCH_NS):
        time_ns, values = rows.read_between(begin_ns, end_ns)
        if len(time_ns) == 0:
            continue
        stretch = RowStretch(time_ns, values, hold_ns=hold_ns)
        for run, state in zip(runs, reached, strict=True):
            was_active = state.active
            raised_ns, returned_ns = advance_run(run.limit, state, stretch, rows.read_between)
            changes_ns = np.empty(len(raised_ns) + len(returned_ns), np.int64)
            changes_ns[int(was_active) :: 2], changes_ns[int(not was_active) :: 2] = (
                raised_ns,
                returned_ns,
            )
            if len(changes_ns):
                run.state_changes.append(
                    StateChanges(raised=not was_active, onset_ns=changes_ns, time_ns=changes_ns)
                )
    for run, state in zip(runs, reached, strict=True):
        restore_memory(run.limit, state, rows.read_between, end_ns=span_ns[1], hold_ns=hold_ns)
        run.memory = state.memory
        # A peak is not reported here; that of an alert which stands has to be some value.
        peak = run.state.peak if run.state.peak is not None else 0.0
        run.state = LevelState(active=state.active, peak=peak if state.active else None)


def _evaluate_piece(
    run: _InverseTimeRun,
    seconds: SecondExtremes,
    rows: RowCache,
    span_ns: tuple[int, int],
    *,
    joint: str,
    hold_ns: int,
) -> None:
    """Evaluate one limit over a piece, and update its run.

    Parameters
    ----------
    span_ns
        Begin and end of the piece; `seconds` may reach over both.
    """
    count = len(seconds.start_ns)
    candidates: NDArray[np.intp] | None = None
    second, stride = 0, _FIRST_STRIDE
    while second < count:
        if run.is_idle:
            if candidates is None:
                candidates = _seconds_to_check(run.limit, seconds)
            nearest = int(np.searchsorted(candidates, second))
            if nearest == len(candidates):
                return
            stride = _FIRST_STRIDE if candidates[nearest] > second else stride
            second = int(candidates[nearest])
            run.memory = InverseMemory()
        stop = min(second + stride, count)
        begin = max(int(seconds.start_ns[second]), span_ns[0])
        end = min(int(seconds.start_ns[stop - 1]) + BASE_NS, span_ns[1])
        time_ns, value = rows.read_between(begin, end)
        series = to_series(run.limit.channel, time_ns, value, hold_ns=hold_ns)
        scores, run.memory = measure_inverse_time(run.limit, run.memory, series)
        changes, run.state = find_state_changes(run.limit, run.state, scores, joint=joint)
        run.state_changes += changes
        second, stride = stop, min(2 * stride, _MAX_STRIDE)


def _seconds_to_check(limit: InverseTime, seconds: SecondExtremes) -> NDArray[np.intp]:
    """Return the indices of the seconds that belong to a run which may operate.

    In a second whose largest current would operate the limit in T seconds, the integral gains at
    most 1 / T.
    """
    assert limit.setting is not None, "`in_channel_unit` has seen to it"
    sizes = np.abs(seconds.low) / limit.setting, np.abs(seconds.high) / limit.setting
    largest, smallest = np.maximum(*sizes), np.minimum(*sizes)
    counts_from = limit.counts_from
    may_run = largest >= counts_from
    weight = np.zeros(len(largest))
    # The pyramid counts a value that is held over the end of a second in the next one too, so that
    # what it gains there is within that second's weight.
    weight[may_run] = 1.0 / inverse_operate_s(
        CURVES[limit.curve], largest[may_run], tms=limit.tms, flat_above=limit.flat_above
    )
    return np.flatnonzero(
        may_run & (max_run_weight(may_run, smallest >= counts_from, weight) >= _FULL_INTEGRAL)
    )
