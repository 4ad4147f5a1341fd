"""The figures of a cycle: their names, units and values. Pure.

A name begins with what is taken and ends with its unit: `rms_torque_Nm`, `peak_current_forward_A`,
`mean_temperature_housing_degC`. Forward is where the speed is positive.
"""

import math
from collections.abc import Sequence
from typing import Final

from logger.campaign.cycle_sums import LOAD_CHANNELS, CycleSums, Integral
from logger.joint.channels import channel_named
from logger.joint.time_weighted import WeightedStatistics, statistics_of

__all__ = [
    "MISSING_FIGURE",
    "cycle_figure_names",
    "cycle_figures",
    "figure_channels",
    "figure_unit",
]

MISSING_FIGURE: Final = "missing_s"
"""For how long nothing was recorded in a cycle, or may not have been. 0.0 where nothing is missing,
null where it began in so long a gap that nobody knows, or where an older recorder wrote it."""
_WAYS: Final = ("forward", "backward")
_CYCLE_UNITS: Final = {"s": "s", "Nm": "N.m", "A": "A", "degC": "Cel", "rad": "rad", "J": "J"}
_ERRORS: Final = {
    "position_rad": ("position_error_rad", "position_setpoint_rad"),
    "speed_rad_s": ("speed_error_rad_s", "speed_setpoint_rad_s"),
}


def figure_channels(channels: Sequence[str]) -> tuple[str, ...]:
    """Return those channels of a joint that figures are made of."""
    made_of = {*LOAD_CHANNELS, "speed_rad_s", "position_rad"}
    made_of |= {setpoint for _, setpoint in _ERRORS.values()}
    return tuple(name for name in channels if name in made_of or _is_temperature(name))


def cycle_figure_names(channels: Sequence[str], *, has_winding: bool) -> tuple[str, ...]:
    """Return the figures that cycles of a joint with these channels have, in their order.

    `has_winding`: the bench file says what the winding's resistance is.
    """
    names = ["cycle_time_s", MISSING_FIGURE]
    has_speed = "speed_rad_s" in channels
    for load in LOAD_CHANNELS:
        if load in channels:
            quantity, unit = load.rsplit("_", 1)
            for taken in ("rms", "peak"):
                names.append(f"{taken}_{load}")
                names += [f"{taken}_{quantity}_{way}_{unit}" for way in _WAYS if has_speed]
    temperatures = [name for name in channels if _is_temperature(name)]
    own = [name for name in temperatures if channel_named(name).place != "ambient"]
    names += ["peak_temperature_degC"] if own else []
    for name in temperatures:
        names += [f"peak_{name}", f"mean_{name}"]
    for channel, (error, setpoint) in _ERRORS.items():
        if channel in channels and setpoint in channels:
            names += [f"rms_{error}", f"peak_{error}"]
    if has_speed and "torque_Nm" in channels:
        names += ["driving_work_J", "braking_work_J"]
    if has_winding and "current_A" in channels:
        names.append("copper_loss_J")
    if has_speed and "position_rad" in channels:
        loads = [load for load in LOAD_CHANNELS if load in channels]
        names += [f"friction_{load.rsplit('_', 1)[1]}" for load in loads]
    return tuple(names)


def figure_unit(name: str) -> str:
    """Return the unit of a figure (UCUM code)."""
    if name.endswith("_rad_s"):
        return "rad/s"
    return _CYCLE_UNITS[name.rsplit("_", 1)[1]]


def cycle_figures(
    sums: CycleSums, names: Sequence[str], *, duration_s: float, missing_s: float
) -> dict[str, float]:
    """Return the figures of a cycle by name, in the order of `names`; NaN for one not known.

    `missing_s`: for how long nothing is known of it; infinity: nobody knows for how long.
    """
    missing_s = missing_s if math.isfinite(missing_s) else math.nan
    known = {"cycle_time_s": duration_s, MISSING_FIGURE: missing_s}
    hottest = math.nan
    for channel, parts in sums.buckets.items():
        figures = statistics_of(list(parts))
        if _is_temperature(channel):
            known |= {f"peak_{channel}": figures.maximum, f"mean_{channel}": figures.mean}
            if channel_named(channel).place != "ambient":
                hottest = figures.maximum if math.isnan(hottest) else max(hottest, figures.maximum)
        elif channel in LOAD_CHANNELS:
            known |= _load_figures(channel, figures, sums)
    known["peak_temperature_degC"] = hottest
    for channel, (error, _) in _ERRORS.items():
        if (one := sums.integrals.get(f"{channel} error")) is not None:
            known |= {f"rms_{error}": _rms(one), f"peak_{error}": _peak(one)}
    for name, part in (
        ("driving_work_J", "driving"),
        ("braking_work_J", "braking"),
        ("copper_loss_J", "copper"),
    ):
        one = sums.integrals.get(part)
        known[name] = one.total if one is not None and one.held_s > 0.0 else math.nan
    return {name: known.get(name, math.nan) for name in names}


def _load_figures(channel: str, figures: WeightedStatistics, sums: CycleSums) -> dict[str, float]:
    quantity, unit = channel.rsplit("_", 1)
    out = {
        f"rms_{channel}": figures.rms,
        f"peak_{channel}": max(abs(figures.minimum), abs(figures.maximum)),
    }
    for way in _WAYS:
        if (one := sums.integrals.get(f"{channel} {way}")) is not None:
            out[f"rms_{quantity}_{way}_{unit}"] = _rms(one)
            out[f"peak_{quantity}_{way}_{unit}"] = _peak(one)
    if (one := sums.integrals.get(f"{channel} friction")) is not None:
        out[f"friction_{unit}"] = one.total / one.held_s
    return out


def _rms(one: Integral) -> float:
    return math.sqrt(one.total / one.held_s) if one.held_s > 0.0 else math.nan


def _peak(one: Integral) -> float:
    return one.peak if one.held_s > 0.0 else math.nan


def _is_temperature(name: str) -> bool:
    channel = channel_named(name)
    return channel.quantity == "temperature" and not channel.setpoint
