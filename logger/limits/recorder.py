"""What the recorder watches about itself: its buses, frames that were lost, a disk that fills up.

The same kind of change as a joint's limits give, with no joint. Takes the state in and gives it
back. What happens once (asking that had to stop, a stop frame without effect) is a change by
itself. Pure.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np

from logger.arrays import TIME_MAX_NS
from logger.event_kind import EventKind
from logger.limits import hysteresis
from logger.limits.hysteresis import LevelState
from logger.limits.kinds import DEFAULT_RECORDER_LIMITS
from logger.limits.limit_change import LimitChange
from logger.limits.recorder_limit import RecorderLimit, RecorderSample
from logger.limits.scores import Scores
from logger.limits.thresholds import level_pair

__all__ = [
    "ASKING_STOPPED",
    "DEFAULT_RECORDER_LIMITS",
    "ONE_SHOT_LIMITS",
    "STOP_WITHOUT_EFFECT",
    "LossMemory",
    "RecorderSample",
    "RecorderState",
    "evaluate_recorder",
    "one_shot_trip",
    "recorder_after_change",
]

ASKING_STOPPED: Final = "asking-stopped"
STOP_WITHOUT_EFFECT: Final = "stop-without-effect"
ONE_SHOT_LIMITS: Final = frozenset({ASKING_STOPPED, STOP_WITHOUT_EFFECT})
"""Limits that stay active until they are acknowledged, or the recording ends."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LossMemory:
    """What a limit on losses remembers."""

    active: bool = False
    lost_ns: int = 0
    """When the newest loss was seen."""
    since_ns: int = 0
    before: int = 0
    """Losses before the present alert."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecorderState:
    """What is remembered from one second to the next; limits by name."""

    lost: int = 0
    losses: Mapping[str, LossMemory] = field(default_factory=dict)
    levels: Mapping[str, LevelState] = field(default_factory=dict)


def evaluate_recorder(
    state: RecorderState,
    sample: RecorderSample,
    limits: tuple[RecorderLimit, ...] = DEFAULT_RECORDER_LIMITS,
) -> tuple[list[LimitChange], RecorderState]:
    """Return the changes at this sample, and the state after it."""
    changes: list[LimitChange] = []
    losses, levels = {}, {}
    for limit in limits:
        if limit.clear_after_s is not None:
            previous = state.losses.get(limit.name, LossMemory())
            new_changes, losses[limit.name] = _evaluate_loss(
                limit, previous, sample, calm_s=limit.clear_after_s, lost_before=state.lost
            )
        else:
            level = state.levels.get(limit.name, LevelState())
            new_changes, levels[limit.name] = _evaluate_level(limit, level, sample)
        changes += new_changes
    return changes, RecorderState(lost=sample.lost, losses=losses, levels=levels)


def recorder_after_change(
    state: RecorderState,
    limits: tuple[RecorderLimit, ...],
    next_limits: tuple[RecorderLimit, ...],
    *,
    time_ns: int,
) -> tuple[list[LimitChange], RecorderState]:
    """Return which alerts other limits end, and the state with them; the same go on."""
    removed = [limit for limit in limits if limit not in next_limits]
    ended = []
    for limit in removed:
        loss_memory, level = state.losses.get(limit.name), state.levels.get(limit.name)
        if (loss_memory is not None and loss_memory.active) or (level is not None and level.active):
            peak = math.nan if level is None or level.peak is None else level.peak
            ended.append(
                _recorder_change(
                    limit,
                    EventKind.RETURNED,
                    now_ns=time_ns,
                    value=math.nan,
                    peak=peak,
                    onset_ns=time_ns,
                )
            )
    names = {limit.name for limit in removed}
    return ended, RecorderState(
        lost=state.lost,
        losses={name: one for name, one in state.losses.items() if name not in names},
        levels={name: one for name, one in state.levels.items() if name not in names},
    )


def _evaluate_loss(
    limit: RecorderLimit,
    state: LossMemory,
    sample: RecorderSample,
    *,
    calm_s: float,
    lost_before: int,
) -> tuple[list[LimitChange], LossMemory]:
    now_ns = sample.now_ns
    if sample.lost > lost_before:
        if state.active:
            return [], LossMemory(
                active=True, lost_ns=now_ns, since_ns=state.since_ns, before=state.before
            )
        count = float(sample.lost - lost_before)
        raised_change = _recorder_change(
            limit, EventKind.RAISED, now_ns=now_ns, value=count, peak=count, onset_ns=now_ns
        )
        return [raised_change], LossMemory(
            active=True, lost_ns=now_ns, since_ns=now_ns, before=lost_before
        )
    if not state.active or now_ns - state.lost_ns < round(calm_s * 1e9):
        return [], state
    count = float(sample.lost - state.before)
    returned = _recorder_change(
        limit, EventKind.RETURNED, now_ns=now_ns, value=0.0, peak=count, onset_ns=state.since_ns
    )
    return [returned], LossMemory()


def _evaluate_level(
    limit: RecorderLimit, state: LevelState, sample: RecorderSample
) -> tuple[list[LimitChange], LevelState]:
    value, sign = limit.value_of(sample), 1.0 if limit.is_rising else -1.0
    if math.isnan(value):
        return [], state
    pick_up, drop_off = level_pair(sign * limit.pick_up, sign * limit.clears_at)
    scores = Scores(
        time_ns=np.array([sample.now_ns], np.int64),
        batch_rows=None,
        score=np.array([sign * value]),
        reported=np.array([value]),
        pick_up=pick_up,
        drop_off=drop_off,
        # The recorder samples itself all the time: there are no gaps.
        hold_ns=TIME_MAX_NS,
    )
    changes, next_state = hysteresis.step_level(limit, state, scores, joint="")
    return [change for _, change in changes], next_state


def _recorder_change(
    limit: RecorderLimit,
    kind: Literal[EventKind.RAISED, EventKind.RETURNED],
    *,
    now_ns: int,
    value: float,
    peak: float,
    onset_ns: int,
) -> LimitChange:
    return LimitChange(
        time_ns=now_ns,
        limit=limit.name,
        joint="",
        severity=limit.severity,
        channel="",
        kind=kind,
        value=value,
        onset_ns=onset_ns,
        peak=peak,
    )


def one_shot_trip(limit: str, *, time_ns: int, joint: str = "") -> LimitChange:
    """Return the raising of an alert of `ONE_SHOT_LIMITS`: a trip without a reading."""
    return LimitChange(
        time_ns=time_ns,
        limit=limit,
        joint=joint,
        severity="trip",
        channel="",
        kind=EventKind.RAISED,
        value=math.nan,
        onset_ns=time_ns,
        peak=math.nan,
    )
