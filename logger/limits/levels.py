"""Where a limit has a level in its channel's own unit: what a picture of the channel draws.

A level, the two of an `outside`, a share of a joint's rated value, a burn threshold. Limits on
rates, on time and load, or on silence have none. Pure.
"""

from dataclasses import dataclass

from logger.joint.bench.joint_settings import RatedValues
from logger.limits.kind import Severity
from logger.limits.level import Band, Level, RatedLevel
from logger.limits.limit import Limit
from logger.limits.touch import TouchTemperature

__all__ = ["LimitLevel", "levels_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitLevel:
    """One level of a limit on one joint, in the channel's stored unit."""

    severity: Severity
    channel: str
    is_rising: bool
    """True where it speaks up above, False where below."""
    pick_up: float
    drop_off: float | None
    """None: at the pick-up itself."""


def levels_of(limit: Limit, rated: RatedValues) -> tuple[LimitLevel, ...]:
    """Return the levels of a limit on a joint with these rated values, the lower one first."""
    match limit:
        case Level():
            return (_to_level(limit, limit.pick_up, limit.drop_off, rising=limit.is_rising),)
        case RatedLevel():
            level = limit.with_rated(rated)
            return () if level is None else levels_of(level, rated)
        case Band():
            (low, high), (lower, upper) = limit.outside, limit.clears_within
            return (
                _to_level(limit, low, lower, rising=False),
                _to_level(limit, high, upper, rising=True),
            )
        case TouchTemperature():
            return (_to_level(limit, limit.threshold_temperature, limit.drop_off, rising=True),)
        case _:
            return ()


def _to_level(
    limit: Level | Band | TouchTemperature, pick_up: float, drop_off: float | None, *, rising: bool
) -> LimitLevel:
    return LimitLevel(
        severity=limit.severity,
        channel=limit.channel,
        is_rising=rising,
        pick_up=pick_up,
        drop_off=None if drop_off == pick_up else drop_off,
    )
