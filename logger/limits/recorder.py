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

from logger.event_kind import EventKind
from logger.limits import hysteresis
from logger.limits.bus import DISK_LOW, FRAMES_LOST, BusLimit, RecorderLimit
from logger.limits.hysteresis import LevelState
from logger.limits.kind import Scores
from logger.limits.limit_change import LimitChange

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
"""Those that stand until they are acknowledged, or the recording ends."""
DEFAULT_RECORDER_LIMITS: Final[tuple[RecorderLimit, ...]] = (FRAMES_LOST, DISK_LOW)
"""What is watched without a limits file."""
_FOR_EVER_NS: Final = 2**62
"""The recorder knows of itself all the time: it has no gaps."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LossMemory:
    """What a limit on losses remembers."""

    active: bool = False
    lost_ns: int = 0
    """When the newest loss was seen."""
    since_ns: int = 0
    counted_before: int = 0
    """Losses before the present alert."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecorderState:
    """What is remembered from one second to the next; limits by name."""

    lost: int = 0
    losses: Mapping[str, LossMemory] = field(default_factory=dict)
    levels: Mapping[str, LevelState] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class RecorderSample:
    """How the recorder fares; NaN for what is not known, which changes nothing."""

    now_ns: int
    lost: int
    """Frames lost since the recording began."""
    disk_left_h: float = math.nan
    """Hours that the disk lasts."""
    load: float = math.nan
    """Of the bus that is loaded most, a share of 1."""
    error_frames: float = math.nan
    """On all buses, within the last second."""


def evaluate_recorder(
    state: RecorderState,
    sample: RecorderSample,
    limits: tuple[RecorderLimit, ...] = DEFAULT_RECORDER_LIMITS,
) -> tuple[list[LimitChange], RecorderState]:
    """Return what is to be said now, and the state after it."""
    changes: list[LimitChange] = []
    losses, levels = {}, {}
    for limit in limits:
        if isinstance(limit, BusLimit) and limit.watch == "lost":
            previous = state.losses.get(limit.name, LossMemory())
            new_changes, losses[limit.name] = _evaluate_loss(limit, previous, sample, newly=sample.lost > state.lost,
                                              lost_before=state.lost)  # fmt: skip
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
    limit: BusLimit, state: LossMemory, sample: RecorderSample, *, newly: bool, lost_before: int
) -> tuple[list[LimitChange], LossMemory]:
    now_ns = sample.now_ns
    if newly:
        if state.active:
            return [], LossMemory(
                active=True,
                lost_ns=now_ns,
                since_ns=state.since_ns,
                counted_before=state.counted_before,
            )
        count = float(sample.lost - lost_before)
        raised_change = _recorder_change(
            limit, EventKind.RAISED, now_ns=now_ns, value=count, peak=count, onset_ns=now_ns
        )
        return [raised_change], LossMemory(
            active=True, lost_ns=now_ns, since_ns=now_ns, counted_before=lost_before
        )
    if not state.active or now_ns - state.lost_ns < round(limit.clear_after_s * 1e9):
        return [], state
    count = float(sample.lost - state.counted_before)
    returned = _recorder_change(
        limit, EventKind.RETURNED, now_ns=now_ns, value=0.0, peak=count, onset_ns=state.since_ns
    )
    return [returned], LossMemory()


def _evaluate_level(
    limit: RecorderLimit, state: LevelState, sample: RecorderSample
) -> tuple[list[LimitChange], LevelState]:
    if isinstance(limit, BusLimit):
        value = sample.load if limit.watch == "load" else sample.error_frames
        assert limit.above is not None, "_fits has seen to it"
        sign, pick_up = 1.0, limit.above
    else:
        value, sign, pick_up = sample.disk_left_h, -1.0, limit.below_h
    if math.isnan(value):
        return [], state
    scores = Scores(
        time_ns=np.array([sample.now_ns], np.int64),
        batch_rows=None,
        score=np.array([sign * value]),
        reported=np.array([value]),
        pick_up=sign * pick_up,
        drop_off=sign * limit.clears_at,
        hold_ns=_FOR_EVER_NS,
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
