"""For how long a joint holds a load, and what the limits in force allow it."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from dashboard.heat.limits_in_force import joint_limits
from logger.arrays import Floats
from logger.limits.curve_table import curve_table, limit_curve_settings
from logger.limits.kind import JointLimit
from logger.limits.kinds.level import Level
from logger.limits.limit import LimitSet
from logger.limits.scored_limit import ScoredLimit
from replay.heat.fit import HeatFit
from replay.recording import Recording

__all__ = ["AllowedLoad", "allowed_loads", "curve_times_s", "lowest_allowed"]

LONGEST_S: Final = 8 * 3600.0
SHORTEST_S: Final = 10.0
POINTS: Final = 48


@dataclass(frozen=True, slots=True, kw_only=True)
class AllowedLoad:
    """What one limit allows: the highest load for each time, in the unit of a fit."""

    name: str
    severity: str
    load: Floats
    """For each of `curve_times_s`; inf where it allows any."""


def curve_times_s(fit: HeatFit) -> Floats:
    """Return the times that the curve is drawn for, from short to long."""
    shortest = min(max(SHORTEST_S, fit.shortest_known_s), LONGEST_S / 4.0)
    return np.geomspace(shortest, LONGEST_S, POINTS)


def allowed_loads(recording: Recording, fit: HeatFit, time_s: Floats) -> list[AllowedLoad]:
    """Return what each limit in force on the joint's current or torque allows for each time."""
    factors = fit.load_factors
    out = []
    for limit in joint_limits(recording, fit.joint):
        channels = {channel for _, channel in limit.needed_channels}
        if len(channels) != 1 or not channels <= set(factors):
            continue
        load = _allowed_by(limit, time_s)
        if load is not None:
            out.append(
                AllowedLoad(
                    name=limit.name,
                    severity=limit.severity,
                    load=load * factors[channels.pop()],
                )
            )
    return out


def lowest_allowed(loads: Sequence[AllowedLoad]) -> Floats | None:
    """Return what all limits together allow; None where no limit watches the load."""
    if not loads:
        return None
    return np.asarray(np.min([one.load for one in loads], axis=0))


def _allowed_by(limit: JointLimit, time_s: Floats) -> Floats | None:
    """Return the highest load that a limit lets go on for each time; None for another kind."""
    if isinstance(limit, ScoredLimit) and limit.curve_settings() is not None:
        settings, _ = limit_curve_settings(LimitSet(limits=(limit,)), limit.name)
        current, operate_s = curve_table(settings).points_to_draw()
        known = np.isfinite(operate_s) & (operate_s > 0)
        # From the highest current, which operates first, to the lowest.
        order = np.argsort(operate_s[known])
        times, loads = operate_s[known][order], current[known][order]
        at = np.exp(np.interp(np.log(time_s), np.log(times), np.log(loads)))
        return np.where(time_s < times[0], np.inf, np.where(time_s > times[-1], loads[-1], at))
    if isinstance(limit, Level) and limit.rising and not limit.needs_rated:
        return np.where(time_s <= limit.delay_s, np.inf, limit.pick_up)
    return None
