"""Limits of one joint over every reading of a recording: any number of them in one read.

Readings are evaluated by logger/limits, the code that runs live. Rows, gaps and time without a
recorder count as in replay/excursions/over_rows.py.
"""

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import to_ns
from logger.limits.evaluate import LimitMemory, compute_scores, initial_memory
from logger.limits.hysteresis import LevelState
from logger.limits.kinds import silence
from logger.limits.kinds.silence import Silence, SilenceState
from logger.limits.limit import AnyJointLimit
from logger.limits.limit_change import LimitChange
from logger.limits.series import Series
from logger.time_chunks import time_chunks
from replay.evaluation.alert_arrays import (
    AlertArrays,
    StateChanges,
    StoppableProgress,
    recorded_spans,
    to_alert_arrays,
    to_state_changes,
)
from replay.evaluation.score_groups import ScoreGroup, group_by_score
from replay.evaluation.skip_scan import find_state_changes, skip_scan, to_score_buckets
from replay.recording import Recording

__all__ = ["evaluate_rows"]

ROWS_CHUNK_NS: Final = 300 * 1_000_000_000
"""Rows that are in memory at a time: 300,000 at 1 kHz."""


def evaluate_rows(
    recording: Recording,
    joint: str,
    limits: Sequence[AnyJointLimit],
    *,
    chunk_ns: int = ROWS_CHUNK_NS,
    report_progress: StoppableProgress = lambda _share: None,
) -> list[AlertArrays]:
    """Return the alerts of each limit, in the order given.

    Parameters
    ----------
    limits
        With their levels in the unit of the channel (`in_channel_unit`).
    chunk_ns
        Time that is read at once; any gives the same alerts.
    report_progress
        Is called with the share that is done, and may raise to end the work.
    """
    hold_ns = recording.hold_ns(joint)
    spans = recorded_spans(
        recording.read_events(),
        recording.start_ns,
        recording.end_ns,
        standstills_of=recording.bench.bus_of_joint(joint),
    )
    restarts = [span for span in spans[1:] if span.is_restart]
    groups = [
        _ScoreGroupRun(group, joint)
        for group in group_by_score(enumerate(limits), hold_ns, apart=bool(restarts))
    ]
    silences = [
        _SilenceRun(index, limit, joint, start_ns=recording.start_ns)
        for index, limit in enumerate(limits)
        if isinstance(limit, Silence)
    ]
    min_gap_ns = min((run.after_ns for run in silences), default=0)
    channels = sorted(
        {channel for group in groups for _, channel in group.group.representative.needed_channels}
    )
    for span in spans:
        if span is not spans[0]:
            for group in groups if span.is_restart else ():
                group.restart(span.start_ns)
            for run in silences:
                run.restart(span.start_ns)
        for chunk_start_ns, chunk_end_ns in time_chunks(span.start_ns, span.end_ns, chunk_ns):
            report_progress(
                (chunk_start_ns - recording.start_ns) / (recording.end_ns - recording.start_ns)
            )
            batch = recording.read_readings(joint, chunk_start_ns, chunk_end_ns, channels=channels)
            series = Series(batch, hold_ns)
            for group in groups:
                group.feed(series)
            _feed_silences(
                silences,
                batch.time_ns,
                min(chunk_end_ns, span.recorded_until_ns),
                min_gap_ns=min_gap_ns,
            )
    changes_by_limit = {run.index: to_state_changes(run.changes) for run in silences}
    for group in groups:
        changes_by_limit.update(group.state_changes)
    return [to_alert_arrays(changes_by_limit[index]) for index in range(len(limits))]


class _ScoreGroupRun:
    """Limits with the same scores while they are evaluated over a recording."""

    def __init__(self, group: ScoreGroup, joint: str) -> None:
        self.group = group
        self.joint = joint
        self.memory: LimitMemory | None = initial_memory(group.representative)
        self.states = [LevelState() for _ in group.thresholds]
        self.state_changes: dict[int, list[StateChanges]] = {
            threshold.index: [] for threshold in group.thresholds
        }

    def feed(self, series: Series) -> None:
        scores, self.memory = compute_scores(self.group.representative, self.memory, series)
        if len(scores.score) == 0:
            return
        if len(self.group.thresholds) == 1:
            (threshold,) = self.group.thresholds
            changes, self.states[0] = find_state_changes(
                threshold.limit, self.states[0], scores, joint=self.joint
            )
            self.state_changes[threshold.index] += changes
            return
        buckets = to_score_buckets(scores)
        for index, threshold in enumerate(self.group.thresholds):
            changes, self.states[index] = skip_scan(
                threshold.limit,
                self.states[index],
                buckets,
                pick_up=threshold.pick_up,
                drop_off=threshold.drop_off,
                joint=self.joint,
            )
            self.state_changes[threshold.index] += changes

    def restart(self, time_ns: int) -> None:
        """Do what the live code does where a recorder resumes, for limits that share a memory."""
        # A memory that depends on the alert is shared with no other limit (`group_by_score`).
        first = self.states[0]
        standing = first.peak if first.active else None
        self.memory = self.group.representative.memory_after_restart(self.memory, standing, time_ns)
        self.states = [
            LevelState(active=True, peak=state.peak) if state.active else LevelState()
            for state in self.states
        ]


class _SilenceRun:
    """A limit on silence while it is evaluated over a recording."""

    def __init__(self, index: int, limit: Silence, joint: str, *, start_ns: int) -> None:
        self.index = index
        self.limit = limit
        self.joint = joint
        self.state = SilenceState(last_ns=start_ns)
        self.changes: list[LimitChange] = []

    @property
    def after_ns(self) -> int:
        return to_ns(self.limit.after_s)

    def feed(self, before_ns: int, time_ns: NDArray[np.int64], now_ns: int) -> None:
        """Evaluate rows at `time_ns`, the previous row at `before_ns`, until `now_ns`."""
        state = SilenceState(last_ns=before_ns, active=self.state.active)
        changes, self.state = silence.step_silence(
            self.limit, state, time_ns, joint=self.joint, now_ns=now_ns
        )
        self.changes += [change for _, change in changes]

    def restart(self, time_ns: int) -> None:
        if not self.state.active:
            self.state = SilenceState(last_ns=time_ns)


def _feed_silences(
    silences: Sequence[_SilenceRun], time_ns: NDArray[np.int64], now_ns: int, *, min_gap_ns: int
) -> None:
    """Evaluate all silences over the rows of a chunk.

    A row changes a silence only where the gap before it is at least the shortest `after_s` of all
    (`min_gap_ns`), or where it is the first; of all others only the newest time is remembered.
    """
    if not silences:
        return
    nothing = np.empty(0, np.int64)
    long = np.flatnonzero(np.diff(time_ns) >= min_gap_ns) + 1
    for run in silences:
        if len(time_ns):
            run.feed(run.state.last_ns, time_ns[:1], int(time_ns[0]))
            for row in long.tolist():
                run.feed(int(time_ns[row - 1]), time_ns[row : row + 1], int(time_ns[row]))
            if len(time_ns) > 1:
                run.state = SilenceState(last_ns=int(time_ns[-1]), active=run.state.active)
        run.feed(run.state.last_ns, nothing, now_ns)
