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

from logger.limits import hysteresis
from logger.limits.bus import DISK_LOW, FRAMES_LOST, Bus, OfRecorder
from logger.limits.hysteresis import LevelState
from logger.limits.kind import Scores
from logger.limits.limit_change import Change

__all__ = [
    "ALWAYS",
    "ASKING_STOPPED",
    "STANDING",
    "STOP_WITHOUT_EFFECT",
    "Losing",
    "RecorderState",
    "Seen",
    "once",
    "taken_over",
    "watch",
]

ASKING_STOPPED: Final = "asking-stopped"
STOP_WITHOUT_EFFECT: Final = "stop-without-effect"
STANDING: Final = frozenset({ASKING_STOPPED, STOP_WITHOUT_EFFECT})
"""Those that stand until they are acknowledged, or the recording ends."""
ALWAYS: Final[tuple[OfRecorder, ...]] = (FRAMES_LOST, DISK_LOW)
"""What is watched without a limits file."""
_FOR_EVER_NS: Final = 2**62
"""The recorder knows of itself all the time: it has no gaps."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Losing:
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
    losing: Mapping[str, Losing] = field(default_factory=dict)
    levels: Mapping[str, LevelState] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
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


def watch(
    state: RecorderState, seen: Seen, limits: tuple[OfRecorder, ...] = ALWAYS
) -> tuple[list[Change], RecorderState]:
    """Return what is to be said now, and the state after it."""
    changes: list[Change] = []
    losing, levels = {}, {}
    for limit in limits:
        if isinstance(limit, Bus) and limit.watch == "lost":
            before = state.losing.get(limit.name, Losing())
            found, losing[limit.name] = _lost(limit, before, seen, newly=seen.lost > state.lost,
                                              known=state.lost)  # fmt: skip
        else:
            level = state.levels.get(limit.name, LevelState())
            found, levels[limit.name] = _level(limit, level, seen)
        changes += found
    return changes, RecorderState(lost=seen.lost, losing=losing, levels=levels)


def taken_over(
    state: RecorderState,
    limits: tuple[OfRecorder, ...],
    after: tuple[OfRecorder, ...],
    *,
    time_ns: int,
) -> tuple[list[Change], RecorderState]:
    """Return which alerts other limits end, and the state with them; the same go on."""
    gone = [limit for limit in limits if limit not in after]
    ended = []
    for limit in gone:
        losing, level = state.losing.get(limit.name), state.levels.get(limit.name)
        if (losing is not None and losing.active) or (level is not None and level.active):
            peak = math.nan if level is None or level.peak is None else level.peak
            ended.append(
                _change(
                    limit, "returned", now_ns=time_ns, value=math.nan, peak=peak, onset_ns=time_ns
                )
            )
    names = {limit.name for limit in gone}
    return ended, RecorderState(
        lost=state.lost,
        losing={name: one for name, one in state.losing.items() if name not in names},
        levels={name: one for name, one in state.levels.items() if name not in names},
    )


def _lost(
    limit: Bus, state: Losing, seen: Seen, *, newly: bool, known: int
) -> tuple[list[Change], Losing]:
    now_ns = seen.now_ns
    if newly:
        if state.active:
            return [], Losing(
                active=True, lost_ns=now_ns, since_ns=state.since_ns, before=state.before
            )
        count = float(seen.lost - known)
        raised = _change(limit, "raised", now_ns=now_ns, value=count, peak=count, onset_ns=now_ns)
        return [raised], Losing(active=True, lost_ns=now_ns, since_ns=now_ns, before=known)
    if not state.active or now_ns - state.lost_ns < round(limit.calm_s * 1e9):
        return [], state
    count = float(seen.lost - state.before)
    over = _change(limit, "returned", now_ns=now_ns, value=0.0, peak=count, onset_ns=state.since_ns)
    return [over], Losing()


def _level(limit: OfRecorder, state: LevelState, seen: Seen) -> tuple[list[Change], LevelState]:
    if isinstance(limit, Bus):
        value = seen.load if limit.watch == "load" else seen.error_frames
        assert limit.above is not None, "_fits has seen to it"
        sign, pick_up = 1.0, limit.above
    else:
        value, sign, pick_up = seen.disk_left_h, -1.0, limit.below_h
    if math.isnan(value):
        return [], state
    scores = Scores(
        time_ns=np.array([seen.now_ns], np.int64),
        rows=None,
        score=np.array([sign * value]),
        told=np.array([value]),
        pick_up=sign * pick_up,
        drop_off=sign * limit.clears_at,
        hold_ns=_FOR_EVER_NS,
    )
    changes, after = hysteresis.step(limit, state, scores, joint="")
    return [change for _, change in changes], after


def _change(
    limit: OfRecorder,
    kind: Literal["raised", "returned"],
    *,
    now_ns: int,
    value: float,
    peak: float,
    onset_ns: int,
) -> Change:
    return Change(
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


def once(limit: str, *, time_ns: int, joint: str = "") -> Change:
    """Return the raising of an alert of `STANDING`: a trip without a reading."""
    return Change(
        time_ns=time_ns,
        limit=limit,
        joint=joint,
        severity="trip",
        channel="",
        kind="raised",
        value=math.nan,
        onset_ns=time_ns,
        peak=math.nan,
    )
