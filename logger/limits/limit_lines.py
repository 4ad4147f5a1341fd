"""Where a limit has a level in its channel's own unit, as pictures of the channel draw it. Pure."""

from logger.joint.bench.joint_settings import RatedValues
from logger.limits.kind import JointLimit, LimitKind
from logger.limits.levels import LimitLevel

__all__ = ["LimitLevel", "levels_of"]


def levels_of(limit: LimitKind, rated: RatedValues) -> tuple[LimitLevel, ...]:
    """Return the levels of a limit on a joint with these rated values, the lower one first."""
    return limit.levels(rated) if isinstance(limit, JointLimit) else ()
