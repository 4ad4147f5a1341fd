"""Whether a cycle ran through, by its length and by what of it was recorded. Pure."""

import math
from typing import Final

import numpy as np

from logger.arrays import Floats, Ints, to_s
from logger.campaign.cycle_plan import CycleKind, CyclePlan
from logger.campaign.cycle_sums import CycleSums
from logger.campaign.recording_breaks import RecordingBreaks

__all__ = ["LONGEST_LOOK_BACK_NS", "cycle_kind", "missing_in_s", "unseen_before_s"]

PAUSED_FROM: Final = 1.5
SHORT_BELOW: Final = 0.6
"""Of the median duration."""
MISSING_FROM: Final = 0.1
"""Share of a cycle of which nothing is known, beyond which it has a gap."""
LONGEST_LOOK_BACK_NS: Final = 60_000_000_000
"""Before the first reading of a cycle, for the one before; after a longer gap nobody knows when the
cycle began."""


def missing_in_s(plan: CyclePlan, sums: CycleSums, duration_ns: int, *, unseen_s: float) -> float:
    """Return for how long nothing is known of a cycle; NaN where nothing of it is looked at.

    Beyond the holds of readings and in breaks of the recording, and before its first reading.

    Parameters
    ----------
    unseen_s
        By how much earlier than its first reading it may have begun.
    """
    if not plan.hold_ns:
        return math.nan
    seen = [plan.course] if plan.course else list(sums.held_ns)
    held_ns = max((sums.held_ns.get(name, 0) for name in seen), default=0)
    return to_s(duration_ns - held_ns) + unseen_s


def cycle_kind(
    duration_s: float, *, usual_s: float | None, missing_s: float, unseen_s: float
) -> CycleKind:
    """Return the kind of a cycle.

    Parameters
    ----------
    usual_s
        Median length of those before; None: not known.
    missing_s, unseen_s
        As of `missing_in_s`.
    """
    if missing_s > MISSING_FROM * (duration_s + unseen_s) or math.isinf(missing_s):
        return CycleKind.GAP
    if usual_s is not None and duration_s >= PAUSED_FROM * usual_s:
        return CycleKind.PAUSED
    return CycleKind.SHORT if usual_s and duration_s < SHORT_BELOW * usual_s else CycleKind.WHOLE


def unseen_before_s(
    plan: CyclePlan, before_ns: Ints, begin_ns: Ints, breaks: RecordingBreaks
) -> Floats:
    """Return by how much earlier cycles may have begun, shape (n,).

    Parameters
    ----------
    before_ns, begin_ns
        The newest reading of the course before each and its own first, shape (n,).
    """
    hold_ns = plan.hold_ns.get(plan.course or "", 0)
    until_ns = np.minimum(before_ns + hold_ns, breaks.held_until(before_ns))
    since_ns = begin_ns - before_ns
    unseen_s = np.where(until_ns < begin_ns, since_ns * 1e-9, 0.0)
    return np.asarray(np.where(since_ns > LONGEST_LOOK_BACK_NS, np.inf, unseen_s))
