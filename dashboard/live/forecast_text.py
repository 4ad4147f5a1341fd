"""When a joint's temperature reaches its next limit at the present trend, as its row says it.

Only words are made here; the trend, or why there is none, comes from `replay.trend`.
"""

import math
from collections.abc import Sequence
from datetime import tzinfo
from typing import Final

from dashboard.live.wire_messages import LimitTime
from dashboard.text.format import format_clock, format_duration, format_number
from logger.joint.temperature_trend import Trend, time_to_level
from logger.limits.levels import LimitLevel
from logger.limits.lifecycle import Alert
from replay.trend import NoTrend, RecentTrend

__all__ = ["forecast_text"]

MAX_FORECAST_S: Final = 8 * 3600.0
SOON_S: Final = 1800.0
"""A limit that a trend without a clear rise may still reach within this is told."""


def forecast_text(
    now: float,
    levels: Sequence[LimitLevel],
    recent: RecentTrend | None,
    mine: Sequence[Alert],
    *,
    stale: bool,
    zone: tzinfo,
) -> tuple[LimitTime, float | None]:
    """Return when a temperature reaches which level at the present trend, and the level.

    Parameters
    ----------
    now
        The newest temperature, NaN if there is none.
    levels
        Rising levels on it, the lowest first.
    recent
        None while nothing was looked at.
    mine
        Open alerts on this temperature.
    stale
        Whether the joint is silent.
    """
    if stale or not math.isfinite(now):
        return _words("unknown", "what it reaches, and when"), None
    above = next((limit for limit in levels if limit.pick_up > now), None)
    if above is None:
        if not levels:
            return _words("–", "no limit to reach"), None
        # Of the limit that was reached last: a warning below a trip is older than it.
        reached = next((a for a in mine if a.severity == levels[-1].severity), None)
        if reached is None:
            return _words("reached", "at or above its limit"), None
        since = f"{reached.severity} since {format_clock(reached.raised_ns, zone)}"
        return _words("reached", since), None
    if recent is None or recent.trend is None:
        return _no_trend_text(recent, zone), None
    return _trend_text(now, above, recent.trend)


def _words(value: str, label: str, detail: str = "") -> LimitTime:
    return {"value": value, "detail": detail, "label": label}


def _no_trend_text(recent: RecentTrend | None, zone: tzinfo) -> LimitTime:
    """Return why there is no forecast yet."""
    if recent is None or recent.why_not == NoTrend.TOO_SHORT:
        return _words("–", "the trend needs a minute of data")
    if recent.load_changed_ns is not None:
        at = format_clock(recent.load_changed_ns, zone)
        return _words("not known yet", f"the load changed at {at}")
    return _words("not known yet", "its rise is changing")


def _trend_text(now: float, above: LimitLevel, trend: Trend) -> tuple[LimitTime, float | None]:
    rate, unsure = trend.rate_K_per_min, trend.uncertainty_K_per_min
    signed = ("+" if rate > 0 else "") + format_number(rate, 1)
    says = f"{signed} ± {format_number(2 * unsure, 1)} K/min"
    if not math.isfinite(rate):
        return _words("–", "the trend needs a minute of data"), None
    if rate < -2 * unsure:
        return _words("cools", says), None
    ahead = time_to_level(above.pick_up, now, trend)
    if rate <= 2 * unsure:
        if ahead.soonest_s < SOON_S:
            says = f"{above.severity} in {_rounded(ahead.soonest_s)} at the soonest"
        return _words("no clear rise", says), None
    if ahead.s > MAX_FORECAST_S:
        return _words("over 8 h", says), None
    value, unit, span = _time_words(ahead.s, ahead.soonest_s, ahead.latest_s)
    return _words(value, f"until it reaches {above.severity}", f"{unit} {span}"), above.pick_up


def _time_words(seconds: float, soonest_s: float, latest_s: float) -> tuple[str, str, str]:
    """Return a time with its unit, and both ends in the same unit: seconds below a minute."""
    in_seconds = seconds < 59.5
    unit, divisor = ("s", 1.0) if in_seconds else ("min", 60.0)

    def number(value_s: float) -> str:
        value = value_s / divisor
        return format_number(value, 0 if in_seconds or value >= 9.5 else 1)

    until = f"to {number(latest_s)}" if math.isfinite(latest_s) else "or later"
    return number(seconds), unit, f"({number(soonest_s)} {until})"


def _rounded(seconds: float) -> str:
    """Return a time to about one digit, rounded down: words that seldom change."""
    if seconds < 10:
        return "seconds"
    if seconds < 60:
        return format_duration(seconds // 10 * 10)
    minutes = seconds // 60
    return f"{minutes if minutes < 10 else minutes // 5 * 5:.0f} min"
