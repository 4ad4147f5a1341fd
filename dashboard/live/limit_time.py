"""When a joint reaches its next limit: by the model of its heat, else by its trend."""

from datetime import tzinfo

from dashboard.live.forecast_text import forecast_text
from dashboard.live.joint_facts import JointFacts
from dashboard.live.model_text import model_name, model_text, trend_name
from dashboard.live.wire_messages import LimitTime
from replay.recording import Recording

__all__ = ["limit_time"]


def limit_time(
    recording: Recording, facts: JointFacts, *, now_ns: int, zone: tzinfo
) -> tuple[LimitTime, float | None]:
    """Return what is said of the time ahead with its model, and the level that will be reached."""
    slow, channel, levels = facts.slow, facts.channel, facts.levels
    is_unknown = facts.is_stale or not facts.is_heat_known
    forecast = slow.forecast if slow else None
    above = [level for level in levels if level.pick_up > facts.temperature]
    settings = recording.bench.joint_named(facts.joint)
    if (
        (forecast is not None and channel is not None and forecast.is_present(now_ns))
        and not is_unknown
        and (above or not levels)
    ):
        words, reaches = model_text(forecast, channel, above, settings, now_ns=now_ns, zone=zone)
        words["model"] = model_name(settings)
        return words, reaches
    words, reaches = forecast_text(
        facts.temperature,
        levels,
        slow.temperature_trend if slow else None,
        [alert for alert in facts.alerts if alert.channel == channel],
        stale=is_unknown,
        zone=zone,
    )
    if above and not is_unknown:
        words["model"] = trend_name(settings)
    return words, reaches
