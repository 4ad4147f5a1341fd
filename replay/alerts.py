"""How far an alert has gone by now: the worst value since it was raised.

An event tells the peak only when the alert has returned; until then it is asked of the recording.
"""

import math
from collections.abc import Sequence

import numpy as np

from logger.limits.kind import Kind
from logger.limits.lifecycle import Alert
from logger.limits.limit import Level
from replay.recording import Recording
from replay.statistics import figures

__all__ = ["furthest", "peak_by_now"]


def peak_by_now(recording: Recording, alert: Alert, now_ns: int) -> float:
    """Return the furthest value of an alert in its channel's unit, with its sign; NaN for none."""
    limit = recording.limits.named(alert.limit)
    if alert.returned_ns is not None or not isinstance(limit, Level):
        return alert.peak
    reached = figures(recording, alert.joint, alert.channel, alert.raised_ns, now_ns)
    ends = [value for value in (reached.minimum, reached.maximum) if math.isfinite(value)]
    return furthest(limit, [alert.peak, *ends])


def furthest(limit: Kind, values: Sequence[float]) -> float:
    """Return the worst of some values as a limit sees them, with its sign; of equals the first."""
    return float(values[int(limit.rank(np.array(values, np.float64)).argmax())])
