"""The peak of an alert, read from the recording: its worst value since it was raised.

An event carries the peak only once the alert has returned. Until then, and where other limits are
tried, it is read from the pyramid, or from the rows where the pyramid does not decide it.
"""

import math

import numpy as np
from numpy.typing import ArrayLike

from logger.limits.lifecycle import Alert
from logger.limits.scored_limit import ScoredLimit
from logger.time_chunks import time_chunks
from replay.recording import Recording
from replay.statistics import span_statistics

__all__ = ["alert_peak", "extreme_reading"]


def alert_peak(
    recording: Recording, alert: Alert, now_ns: int, *, previous: tuple[int, float] | None = None
) -> float:
    """Return the worst value of an alert in the unit of its channel, with its sign; NaN for none.

    Parameters
    ----------
    alert
        One whose value is in no channel's unit (a thermal image, a rate, an error) gives its value
        when it was raised.
    previous
        An earlier instant and what this function returned for it: only newer readings are read.
    """
    limit = recording.limits.by_name(alert.limit)
    if alert.returned_ns is not None or not isinstance(limit, ScoredLimit) or not alert.channel:
        return alert.peak
    since_ns, worst = (alert.raised_ns, alert.peak) if previous is None else previous
    # Ranked by the limit; of equals the first.
    return _highest_ranked(
        limit,
        [worst, extreme_reading(recording, alert.joint, limit, since_ns, now_ns)],
    )


def extreme_reading(
    recording: Recording, joint: str, limit: ScoredLimit, from_ns: int, until_ns: int
) -> float:
    """Return the worst reading of a limit's channel in [from_ns, until_ns), with its sign.

    NaN where there is none, and for a limit whose values are in no channel's unit (a thermal image,
    a rate, an error). `from_ns` must be the time of a reading: a value that is held into the span
    from before would count as well.
    """
    channel = limit.reported_channel
    if not channel:
        return math.nan
    if limit.peak_is_first:
        # A stuck reading: all are about the same, and the first is reported.
        _, value = recording.read_readings(
            joint, from_ns, from_ns + 1, channels=[channel]
        ).channel_series(channel)
        return float(value[-1]) if len(value) else math.nan
    reached = span_statistics(recording, joint, channel, from_ns, until_ns)
    ends = [reached.minimum, reached.maximum]
    if ends[0] < ends[1] and _needs_rows(limit, ends):
        return _extreme_from_rows(recording, joint, limit, from_ns, until_ns)
    return _highest_ranked(limit, ends)


def _needs_rows(limit: ScoredLimit, ends: list[float]) -> bool:
    """Return whether the lowest and the highest reading do not decide which was the worst."""
    low, high = limit.rank(np.array(ends)).tolist()
    return bool(low == high) or limit.furthest_is_inside


def _extreme_from_rows(
    recording: Recording, joint: str, limit: ScoredLimit, from_ns: int, until_ns: int
) -> float:
    channel, worst = limit.reported_channel, math.nan
    for begin_ns, end_ns in time_chunks(from_ns, until_ns):
        batch = recording.read_readings(joint, begin_ns, end_ns, channels=[channel])
        worst = _highest_ranked(limit, np.append(worst, batch.channel_series(channel)[1]))
    return worst


def _highest_ranked(limit: ScoredLimit, readings: ArrayLike) -> float:
    values = np.asarray(readings, np.float64)
    values = values[np.isfinite(values)]
    return float(values[int(limit.rank(values).argmax())]) if len(values) else math.nan
