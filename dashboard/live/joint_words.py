"""The words that rows and tiles of joints share: states, what is known of a temperature, levels."""

import math
from collections.abc import Sequence

from dashboard.live.joint_facts import JointFacts
from dashboard.live.wire_messages import TemperatureLevel
from dashboard.text.format import format_duration, format_reading
from dashboard.text.theme import STATE_BY_SEVERITY, channel_label
from logger.limits.limit_lines import LimitLevel

__all__ = ["alert_state", "level_marks", "temperature_text"]


def alert_state(facts: JointFacts) -> tuple[str, str, str]:
    """Return the mark of a joint, its word and the smaller text below."""
    trips = facts.trips
    if facts.is_stale:
        return "none", "No data", "last known: trip" if trips else ""
    if trips:
        latched = all(alert.returned_ns is not None for alert in trips)
        return "danger", "Trip", "latched" if latched else ""
    if facts.alerts:
        return "abnormal", "Warning", ""
    if not facts.is_heat_known:
        # Nobody can say of a joint that it is well whose temperature nobody reports.
        return "none", "Heat not known", ""
    return "normal", "Normal", ""


def temperature_text(facts: JointFacts) -> str:
    """Return which temperature is shown of a joint, and how far it is from its next level."""
    channel, temperature, levels = facts.channel, facts.temperature, facts.levels
    if channel is None:
        return "no temperature reported"
    label = channel_label(channel)
    if not math.isfinite(temperature):
        return f"{label}, nothing received yet"
    if facts.is_stale or not facts.is_heat_known:
        return f"{label}, {format_duration(facts.heat_age_s)} ago"
    above = next((limit for limit in levels if limit.pick_up > temperature), None)
    if above is not None:
        gap = above.pick_up - temperature
        return f"{label}, {format_reading(gap)} K below {above.severity}"
    if levels:
        gap = temperature - levels[-1].pick_up
        beyond = f"{format_reading(gap)} K beyond" if gap > 0 else "at the"
        return f"{label}, {beyond} {levels[-1].severity}"
    return f"{label}, no limit set"


def level_marks(levels: Sequence[LimitLevel]) -> list[TemperatureLevel]:
    """Return the levels of a temperature as its rule shows them."""
    return [
        {
            "at": limit.pick_up,
            "off": limit.pick_up if limit.drop_off is None else limit.drop_off,
            "mark": STATE_BY_SEVERITY[limit.severity],
            "severity": limit.severity,
        }
        for limit in levels
    ]
