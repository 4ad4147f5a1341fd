"""Where a limit has a level in its channel's own unit: what a picture of the channel draws.

A level, the two of an `outside`, a share of a joint's rated value, a burn threshold. Limits on
rates, on time and load, or on silence have none. Pure.
"""

from dataclasses import dataclass

from logger.joint.bench.joint_settings import Rated
from logger.limits.kind import Severity
from logger.limits.level import Level, Outside, RatedLevel
from logger.limits.limit import Limit
from logger.limits.touch import Touch

__all__ = ["LevelLine", "lines_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelLine:
    """One level of a limit on one joint, in the channel's stored unit."""

    severity: Severity
    channel: str
    rising: bool
    """True where it speaks up above, False where below."""
    pick_up: float
    drop_off: float | None
    """None: at the pick-up itself."""


def lines_of(limit: Limit, rated: Rated) -> tuple[LevelLine, ...]:
    """Return the levels of a limit on a joint with these rated values, the lower one first."""
    match limit:
        case Level():
            return (_line(limit, limit.pick_up, limit.drop_off, rising=limit.rising),)
        case RatedLevel():
            level = limit.of(rated)
            return () if level is None else lines_of(level, rated)
        case Outside():
            (low, high), (lower, upper) = limit.outside, limit.clears_within
            return (
                _line(limit, low, lower, rising=False),
                _line(limit, high, upper, rising=True),
            )
        case Touch():
            return (_line(limit, limit.threshold, limit.drop_off, rising=True),)
        case _:
            return ()


def _line(
    limit: Level | Outside | Touch, pick_up: float, drop_off: float | None, *, rising: bool
) -> LevelLine:
    return LevelLine(
        severity=limit.severity,
        channel=limit.channel,
        rising=rising,
        pick_up=pick_up,
        drop_off=None if drop_off == pick_up else drop_off,
    )
