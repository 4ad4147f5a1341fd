"""The memory of limits at the resume of a recording, rebuilt from the stored rows.

For every kind of limit that says how far back its memory reaches (`rebuilt_from_s`): a thermal
image is rebuilt from the stored current. No state is kept in a file, so the memory is right for a
limit that was changed meanwhile as well. Time without a recorder counts as cooling; other gaps
leave the memory unchanged. Reads through `History` only.
"""

from collections.abc import Callable, Sequence
from itertools import pairwise

from logger.arrays import to_ns
from logger.joint.batch import ReadingBatch
from logger.limits.evaluate import LimitPlan
from logger.limits.scored_limit import ScoredLimit
from logger.limits.scores import LimitMemory
from logger.limits.series import Series
from logger.time_chunks import time_chunks

__all__ = ["History", "rebuild_limit_memory"]

History = Callable[[str, Sequence[str], int, int], ReadingBatch]
"""(joint, channels, start_ns, end_ns) -> the readings of a recording in [start_ns, end_ns)."""


def rebuild_limit_memory(
    limit: ScoredLimit,
    plan: LimitPlan,
    history: History,
    *,
    start_times_ns: Sequence[int],
    now_ns: int,
) -> LimitMemory | None:
    """Return the memory of a limit at `now_ns`; None for a kind that starts without one.

    Parameters
    ----------
    history
        Reads the stored rows; called for ten minutes at a time, so that memory stays bounded.
    start_times_ns
        When recording began, and each time that it was resumed, in order.
    """
    if limit.rebuilt_from_s is None:
        return None
    since_ns = now_ns - to_ns(limit.rebuilt_from_s)
    channels = sorted({channel for _, channel in limit.needed_channels})
    memory = limit.initial_memory()
    for begin_ns, end_ns in pairwise([*start_times_ns, now_ns]):
        for chunk_start_ns, chunk_end_ns in time_chunks(max(begin_ns, since_ns), end_ns):
            rows = history(plan.joint, channels, chunk_start_ns, chunk_end_ns)
            _, memory = limit.compute_scores(memory, Series(rows, plan.hold_ns))
        memory = limit.memory_after_restart(memory, None, end_ns)
    return memory
