"""Limits with the same scores, which differ only in their levels and delays. Pure.

Levels on one channel, or shares of one thermal image: the scores, which cost most, are computed
once for all of them.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from logger.joint.batch import ReadingBatch
from logger.limits.evaluate import compute_scores, initial_memory
from logger.limits.limit import AnyJointLimit
from logger.limits.scored_limit import ScoredLimit
from logger.limits.series import Series

__all__ = ["ScoreGroup", "Threshold", "group_by_score", "limit_thresholds", "score_key"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Threshold:
    """One limit, and the scores at which it picks up and drops off."""

    index: int
    """Among the limits that were given."""
    limit: ScoredLimit
    pick_up: float
    drop_off: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ScoreGroup:
    """Limits with the same scores."""

    representative: ScoredLimit
    """Any one of them, to compute the scores with."""
    thresholds: tuple[Threshold, ...]


def group_by_score(
    limits: Iterable[tuple[int, AnyJointLimit]], hold_ns: Mapping[str, int], *, apart: bool = False
) -> list[ScoreGroup]:
    """Return numbered limits in groups of the same scores, without those that watch silences.

    Parameters
    ----------
    limits
        Each with the index that its `Threshold` gets.
    hold_ns
        The hold of each channel.
    apart
        Keep limits on a stuck reading in groups of their own: where a recorder resumes, their
        memory depends on whether their own alert was active.
    """
    groups: dict[str, list[Threshold]] = {}
    for index, limit in limits:
        if not isinstance(limit, ScoredLimit):
            continue
        pick_up, drop_off = limit_thresholds(limit, hold_ns)
        threshold = Threshold(index=index, limit=limit, pick_up=pick_up, drop_off=drop_off)
        own_group = f"{index} " if apart and limit.alone_over_restarts else ""
        groups.setdefault(f"{own_group}{score_key(limit)}", []).append(threshold)
    return [
        ScoreGroup(representative=thresholds[0].limit, thresholds=tuple(thresholds))
        for thresholds in groups.values()
    ]


def limit_thresholds(limit: ScoredLimit, hold_ns: Mapping[str, int]) -> tuple[float, float]:
    """Return pick-up and drop-off of a limit in the unit of its scores."""
    nothing = ReadingBatch(
        joint="", time_ns=np.empty(0, np.int64), position_segment=np.empty(0, np.int32), columns={}
    )
    scores, _ = compute_scores(limit, initial_memory(limit), Series(nothing, hold_ns))
    return scores.pick_up, scores.drop_off


def score_key(limit: AnyJointLimit) -> str:
    """Return a text that is equal for limits with the same scores, and for no others."""
    return limit.score_key()
