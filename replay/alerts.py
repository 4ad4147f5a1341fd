"""How far an alert has gone by now: the worst value since it was raised.

An event tells the peak only when the alert has returned; until then it is asked of the recording.
"""

import math

import numpy as np

from logger.limits.kind import Kind
from logger.limits.lifecycle import Alert
from replay.recording import Recording
from replay.statistics import figures

__all__ = ["peak_by_now"]


def peak_by_now(
    recording: Recording, alert: Alert, now_ns: int, *, before: tuple[int, float] | None = None
) -> float:
    """Return the furthest value of an alert in its channel's unit, with its sign; NaN for none.

    Of what has no channel (a thermal image, a rate, an error) what it was when it was raised.
    `before`: an instant and what this gave for it, so that only what came since is read.
    """
    limit = recording.limits.named(alert.limit)
    if alert.returned_ns is not None or not isinstance(limit, Kind) or not alert.channel:
        return alert.peak
    since_ns, worst = (alert.raised_ns, alert.peak) if before is None else before
    reached = figures(recording, alert.joint, alert.channel, since_ns, now_ns)
    ends = [value for value in (reached.minimum, reached.maximum) if math.isfinite(value)]
    values = np.array([worst, *ends])
    # As the limit sees them; of equals the first.
    return float(values[int(limit.rank(values).argmax())])
