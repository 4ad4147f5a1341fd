"""Whether a cycle ran through, by its length and by what of it was recorded. Pure."""

from typing import Final

import numpy as np

from logger.arrays import Floats, Ints
from logger.campaign.cycle_plan import CycleKind, CyclePlan
from logger.campaign.cycle_sums import CycleSums

__all__ = ["LONGEST_LOOK_BACK_NS", "cycle_kind", "unseen_before_s"]

PAUSED_FROM: Final = 1.5
SHORT_BELOW: Final = 0.6
"""Of the median duration."""
HELD_FROM: Final = 0.9
"""Share of a cycle of which readings are known, for it to have no gap."""
LONGEST_LOOK_BACK_NS: Final = 60_000_000_000
"""Before the first reading of a cycle, for the one before; after a longer gap nobody knows when the
cycle began."""


def cycle_kind(
    plan: CyclePlan, sums: CycleSums, duration_s: float, *, usual_s: float | None, unseen_s: float
) -> CycleKind:
    """Return the kind of a cycle.

    Parameters
    ----------
    usual_s
        Median length of those before; None: not known.
    unseen_s
        By how much earlier than its first reading it may have begun.
    """
    seen = [plan.course] if plan.course else list(sums.buckets)
    held_s = max(
        (sum(float(part.duration_s.sum()) for part in sums.buckets.get(name, ())) for name in seen),
        default=0.0,
    )
    if plan.hold_ns and held_s < HELD_FROM * (duration_s + unseen_s):
        return CycleKind.GAP
    if usual_s is not None and duration_s >= PAUSED_FROM * usual_s:
        return CycleKind.PAUSED
    return CycleKind.SHORT if usual_s and duration_s < SHORT_BELOW * usual_s else CycleKind.WHOLE


def unseen_before_s(plan: CyclePlan, since_ns: Ints) -> Floats:
    """Return by how much earlier cycles may have begun, of the time since the reading before."""
    unseen_s = np.where(since_ns > plan.hold_ns.get(plan.course or "", 0), since_ns * 1e-9, 0.0)
    return np.asarray(np.where(since_ns > LONGEST_LOOK_BACK_NS, np.inf, unseen_s))
