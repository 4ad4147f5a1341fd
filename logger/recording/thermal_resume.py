"""How warm thermal images are when a recording is gone on with: computed again from its rows.

No state is kept in a file: what the recording holds of the current says it, also where the limit is
another than before. Time without a recorder counts as cooling, other gaps leave the image as it is.
"""

from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import Final

from logger.arrays import to_ns
from logger.joint.batch import ReadingBatch
from logger.limits.evaluate import LimitPlan
from logger.limits.series import Series
from logger.limits.thermal import Thermal, ThermalMemory, measure_thermal

__all__ = ["History", "thermal_image_at"]

History = Callable[[str, Sequence[str], int, int], ReadingBatch]
"""(joint, channels, start_ns, end_ns) -> the readings of a recording in [start_ns, end_ns)."""

_FORGOTTEN_TIME_CONSTANTS: Final = 12.0
"""Time constants after which six parts in a million of an image are left."""
_IMAGE_CHUNK_NS: Final = 600 * 1_000_000_000


def thermal_image_at(
    limit: Thermal, plan: LimitPlan, history: History, *, start_times_ns: Sequence[int], now_ns: int
) -> ThermalMemory:
    """Return the image of a limit at `now_ns`.

    `start_times_ns`: when recording began, and each time that it went on, in order.
    """
    tau_s = max(limit.heating_s, limit.cooling_s or 0.0)
    since_ns = now_ns - to_ns(_FORGOTTEN_TIME_CONSTANTS * tau_s)
    channels = sorted({channel for _, channel in limit.needed_channels})
    memory = ThermalMemory()
    for begin_ns, end_ns in pairwise([*start_times_ns, now_ns]):
        time_ns = max(begin_ns, since_ns)
        while time_ns < end_ns:
            until = min(time_ns + _IMAGE_CHUNK_NS, end_ns)
            rows = history(plan.joint, channels, time_ns, until)
            _, memory = measure_thermal(limit, memory, Series(rows, plan.hold_ns))
            time_ns = until
        memory = memory.cooled(limit, end_ns)
    return memory
