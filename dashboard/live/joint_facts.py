"""What is so of a joint at one instant, before it is put into words, and what decides its place."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from dashboard.figures.axes import main_temperature
from dashboard.live.snapshot import LatestValues, SlowValues
from logger.event_kind import EventKind
from logger.joint.temperature_trend import time_to_level
from logger.limits.lifecycle import Alert
from logger.limits.limit_lines import LimitLevel, levels_of
from replay.drive_state import read_drive_state
from replay.recording import Recording
from replay.urgency import JointState, JointUrgency

__all__ = ["JointFacts", "joint_facts", "joints_of", "watched_temperature"]

STALE_AFTER_S: Final = 1.0
"""A joint without a row for longer is shown as without data; a limit on silence may be faster."""
MAX_FORECAST_S: Final = 8 * 3600.0


def watched_temperature(recording: Recording, joint: str) -> str | None:
    """Return the temperature channel that represents a joint, None if it reports none."""
    watched = {line.channel for line in _level_lines(recording, joint)}
    return main_temperature(recording.channels(joint), watched)


def _level_lines(recording: Recording, joint: str) -> list[LimitLevel]:
    """Return the levels of all limits on a joint, the lowest first."""
    rated = recording.bench.joint_named(joint).rated
    limits = recording.limits.for_joint(
        joint, recording.channels(joint), sensor=joint in recording.bench.sensors
    )
    levels = [line for limit in limits for line in levels_of(limit, rated)]
    return sorted(levels, key=lambda line: line.pick_up)


def joints_of(recording: Recording) -> tuple[str, ...]:
    """Return the joints of a recording, instruments left out, in the order of the bench."""
    instruments = recording.bench.sensors
    return tuple(joint for joint in recording.joints if joint not in instruments)


@dataclass(frozen=True, slots=True, kw_only=True)
class JointFacts:
    """What is so of a joint."""

    joint: str
    age_s: float
    """Of its newest row; inf before the first."""
    is_stale: bool
    """Whether nothing is received of it, or the recording has stopped."""
    has_stopped: bool
    """Whether the recording has: then its state is the one that was known last."""
    channel: str | None
    """The temperature that represents it."""
    temperature: float
    """Its newest value in degC, NaN where there is none."""
    heat_age_s: float
    """Of that value; inf where there is none."""
    is_heat_known: bool
    levels: tuple[LimitLevel, ...]
    """Rising levels on that temperature, the lowest first."""
    alerts: tuple[Alert, ...]
    """Those of the joint that are open."""
    slow: SlowValues | None
    limit_in_s: float
    """Until its next level is reached, inf where nobody can say; by its model, else its trend."""
    has_fault: bool
    """Whether its drive reports a fault."""

    @property
    def trips(self) -> tuple[Alert, ...]:
        """Its open trips."""
        return tuple(alert for alert in self.alerts if alert.severity == "trip")

    @property
    def state(self) -> JointState:
        """Its state, by which it has its place among others."""
        if self.trips:
            return JointState.TRIP
        if self.is_stale and not self.has_stopped:
            return JointState.SILENT
        if self.alerts:
            return JointState.WARNING
        knows_heat = math.isfinite(self.temperature) if self.has_stopped else self.is_heat_known
        return JointState.NORMAL if knows_heat else JointState.HEAT_UNKNOWN

    @property
    def urgency(self) -> JointUrgency:
        """What decides on its place."""
        knows = self.is_heat_known and not self.is_stale
        return JointUrgency(
            joint=self.joint,
            state=self.state,
            is_faulty=self.has_fault,
            limit_in_s=self.limit_in_s if knows else math.inf,
            # As it is written: no two tiles change places by what nobody can read.
            temperature_degC=round(self.temperature, 1),
        )


def _limit_in_s(
    channel: str | None,
    now: float,
    levels: Sequence[LimitLevel],
    slow: SlowValues | None,
    now_ns: int,
) -> float:
    above = next((level for level in levels if level.pick_up > now), None)
    if above is None or slow is None:
        return math.inf
    forecast = slow.forecast
    if forecast is not None and forecast.is_present(now_ns):
        found = forecast.of_channel(channel)
        times = found.levels if found is not None else ()
        rising = (one for one in times if one.is_rising and one.level_degC == above.pick_up)
        made_s = (now_ns - forecast.time_ns) / 1e9
        return max(next((one.median_s for one in rising), math.inf) - made_s, 0.0)
    recent = slow.temperature_trend
    if recent is None or recent.trend is None:
        return math.inf
    trend = recent.trend
    if not trend.rate_K_per_min > 2 * trend.uncertainty_K_per_min:
        return math.inf
    ahead_s = time_to_level(above.pick_up, now, trend).s
    return ahead_s if ahead_s <= MAX_FORECAST_S else math.inf


def joint_facts(
    recording: Recording,
    joint: str,
    *,
    latest: LatestValues | None,
    slow: SlowValues | None,
    alerts: Sequence[Alert],
    now_ns: int,
    is_live: bool,
) -> JointFacts:
    """Return what is so of a joint.

    Parameters
    ----------
    latest, slow
        Its newest values, and those that change slowly; None before the first.
    alerts
        Those of all joints.
    now_ns
        The present on the recording's clock.
    is_live
        Whether a logger is writing the recording.
    """
    age_s = (now_ns - latest.time_ns) / 1e9 if latest and latest.time_ns else math.inf
    levels = _level_lines(recording, joint)
    channel = main_temperature(recording.channels(joint), {line.channel for line in levels})
    at_ns, temperature = (latest.values.get(channel or "") if latest else None) or (0, math.nan)
    old_s = max(STALE_AFTER_S, recording.hold_ns(joint).get(channel or "", 0) / 1e9)
    heat_age_s = (now_ns - at_ns) / 1e9 if math.isfinite(temperature) else math.inf
    rising = tuple(line for line in levels if line.channel == channel and line.is_rising)
    return JointFacts(
        joint=joint,
        age_s=age_s,
        is_stale=age_s > STALE_AFTER_S or not is_live,
        has_stopped=not is_live,
        channel=channel,
        temperature=temperature,
        heat_age_s=heat_age_s,
        is_heat_known=heat_age_s <= old_s,
        levels=rising,
        alerts=tuple(one for one in alerts if one.joint == joint and one.is_open(now_ns)),
        slow=slow,
        limit_in_s=_limit_in_s(channel, temperature, rising, slow, now_ns),
        has_fault=_has_fault(recording, joint, latest),
    )


def _has_fault(recording: Recording, joint: str, latest: LatestValues | None) -> bool:
    newest: Mapping[str, tuple[int, float]] = latest.values if latest else {}
    fault = read_drive_state(recording, joint, EventKind.FAULT, newest)
    return fault is not None and fault.is_active
