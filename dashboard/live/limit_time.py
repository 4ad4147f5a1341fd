"""When a joint reaches its next limit: by the model of its heat, else by its trend."""

from datetime import tzinfo

from dashboard.live.forecast_text import forecast_text
from dashboard.live.joint_facts import JointFacts
from dashboard.live.model_text import model_text
from dashboard.live.wire_messages import LimitTime
from replay.recording import Recording

__all__ = ["limit_time"]


def limit_time(
    recording: Recording, facts: JointFacts, *, now_ns: int, zone: tzinfo
) -> tuple[LimitTime, float | None]:
    """Return what is said of the time ahead, and the level that will be reached."""
    slow, channel, levels = facts.slow, facts.channel, facts.levels
    is_unknown = facts.is_stale or not facts.is_heat_known
    forecast = slow.forecast if slow else None
    above = [level for level in levels if level.pick_up > facts.temperature]
    if (
        (forecast is not None and channel is not None and forecast.is_present(now_ns))
        and not is_unknown
        and (above or not levels)
    ):
        settings = recording.bench.joint_named(facts.joint)
        return model_text(forecast, channel, above, settings, now_ns=now_ns, zone=zone)
    return forecast_text(
        facts.temperature,
        levels,
        slow.temperature_trend if slow else None,
        [alert for alert in facts.alerts if alert.channel == channel],
        stale=is_unknown,
        zone=zone,
    )
