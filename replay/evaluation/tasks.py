"""One piece of a sweep: limits on one joint of one recording, by the shortest exact way.

A task is plain data and its result is arrays, so that any executor can run it: this process,
other processes, other machines that see the same folders or addresses. It needs nothing else.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import chain
from typing import Final

import numpy as np

from logger.limits.evaluate import in_channel_unit
from logger.limits.kinds.band import Band
from logger.limits.kinds.level import Level, RatedLevel
from logger.limits.kinds.stuck import Stuck
from logger.limits.kinds.touch import TouchTemperature
from logger.limits.limit import AnyJointLimit
from logger.store.layout.remote import Location
from replay.evaluation.alert_arrays import AlertArrays, StoppableProgress
from replay.evaluation.full_evaluation import evaluate_rows
from replay.evaluation.inverse_time_alerts import inverse_time_alerts, resets_instantly
from replay.evaluation.level_alerts import level_alerts
from replay.evaluation.score_groups import group_by_score, score_key
from replay.evaluation.stuck_alerts import may_freeze
from replay.evaluation.thermal_alerts import thermal_alerts
from replay.evaluation.thermal_moments import supports_moments
from replay.recording import Recording

__all__ = [
    "StoppedError",
    "Task",
    "evaluate_limits",
    "run_task",
    "run_unless_stopped",
    "split_tasks",
]

_LEVEL_KINDS = (Level, RatedLevel, Band, TouchTemperature)
_MIN_LEVELS_PER_PART: Final = 1000
"""Fewest levels in a part: they share one read of the rows, so that smaller parts save nothing."""
_MIN_IMAGES_BY_MOMENTS: Final = 4
"""From so many images of different scores on, moments cost less than one evaluation for each."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """Some limits, to be evaluated on one joint of one recording."""

    recording: Location
    joint: str
    limits: tuple[AnyJointLimit, ...]
    indices: tuple[int, ...]
    """The caller's number of each limit."""
    weight: float
    """Roughly how much work it is, in no unit; for the share that is done of all tasks."""


def split_tasks(
    recording: Location, joint: str, limits: Sequence[AnyJointLimit], *, rows: int, slices: int
) -> list[Task]:
    """Return the tasks that evaluate limits on a joint.

    Parameters
    ----------
    limits
        Each is numbered by its index here (`Task.indices`).
    rows
        Readings of the joint, for the weights.
    slices
        Into how many parts of about the same work the joint is cut.
    """
    levels = [index for index, limit in enumerate(limits) if isinstance(limit, _LEVEL_KINDS)]
    groups: dict[str, list[int]] = {}
    for index, limit in enumerate(limits):
        if not isinstance(limit, _LEVEL_KINDS):
            # Gaps are found once for all silences, moments read once for all images: one group.
            done_together = limit.watches_gaps or supports_moments(limit)
            key = limit.kind_name() if done_together else score_key(limit)
            groups.setdefault(key, []).append(index)
    level_parts = [
        levels[first::count]
        for count in [_part_count(len(levels), slices)]
        for first in range(count)
    ]
    # Sorted by key and dealt out in turn, so that each part gets some of the costly kinds.
    sorted_groups = [groups[key] for key in sorted(groups)]
    other_parts = [[*chain.from_iterable(sorted_groups[first::slices])] for first in range(slices)]
    weights = [*((part, 0.01) for part in level_parts), *((part, 1.0) for part in other_parts)]
    return [
        Task(
            recording=recording,
            joint=joint,
            limits=tuple(limits[index] for index in indices),
            indices=tuple(indices),
            weight=float(rows + 1) * share * (len(indices) + 5),
        )
        for indices, share in weights
        if indices
    ]


def _part_count(levels: int, slices: int) -> int:
    """Return into how many parts levels are cut; see `_MIN_LEVELS_PER_PART`."""
    return max(min(slices, levels // _MIN_LEVELS_PER_PART), 1)


def run_task(
    task: Task, report_progress: StoppableProgress = lambda _share: None
) -> list[AlertArrays]:
    """Return the alerts of each limit of a task.

    Raises
    ------
    InputError
        The recording cannot be opened.
    """
    return evaluate_limits(
        Recording.open(task.recording), task.joint, task.limits, report_progress=report_progress
    )


class StoppedError(Exception):
    """Raised by `report_progress` to end a task; whoever ran the task catches it."""


def run_unless_stopped(task: Task, report_progress: StoppableProgress) -> list[AlertArrays] | None:
    """Return the alerts of each limit of a task; None where StoppedError ended it."""
    try:
        return run_task(task, report_progress)
    except StoppedError:
        return None


def evaluate_limits(
    recording: Recording,
    joint: str,
    limits: Sequence[AnyJointLimit],
    *,
    report_progress: StoppableProgress = lambda _share: None,
) -> list[AlertArrays]:
    """Return the alerts of each limit on one joint, in the order given.

    Each kind goes the shortest way that is exact for it; what no short way takes, or leaves
    undecided (None), is evaluated over every reading. A limit at a share of a rated value that the
    joint does not have raises nothing.
    """
    rated = recording.bench.joint_named(joint).rated
    results: dict[int, AlertArrays] = {}
    remaining: dict[int, AnyJointLimit] = {}
    for index, limit in enumerate(limits):
        converted = in_channel_unit(
            limit, rated, recording.count_grids(joint), recording.heat_model(joint)
        )
        if converted is None:
            results[index] = _no_alerts()
        else:
            remaining[index] = converted

    def store_alerts(indices: list[int], alerts: Iterable[AlertArrays | None]) -> None:
        for index, limit_alerts in zip(indices, alerts, strict=True):
            if limit_alerts is not None:
                results[index] = limit_alerts
                del remaining[index]

    levels = {
        index: limit
        for index, limit in remaining.items()
        if isinstance(limit, Level | Band | TouchTemperature)
    }
    if levels:
        store_alerts(
            [*levels],
            level_alerts(recording, joint, [*levels.values()], report_progress=report_progress),
        )
    curves = {index: limit for index, limit in remaining.items() if resets_instantly(limit)}
    if curves:
        store_alerts(
            [*curves],
            inverse_time_alerts(
                recording, joint, [*curves.values()], report_progress=report_progress
            ),
        )
    images = {index: limit for index, limit in remaining.items() if supports_moments(limit)}
    if len(group_by_score(images.items(), recording.hold_ns(joint))) >= _MIN_IMAGES_BY_MOMENTS:
        store_alerts(
            [*images],
            thermal_alerts(recording, joint, [*images.values()], report_progress=report_progress),
        )
    frozen = {index: limit for index, limit in remaining.items() if isinstance(limit, Stuck)}
    if frozen:
        may_be_raised = may_freeze(recording, joint, [*frozen.values()])
        store_alerts([*frozen], [None if may else _no_alerts() for may in may_be_raised])
    if remaining:
        store_alerts(
            [*remaining],
            evaluate_rows(recording, joint, [*remaining.values()], report_progress=report_progress),
        )
    return [results[index] for index in range(len(limits))]


def _no_alerts() -> AlertArrays:
    nothing = np.empty(0, np.int64)
    return AlertArrays(onset_ns=nothing, raised_ns=nothing, returned_ns=nothing)
