"""One piece of a sweep: limits on one joint of one recording, by the shortest exact way.

A task is plain data and its result are arrays, so that any executor can take it: this process,
other processes, other machines that see the same folders or addresses. It depends on nothing else.
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
from replay.evaluation.thermal_alerts import supports_moments, thermal_alerts
from replay.recording import Recording

__all__ = [
    "StoppedError",
    "Task",
    "evaluate_limits",
    "run_task",
    "split_tasks",
    "worked_unless_stopped",
]

_LEVEL_KINDS = (Level, RatedLevel, Band, TouchTemperature)
_MIN_LEVELS_PER_PART: Final = 1000
"""Levels in a part at least."""
_MIN_IMAGES_BY_MOMENTS: Final = 4
"""So many thermal images cost less by their moments than one by one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """Some limits, to be taken over one joint of one recording."""

    recording: Location
    joint: str
    limits: tuple[AnyJointLimit, ...]
    indices: tuple[int, ...]
    """What whoever asked calls each of them."""
    weight: float
    """How much work it is, about; to tell what is left."""


def split_tasks(
    recording: Location, joint: str, limits: Sequence[AnyJointLimit], *, rows: int, slices: int
) -> list[Task]:
    """Return the tasks that take limits over a joint; each is called by its place.

    `slices`: into how many about equal parts the work on one joint is cut.
    """
    levels = [index for index, limit in enumerate(limits) if isinstance(limit, _LEVEL_KINDS)]
    groups: dict[str, list[int]] = {}
    for index, limit in enumerate(limits):
        if not isinstance(limit, _LEVEL_KINDS):
            # What is costly about silences and images is done once for all of them.
            done_together = limit.watches_gaps or supports_moments(limit)
            key = limit.kind_name() if done_together else score_key(limit)
            groups.setdefault(key, []).append(index)
    level_parts = [
        levels[first::count]
        for count in [_part_count(len(levels), slices)]
        for first in range(count)
    ]
    # Like beside like, dealt out: hard ones and easy ones come into each part.
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
    """Return into how many parts levels are cut: few of them cost no more than one does."""
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
    """Raised by `heed` to end a task; never seen outside of tuning."""


def worked_unless_stopped(task: Task, heed: StoppableProgress) -> list[AlertArrays] | None:
    """Return the alerts of each limit of a task; None: `heed` ended it with a StoppedError."""
    try:
        return run_task(task, heed)
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

    One at a share of a rated value that the joint does not have raises nothing.
    """
    rated = recording.bench.joint_named(joint).rated
    results: dict[int, AlertArrays] = {}
    remaining: dict[int, AnyJointLimit] = {}
    for index, limit in enumerate(limits):
        converted = in_channel_unit(limit, rated)
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
        index: one
        for index, one in remaining.items()
        if isinstance(one, Level | Band | TouchTemperature)
    }
    if levels:
        store_alerts(
            [*levels],
            level_alerts(recording, joint, [*levels.values()], report_progress=report_progress),
        )
    curves = {index: one for index, one in remaining.items() if resets_instantly(one)}
    if curves:
        store_alerts(
            [*curves],
            inverse_time_alerts(
                recording, joint, [*curves.values()], report_progress=report_progress
            ),
        )
    images = {index: one for index, one in remaining.items() if supports_moments(one)}
    if len(group_by_score(images.items(), recording.hold_ns(joint))) >= _MIN_IMAGES_BY_MOMENTS:
        store_alerts(
            [*images],
            thermal_alerts(recording, joint, [*images.values()], report_progress=report_progress),
        )
    frozen = {index: one for index, one in remaining.items() if isinstance(one, Stuck)}
    if frozen:
        may = may_freeze(recording, joint, [*frozen.values()])
        store_alerts([*frozen], [None if one else _no_alerts() for one in may])
    if remaining:
        store_alerts(
            [*remaining],
            evaluate_rows(recording, joint, [*remaining.values()], report_progress=report_progress),
        )
    return [results[index] for index in range(len(limits))]


def _no_alerts() -> AlertArrays:
    nothing = np.empty(0, np.int64)
    return AlertArrays(onset_ns=nothing, raised_ns=nothing, returned_ns=nothing)
