"""The limits in force last on the joint of a fit: the levels of its temperatures among them."""
# ruff: noqa: N802, N806 - units are written as units are

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from logger.limits.kind import JointLimit
from logger.limits.levels import LimitLevel
from replay.excursions.applied_limits import recorded_limits
from replay.heat.fit import HeatFit
from replay.recording import Recording

__all__ = [
    "TEMPERATURE_DEFAULTS",
    "TemperatureLimit",
    "default_limit_degC",
    "joint_limits",
    "temperature_limits",
]

TEMPERATURE_DEFAULTS: Final = {"winding": 110.0, "housing": 80.0}


@dataclass(frozen=True, slots=True, kw_only=True)
class TemperatureLimit:
    """A level of a limit in force on a temperature of the joint."""

    name: str
    """Of the limit."""
    place: str
    """What the sensor is on: `winding`, `housing`."""
    level: LimitLevel


def joint_limits(recording: Recording, joint: str) -> Iterator[JointLimit]:
    """Yield the limits in force last on a joint, in the units of its channels."""
    rated = recording.bench.joint_named(joint).rated
    for limit in recorded_limits(recording).limits.for_joint(joint, recording.channels(joint)):
        in_unit = limit.in_channel_unit(rated)
        if in_unit is not None:
            yield in_unit


def temperature_limits(recording: Recording, fit: HeatFit) -> tuple[TemperatureLimit, ...]:
    """Return the levels of limits on the temperatures that a joint was fitted to."""
    rated = recording.bench.joint_named(fit.joint).rated
    place_of = {f"temperature_{one.place.value}_degC": one.place.value for one in fit.own_sensors}
    return tuple(
        TemperatureLimit(name=limit.name, place=place_of[level.channel], level=level)
        for limit in joint_limits(recording, fit.joint)
        for level in limit.levels(rated)
        if level.channel in place_of
    )


def default_limit_degC(recording: Recording, fit: HeatFit) -> tuple[float, str]:
    """Return the temperature to hold, and the limit in force that it comes from, if one does.

    The lowest level of a trip on the node's temperature, else of a warning.
    """
    found = [
        (one.level.severity != "trip", one.level.pick_up, one.name)
        for one in temperature_limits(recording, fit)
        if one.place == fit.node.value and one.level.is_rising
    ]
    if not found:
        return TEMPERATURE_DEFAULTS[fit.node.value], ""
    _, level_degC, name = min(found)
    return level_degC, name
