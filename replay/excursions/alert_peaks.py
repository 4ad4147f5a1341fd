"""How far an alert has gone: the worst value since it was raised, asked of the recording.

An event tells the peak only when the alert has returned; until then, and where other limits are
tried, it is asked of the recording.
"""

import math

import numpy as np
from numpy.typing import ArrayLike

from logger.limits.kind import ScoredLimit
from logger.limits.lifecycle import Alert
from logger.time_chunks import time_chunks
from replay.recording import Recording
from replay.statistics import span_statistics

__all__ = ["alert_peak", "extreme_reading"]


def alert_peak(
    recording: Recording, alert: Alert, now_ns: int, *, previous: tuple[int, float] | None = None
) -> float:
    """Return the furthest value of an alert in its channel's unit, with its sign; NaN for none.

    Of what has no channel (a thermal image, a rate, an error) what it was when it was raised.
    `previous`: an instant and what this gave for it, so that only what came since is read.
    """
    limit = recording.limits.by_name(alert.limit)
    if alert.returned_ns is not None or not isinstance(limit, ScoredLimit) or not alert.channel:
        return alert.peak
    since_ns, worst = (alert.raised_ns, alert.peak) if previous is None else previous
    # As the limit sees them; of equals the first.
    return _highest_ranked(
        limit,
        [worst, extreme_reading(recording, alert.joint, limit, since_ns, now_ns)],
    )


def extreme_reading(
    recording: Recording, joint: str, limit: ScoredLimit, from_ns: int, until_ns: int
) -> float:
    """Return the furthest reading of a limit's channel in [from_ns, until_ns), with its sign.

    NaN where there is none, and for a limit whose values are in no channel's unit (a thermal image,
    a rate, an error). `from_ns`: a reading, so that nothing of before holds on into the span.
    """
    channel = limit.reported_channel
    if not channel:
        return math.nan
    if limit.peak_is_first:
        # Of a reading that does not move the first is told.
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
    """Return whether lowest and highest do not say which reading was the furthest, and first."""
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
