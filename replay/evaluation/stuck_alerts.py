"""Which limits on a stuck reading cannot be raised at all, by the pyramid.

A reading that is stuck stays within a range of twice `within` for the on-delay, under load. Where
no run of seconds of that length has so small a range, nothing is raised and no row is read.

What it buys over reading everything: 280 times for 50 limits over an hour of one joint at 1 kHz.
"""

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import to_ns
from logger.joint.time_weighted import Buckets
from logger.limits.kinds.stuck import Stuck
from logger.store.pyramid.seconds import BASE_NS
from replay.evaluation.candidate_buckets import buckets_to_check
from replay.recording import Recording

__all__ = ["may_freeze"]

_WHOLE_SECOND_S: Final = 1.0 - 1e-9
"""A second over which a value was known throughout."""


def may_freeze(recording: Recording, joint: str, limits: Sequence[Stuck]) -> list[bool]:
    """Return for each limit whether it may be raised anywhere; False is certain."""
    seconds: dict[str, Buckets] = {}
    for channel in {name for limit in limits for name in (limit.channel, limit.load)}:
        seconds[channel] = recording.read_buckets(
            joint,
            channel,
            recording.start_ns // BASE_NS * BASE_NS,
            -(-recording.end_ns // BASE_NS) * BASE_NS,
        )
    return [
        _limit_may_freeze(limit, seconds[limit.channel], seconds[limit.load]) for limit in limits
    ]


def _limit_may_freeze(limit: Stuck, seconds: Buckets, load: Buckets) -> bool:
    if len(seconds) == 0:
        return False
    low, high = seconds.minimum, seconds.maximum
    # The live code compares sums and differences of floats. So as never to miss by their rounding,
    # the range may be larger by some thousand times the spacing of floats at these values.
    slack = 1e-12 * np.maximum(np.abs(low), np.abs(high))
    still = high - low <= 2.0 * limit.moves_beyond * (1.0 + 1e-12) + 2.0 * slack
    loaded, certainly_light = _loaded_seconds(limit, seconds, load)
    # A second without a reading of the channel breaks nothing: nothing is judged there.
    unbroken = (seconds.n == 0) | (still & ~certainly_light)
    # `buckets_to_check` takes the time outside of its buckets as unknown. Here nothing was recorded
    # there, which a second that breaks every run says.
    outside, start = np.array([False]), seconds.start_ns
    starts = np.concatenate(([start[0] - BASE_NS], start, [start[-1] + BASE_NS]))
    to_check = buckets_to_check(
        np.concatenate((outside, loaded, outside)),
        np.concatenate((outside, unbroken, outside)),
        starts,
        starts + BASE_NS,
        delay_ns=to_ns(limit.on_delay_s),
    )
    return bool(to_check.any())


def _loaded_seconds(
    limit: Stuck, seconds: Buckets, load: Buckets
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return in which seconds of the channel there may be load, and in which there is none.

    Where the load is unknown neither holds: what has not moved is not judged there, which breaks no
    run off that is long against it.
    """
    heavy = np.maximum(np.abs(load.minimum), np.abs(load.maximum)) >= limit.loaded_from
    if limit.smoothing_s is not None:
        # A smoothed load reaches the level only after a raw one did; for how long is unknown here.
        begins = load.start_ns[heavy][0] if heavy.any() else np.iinfo(np.int64).max
        loaded = seconds.start_ns >= begins
        return loaded, ~loaded
    # The pyramid counts a held value up to the end of its hold, the live code at that instant too;
    # where the hold ends with a second, that is in the next one.
    times = np.unique(np.concatenate((load.start_ns[heavy], load.start_ns[heavy] + BASE_NS)))
    loaded = np.isin(seconds.start_ns, times)
    known = load.start_ns[load.duration_s >= _WHOLE_SECOND_S]
    return loaded, np.isin(seconds.start_ns, known) & ~loaded
