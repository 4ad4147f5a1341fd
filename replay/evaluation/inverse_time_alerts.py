"""Inverse-time limits that reset at once, over the stretches whose integral may get full.

Below its setting such a limit has forgotten everything, so each run above it stands by itself. From
the highest current of each second follows at most how far a run can get; the rows of a run that
cannot operate need not be read. While an alert stands or an integral runs nothing is left out.

What it buys over reading everything, of one joint at 1 kHz: 69 times for one limit that does not
operate in six hours, as the Limits page asks; 2.9 and 4.7 times for 50 and 200 limits over an hour
in which they operate 7 and 1,306 times.
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
from replay.evaluation.alert_arrays import (
    AlertArrays,
    StateChanges,
    StoppableProgress,
    recorded_spans,
    to_alert_arrays,
)
from replay.evaluation.candidate_buckets import max_run_weight
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
"""A bound that is rounded must not fall short of the integral that it bounds."""
_FIRST_STRIDE: Final = 8
_MAX_STRIDE: Final = 512


def resets_instantly(limit: object) -> TypeGuard[InverseTime]:
    """Return whether a limit is one that this is for."""
    return isinstance(limit, InverseTime) and limit.reset == "instant"


@dataclass(slots=True)
class _InverseTimeRun:
    """One limit while it is taken over a recording."""

    limit: InverseTime
    state: LevelState = field(default_factory=LevelState)
    memory: InverseMemory = field(default_factory=InverseMemory)
    state_changes: list[StateChanges] = field(default_factory=list)

    @property
    def is_idle(self) -> bool:
        """Nothing runs and nothing stands: what comes next does not depend on what was."""
        return (
            not self.state.active
            and self.state.pending_ns is None
            and self.memory.integral == 0.0
            and self.memory.multiple <= self.limit.from_multiple
        )


def inverse_time_alerts(
    recording: Recording,
    joint: str,
    limits: Sequence[InverseTime],
    *,
    report_progress: StoppableProgress = lambda _share: None,
) -> list[AlertArrays]:
    """Return the alerts of inverse-time limits (`resets_instantly`), as `full.in_full` does.

    `report_progress` is called with the share that is done, and may raise to end it.
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
                # What `evaluate.gone_on` leaves: an alert that stands, and nothing that runs.
                run.state = LevelState(active=run.state.active, peak=run.state.peak)
                run.memory = InverseMemory()
            for span_ns in split_recorded_span(span):
                share = (span_ns[0] - recording.start_ns) / whole_ns
                rows = RowCache(recording, joint, [channel], span_ns, raw_values(channel))
                seconds = extremes.within(*span_ns)
                for index, run in enumerate(channel_runs):
                    if index % 16 == 0:
                        report_progress((channels_done + share) / len(by_channel))
                    _evaluate_piece(run, seconds, rows, span_ns, joint=joint, hold_ns=hold_ns)
    return [to_alert_arrays(run.state_changes) for run in runs]


def _evaluate_piece(
    run: _InverseTimeRun,
    seconds: SecondExtremes,
    rows: RowCache,
    span_ns: tuple[int, int],
    *,
    joint: str,
    hold_ns: int,
) -> None:
    """Take one limit over a piece."""
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
    """Return the seconds that a run which may operate goes through."""
    assert limit.setting is not None, "`of` has seen to it"
    sizes = np.abs(seconds.low) / limit.setting, np.abs(seconds.high) / limit.setting
    largest, smallest = np.maximum(*sizes), np.minimum(*sizes)
    may_run = largest > limit.from_multiple
    weight = np.zeros(len(largest))
    # A value that is held over a second's end counts in the next one as well, with its own share.
    weight[may_run] = 1.0 / inverse_operate_s(
        CURVES[limit.curve], largest[may_run], tms=limit.tms, flat_above=limit.flat_above
    )
    return np.flatnonzero(
        may_run
        & (max_run_weight(may_run, smallest > limit.from_multiple, weight) >= _FULL_INTEGRAL)
    )
