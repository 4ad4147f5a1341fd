"""What limits remember when a recording is gone on with, worked out again from its rows.

No state is kept in a file: what the recording holds of the current says how warm a thermal image
is, also where the limit is another than before. Time without a recorder counts as cooling, other
gaps leave the image as it is.
"""

from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import Final

from logger.arrays import to_ns
from logger.joint.batch import ReadingBatch
from logger.limits.evaluate import LimitPlan
from logger.limits.scored_limit import ScoredLimit
from logger.limits.scores import LimitMemory
from logger.limits.series import Series

__all__ = ["History", "thermal_image_at"]

History = Callable[[str, Sequence[str], int, int], ReadingBatch]
"""(joint, channels, start_ns, end_ns) -> the readings of a recording in [start_ns, end_ns)."""

_IMAGE_CHUNK_NS: Final = 600 * 1_000_000_000


def thermal_image_at(
    limit: ScoredLimit,
    plan: LimitPlan,
    history: History,
    *,
    start_times_ns: Sequence[int],
    now_ns: int,
) -> LimitMemory | None:
    """Return what a limit remembers at `now_ns`; None for one that begins anew there.

    `start_times_ns`: when recording began, and each time that it went on, in order.
    """
    if limit.rebuilt_from_s is None:
        return None
    since_ns = now_ns - to_ns(limit.rebuilt_from_s)
    channels = sorted({channel for _, channel in limit.needed_channels})
    memory = limit.initial_memory()
    for begin_ns, end_ns in pairwise([*start_times_ns, now_ns]):
        time_ns = max(begin_ns, since_ns)
        while time_ns < end_ns:
            until = min(time_ns + _IMAGE_CHUNK_NS, end_ns)
            rows = history(plan.joint, channels, time_ns, until)
            _, memory = limit.compute_scores(memory, Series(rows, plan.hold_ns))
            time_ns = until
        memory = limit.memory_after_restart(memory, None, end_ns)
    return memory
