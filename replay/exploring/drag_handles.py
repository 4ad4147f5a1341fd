"""Where a limit's levels lie in a picture of what it measures, and which of its keys moves each.

A picture draws the measure of `rough`; a level that is dragged in it becomes a new value of a key.
Kinds without a level (a frozen reading) have none: their keys are typed. Pure.
"""

from dataclasses import dataclass

from logger.joint.bench.joint_settings import Rated
from logger.limits.inverse_time import InverseTime
from logger.limits.kind import rated_of
from logger.limits.level import Level, Outside, RatedLevel
from logger.limits.limit import OfJoint
from logger.limits.rate import Rate
from logger.limits.silence import Silence
from logger.limits.thermal import Thermal
from logger.limits.touch import Touch
from logger.limits.tracking import Tracking

__all__ = ["Handle", "handles_of", "measure_unit"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Handle:
    """One level that can be dragged."""

    key: str
    """Of the limit, as its file has it."""
    at: float
    """In the unit of the measure."""
    scale: float = 1.0
    """The measure's value for 1 of the key."""
    place: int | None = None
    """Which of the key's two numbers; None where it is one number."""
    mirrored: bool = False
    """It stands at both signs."""
    drop_off: bool = False


def handles_of(limit: OfJoint, rated: Rated) -> tuple[Handle, ...]:
    """Return the levels of a limit on a joint with these rated values, as the file says it."""
    match limit:
        case Level() | Touch() | Outside():
            return _of_level(limit)
        case RatedLevel():
            return _of_rated(limit, rated)
        case InverseTime():
            return _of_curve(limit, rated)
        case Rate():
            pick_up = Handle(key="rise_per_min", at=limit.rise_per_min)
            return pick_up, *_back("drop_off_per_min", limit.drop_off_per_min)
        case Tracking():
            pick_up = Handle(key="above", at=limit.above, mirrored=True)
            return pick_up, *_back("drop_off", limit.drop_off, mirrored=True)
        case Thermal():
            pick_up = Handle(key="above_percent", at=limit.above_percent * 0.01, scale=0.01)
            return pick_up, *_back("drop_off_percent", limit.drop_off_percent, scale=0.01)
        case Silence():
            return (Handle(key="after_s", at=limit.after_s),)
        case _:
            return ()


def _of_level(limit: Level | Touch | Outside) -> tuple[Handle, ...]:
    match limit:
        case Level():
            key, both = ("above" if limit.rising else "below"), limit.magnitude
            pick_up = Handle(key=key, at=limit.pick_up, mirrored=both)
            return pick_up, *_back("drop_off", limit.drop_off, mirrored=both)
        case Touch():
            pick_up = Handle(key="above", at=limit.threshold)
            return pick_up, *_back("drop_off", limit.drop_off)
        case Outside():
            return tuple(
                Handle(key="outside", at=at, place=place) for place, at in enumerate(limit.outside)
            )


def _of_rated(limit: RatedLevel, rated: Rated) -> tuple[Handle, ...]:
    whole = rated_of(limit.channel, rated)
    if whole is None:
        return ()
    key, both = ("above_rated" if limit.rising else "below_rated"), limit.magnitude
    pick_up = Handle(key=key, at=limit.share * whole, scale=whole, mirrored=both)
    return pick_up, *_back("drop_off_rated", limit.drop_off_rated, scale=whole, mirrored=both)


def _of_curve(limit: InverseTime, rated: Rated) -> tuple[Handle, ...]:
    """Return where it begins to count, which is at a multiple of the setting."""
    if limit.setting is not None:
        key, setting, scale = "setting", limit.setting, limit.from_multiple
    else:
        whole = rated_of(limit.channel, rated)
        if whole is None or limit.setting_rated is None:
            return ()
        key, setting, scale = "setting_rated", limit.setting_rated, limit.from_multiple * whole
    return (Handle(key=key, at=setting * scale, scale=scale, mirrored=True),)


def measure_unit(limit: OfJoint) -> str:
    """Return what the measure of a limit is: "channel", "per_min", "share" or "seconds"."""
    match limit:
        case Rate():
            return "per_min"
        case Thermal():
            return "share"
        case Silence():
            return "seconds"
        case _:
            return "channel"


def _back(
    key: str, value: float | None, *, scale: float = 1.0, mirrored: bool = False
) -> tuple[Handle, ...]:
    """Return the drop-off of a key's value, none where the file has none."""
    if value is None:
        return ()
    return (Handle(key=key, at=value * scale, scale=scale, mirrored=mirrored, drop_off=True),)
