"""Limits that make the same scores of a trace, and differ only in what these must reach. Pure.

Levels on one channel, delays of any kind, the shares of a thermal image: the costly part is worked
out once for all of them.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.joint.batch import ReadingBatch
from logger.limits.evaluate import compute_scores, initial_memory
from logger.limits.frozen import Stuck
from logger.limits.inverse_time import InverseTime
from logger.limits.level import Band, Level, RatedLevel
from logger.limits.limit import AnyJointLimit
from logger.limits.rate import Rate
from logger.limits.series import Series
from logger.limits.silence import Silence
from logger.limits.thermal import Thermal
from logger.limits.touch import TouchTemperature
from logger.limits.tracking import Tracking

__all__ = [
    "ScoreGroup",
    "ScoredLimit",
    "Threshold",
    "group_by_score",
    "limit_thresholds",
    "score_key",
]

ScoredLimit = (
    Level | RatedLevel | Band | InverseTime | Thermal | Rate | Tracking | Stuck | TouchTemperature
)
"""Every kind but silence, which makes no scores of readings."""

_COMMON_KEYS: Final = frozenset(("name", "severity", "joint", "on_delay_s", "off_delay_s"))
_THRESHOLD_KEYS: Final[Mapping[type[AnyJointLimit], frozenset[str]]] = {
    Level: frozenset(("above", "below", "drop_off")),
    TouchTemperature: frozenset(("contact_s", "above", "drop_off")),
    Rate: frozenset(("rise_per_min", "drop_off_per_min")),
    Tracking: frozenset(("above", "drop_off")),
    Thermal: frozenset(("above_percent", "drop_off_percent")),
}
"""The keys that a kind's scores do not depend on, beside the delays."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Threshold:
    """One limit, and at which of its scores it picks up and drops off."""

    index: int
    """Among the limits that were given."""
    limit: ScoredLimit
    pick_up: float
    drop_off: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ScoreGroup:
    """Limits of the same scores."""

    representative: ScoredLimit
    """One of them, to make the scores with."""
    thresholds: tuple[Threshold, ...]


def group_by_score(
    limits: Iterable[tuple[int, AnyJointLimit]], hold_ns: Mapping[str, int], *, apart: bool = False
) -> list[ScoreGroup]:
    """Return limits (with their places) in groups of the same scores; silences are left out.

    `apart`: none with a frozen reading, whose memory depends on whether its alert stood where a
    recorder went on.
    """
    groups: dict[str, list[Threshold]] = {}
    for index, limit in limits:
        if isinstance(limit, Silence):
            continue
        pick_up, drop_off = limit_thresholds(limit, hold_ns)
        threshold = Threshold(index=index, limit=limit, pick_up=pick_up, drop_off=drop_off)
        own_group = f"{index} " if apart and isinstance(limit, Stuck) else ""
        groups.setdefault(f"{own_group}{score_key(limit)}", []).append(threshold)
    return [
        ScoreGroup(representative=thresholds[0].limit, thresholds=tuple(thresholds))
        for thresholds in groups.values()
    ]


def limit_thresholds(limit: ScoredLimit, hold_ns: Mapping[str, int]) -> tuple[float, float]:
    """Return pick-up and drop-off of a limit, as its own measure says them."""
    nothing = ReadingBatch(
        joint="", time_ns=np.empty(0, np.int64), position_segment=np.empty(0, np.int32), columns={}
    )
    scores, _ = compute_scores(limit, initial_memory(limit), Series(nothing, hold_ns))
    return scores.pick_up, scores.drop_off


def score_key(limit: AnyJointLimit) -> str:
    """Return a text that is the same for limits of the same scores."""
    direction = f"{limit.is_rising}" if isinstance(limit, Level) else ""
    left_out = _COMMON_KEYS | _THRESHOLD_KEYS.get(type(limit), frozenset())
    return f"{type(limit).__name__} {direction} {limit.model_dump_json(exclude=set(left_out))}"
