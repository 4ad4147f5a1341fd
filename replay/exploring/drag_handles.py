"""Where a limit's levels lie in a picture of what it measures, and which of its keys moves each.

A picture draws the measure of `rough`; a level that is dragged in it becomes a new value of a key.
Kinds without a level (a frozen reading) have none: their keys are typed. Pure.
"""

from dataclasses import dataclass

from logger.joint.bench.joint_settings import RatedValues
from logger.limits.inverse_time import InverseTime
from logger.limits.kind import rated_value
from logger.limits.level import Band, Level, RatedLevel
from logger.limits.limit import AnyJointLimit
from logger.limits.rate import Rate
from logger.limits.silence import Silence
from logger.limits.thermal import Thermal
from logger.limits.touch import TouchTemperature
from logger.limits.tracking import Tracking

__all__ = ["DragHandle", "drag_handles", "measure_unit"]


@dataclass(frozen=True, slots=True, kw_only=True)
class DragHandle:
    """One level that can be dragged."""

    key: str
    """Of the limit, as its file has it."""
    position: float
    """In the unit of the measure."""
    scale: float = 1.0
    """The measure's value for 1 of the key."""
    number_index: int | None = None
    """Which of the key's two numbers; None where it is one number."""
    mirrored: bool = False
    """It stands at both signs."""
    drop_off: bool = False


def drag_handles(limit: AnyJointLimit, rated: RatedValues) -> tuple[DragHandle, ...]:
    """Return the levels of a limit on a joint with these rated values, as the file says it."""
    match limit:
        case Level() | TouchTemperature() | Band():
            return _level_handles(limit)
        case RatedLevel():
            return _rated_level_handles(limit, rated)
        case InverseTime():
            return _curve_handles(limit, rated)
        case Rate():
            pick_up = DragHandle(key="rise_per_min", position=limit.rise_per_min)
            return pick_up, *_drop_off_handle("drop_off_per_min", limit.drop_off_per_min)
        case Tracking():
            pick_up = DragHandle(key="above", position=limit.above, mirrored=True)
            return pick_up, *_drop_off_handle("drop_off", limit.drop_off, mirrored=True)
        case Thermal():
            pick_up = DragHandle(
                key="above_percent", position=limit.above_percent * 0.01, scale=0.01
            )
            return pick_up, *_drop_off_handle(
                "drop_off_percent", limit.drop_off_percent, scale=0.01
            )
        case Silence():
            return (DragHandle(key="after_s", position=limit.after_s),)
        case _:
            return ()


def _level_handles(limit: Level | TouchTemperature | Band) -> tuple[DragHandle, ...]:
    match limit:
        case Level():
            key, is_mirrored = ("above" if limit.is_rising else "below"), limit.magnitude
            pick_up = DragHandle(key=key, position=limit.pick_up, mirrored=is_mirrored)
            return pick_up, *_drop_off_handle("drop_off", limit.drop_off, mirrored=is_mirrored)
        case TouchTemperature():
            pick_up = DragHandle(key="above", position=limit.threshold_temperature)
            return pick_up, *_drop_off_handle("drop_off", limit.drop_off)
        case Band():
            return tuple(
                DragHandle(key="outside", position=level, number_index=index)
                for index, level in enumerate(limit.outside)
            )


def _rated_level_handles(limit: RatedLevel, rated: RatedValues) -> tuple[DragHandle, ...]:
    full_value = rated_value(limit.channel, rated)
    if full_value is None:
        return ()
    key, is_mirrored = ("above_rated" if limit.is_rising else "below_rated"), limit.magnitude
    pick_up = DragHandle(
        key=key, position=limit.pick_up_share * full_value, scale=full_value, mirrored=is_mirrored
    )
    return pick_up, *_drop_off_handle(
        "drop_off_rated", limit.drop_off_rated, scale=full_value, mirrored=is_mirrored
    )


def _curve_handles(limit: InverseTime, rated: RatedValues) -> tuple[DragHandle, ...]:
    """Return where it begins to count, which is at a multiple of the setting."""
    if limit.setting is not None:
        key, setting, scale = "setting", limit.setting, limit.from_multiple
    else:
        full_value = rated_value(limit.channel, rated)
        if full_value is None or limit.setting_rated is None:
            return ()
        key, setting, scale = "setting_rated", limit.setting_rated, limit.from_multiple * full_value
    return (DragHandle(key=key, position=setting * scale, scale=scale, mirrored=True),)


def measure_unit(limit: AnyJointLimit) -> str:
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


def _drop_off_handle(
    key: str, value: float | None, *, scale: float = 1.0, mirrored: bool = False
) -> tuple[DragHandle, ...]:
    """Return the drop-off of a key's value, none where the file has none."""
    if value is None:
        return ()
    return (
        DragHandle(key=key, position=value * scale, scale=scale, mirrored=mirrored, drop_off=True),
    )
