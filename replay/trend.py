"""The trend of a joint's temperature since its load last changed.

A line through a corner tells nothing of what comes: rows from before a change of load do not
count, and rows that no one line describes have no trend.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

from logger.joint.load_change import find_load_change
from logger.joint.temperature_trend import Trend, fit_steady_trend
from logger.store.pyramid.seconds import BASE_NS
from replay.recording import Recording

__all__ = ["NoTrend", "RecentTrend", "temperature_trend"]

SPANS_S: Final = (240.0, 120.0, 60.0)
"""The longest that is straight is taken: sensor noise averages out, and four minutes are short
against a joint's thermal time constants."""
MIN_READINGS: Final = 20
MIN_SPAN_S: Final = 50.0
"""So much of a span has to lie between its first and its last reading."""
_LOADS: Final = ("current_A", "torque_Nm")
"""Whose square heats a joint; the first that a joint reports is looked at."""


class NoTrend(StrEnum):
    """Why a temperature has no trend."""

    TOO_SHORT = "too short"
    LOAD_CHANGED = "load changed"
    BENT = "bent"


@dataclass(frozen=True, slots=True, kw_only=True)
class RecentTrend:
    """The trend of a temperature up to an instant, or why there is none."""

    trend: Trend | None
    why_not: NoTrend | None = None
    load_changed_ns: int | None = None
    """Since when the load has been as it is, where it changed within the span looked at."""


def temperature_trend(recording: Recording, joint: str, channel: str, end_ns: int) -> RecentTrend:
    """Return the trend of a temperature.

    Parameters
    ----------
    channel
        In degC.
    end_ns
        End of the span, included; rows of the four minutes before it are looked at.
    """
    begin_ns = end_ns - round(SPANS_S[0] * 1e9)
    changed_ns = _load_changed_ns(recording, joint, begin_ns, end_ns)
    rows = recording.read_readings(joint, begin_ns, end_ns + 1, channels=[channel])
    time_ns, values = rows.channel_series(channel)
    age_s = (end_ns - np.asarray(time_ns)) / 1e9
    steady_s = SPANS_S[0] if changed_ns is None else (end_ns - changed_ns) / 1e9
    why_not = NoTrend.TOO_SHORT
    for span_s in (min(span_s, steady_s) for span_s in SPANS_S):
        within = age_s <= span_s
        ages = age_s[within]
        if len(ages) <= MIN_READINGS or ages[0] - ages[-1] < MIN_SPAN_S:
            continue
        trend = fit_steady_trend(-ages, np.asarray(values)[within])
        if trend is not None:
            return RecentTrend(trend=trend, load_changed_ns=changed_ns)
        why_not = NoTrend.BENT
    if changed_ns is not None:
        why_not = NoTrend.LOAD_CHANGED
    return RecentTrend(trend=None, why_not=why_not, load_changed_ns=changed_ns)


def _load_changed_ns(recording: Recording, joint: str, begin_ns: int, end_ns: int) -> int | None:
    """Return when the load of a joint changed last within a span, None where it did not."""
    carried = recording.channels(joint)
    channel = next((name for name in _LOADS if name in carried), None)
    first_ns = -(-max(begin_ns, recording.start_ns) // BASE_NS) * BASE_NS
    last_ns = end_ns // BASE_NS * BASE_NS
    if channel is None or last_ns <= first_ns:
        return None
    buckets = recording.read_buckets(joint, channel, first_ns, last_ns)
    mean_square = np.full((last_ns - first_ns) // BASE_NS, np.nan)
    held_s = np.maximum(buckets.duration_s, 1e-9)
    mean_square[(buckets.start_ns - first_ns) // BASE_NS] = buckets.mean**2 + buckets.m2 / held_s
    change = find_load_change(mean_square)
    return None if change is None else first_ns + change * BASE_NS
