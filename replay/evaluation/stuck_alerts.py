"""Limits on a frozen reading that cannot be raised at all, told from the pyramid.

A reading that is frozen stays within twice `within` for as long as the on-delay, under load. Where
no run of seconds is that still, nothing is raised, and no row needs to be read.

What it buys over reading everything: 280 times for 50 limits over an hour of one joint at 1 kHz.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from logger.arrays import to_ns
from logger.limits.kinds.stuck import Stuck
from logger.store.pyramid.seconds import BASE_NS
from replay.evaluation.candidate_buckets import buckets_to_check
from replay.evaluation.level_alerts import SecondExtremes, read_second_extremes
from replay.recording import Recording

__all__ = ["may_freeze"]


def may_freeze(recording: Recording, joint: str, limits: Sequence[Stuck]) -> list[bool]:
    """Return for each limit whether it might be raised anywhere."""
    extremes: dict[str, SecondExtremes] = {}
    for channel in {name for limit in limits for name in (limit.channel, limit.load)}:
        extremes[channel] = read_second_extremes(recording, joint, channel)
    return [
        _limit_may_freeze(limit, extremes[limit.channel], extremes[limit.load]) for limit in limits
    ]


def _limit_may_freeze(limit: Stuck, seconds: SecondExtremes, load: SecondExtremes) -> bool:
    if len(seconds.low) == 0:
        return False
    # A little more than the doubled distance: sums of floats round.
    slack = 1e-12 * np.maximum(np.abs(seconds.low), np.abs(seconds.high))
    still = seconds.high - seconds.low <= 2.0 * limit.within * (1.0 + 1e-12) + 2.0 * slack
    loaded = _loaded_seconds(limit, seconds, load)
    # Nothing lies beyond the ends: as if there were a second there that is not still.
    outside, start = np.array([False]), seconds.start_ns
    starts = np.concatenate(([start[0] - BASE_NS], start, [start[-1] + BASE_NS]))
    to_check = buckets_to_check(
        np.concatenate((outside, loaded, outside)),
        np.concatenate((outside, still & loaded, outside)),
        starts,
        starts + BASE_NS,
        delay_ns=to_ns(limit.on_delay_s),
    )
    return bool(to_check.any())


def _loaded_seconds(
    limit: Stuck, seconds: SecondExtremes, load: SecondExtremes
) -> NDArray[np.bool_]:
    """Return in which seconds of the channel there may be load."""
    heavy = np.maximum(np.abs(load.low), np.abs(load.high)) >= limit.load_above
    if limit.smoothing_s is not None:
        # A root mean square is at most the largest load so far, from the first such second on.
        begins = load.start_ns[heavy][0] if heavy.any() else np.iinfo(np.int64).max
        return seconds.start_ns >= begins
    # A load that is held to the very end of a second is not counted in the next one.
    times = np.unique(np.concatenate((load.start_ns[heavy], load.start_ns[heavy] + BASE_NS)))
    return np.isin(seconds.start_ns, times)
