"""A joint whose truth is known, followed by the observer: its model, its readings, its outcomes."""
# ruff: noqa: N803, N815 - units are written as units are: K is a capital

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from logger.heat.fitted import FittedHeat, fitted_heat
from logger.heat.track import HeatTrack, advance_track
from logger.joint.bench.thermal_settings import ThermalSettings
from logger.joint.thermal.sensor_lag import sensed_temperatures
from logger.joint.thermal.thermal_load import JointHeat, LoadSteps, temperatures_over
from logger.joint.thermal.thermal_model import TwoNode, Winding
from tests.support.heat_joints import TRUE_OHM, drifting_room

SECOND_NS = 1_000_000_000
HOLD_NS = {
    "current_A": 3 * SECOND_NS,
    "temperature_housing_degC": 3 * SECOND_NS,
    "temperature_winding_degC": 3 * SECOND_NS,
    "temperature_ambient_degC": 30 * SECOND_NS,
}
SPREAD = 0.045
"""Of each parameter of the model about the truth: 3 to 6 %."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ObservedJoint:
    """One run: the truth, what was read of it, and the model that a recorder would have."""

    fitted: FittedHeat
    current_A: np.ndarray
    """Of each second, shape (n,)."""
    truth_degC: np.ndarray
    """Winding and housing at each second's begin, shape (n + 1, 2)."""
    room_degC: np.ndarray
    """Of each second."""
    true: FittedHeat
    """The model that nobody has: the truth before any change of the cooling, all draws alike."""
    readings: dict[str, np.ndarray]
    """Temperature channel -> what was read at each second's end, shape (n,)."""


def observed_joint(
    seed: int,
    current_A: np.ndarray,
    *,
    winding: bool = True,
    ambient: bool = True,
    spread: float = SPREAD,
    resolution_K: float = 1.0,
    cooling: tuple[int, float] | None = None,
    winding_lag_s: float = 0.0,
    is_lag_known: bool = True,
) -> ObservedJoint:
    """Return a joint under a load, and a model of it that is as far off as its spread says.

    Parameters
    ----------
    cooling
        At which second its resistance to the ambient grew, and by which factor.
    winding_lag_s, is_lag_known
        Time constant with which the winding's sensor follows it, and whether the model has it.
    """
    dice = np.random.default_rng(seed)
    seconds = len(current_A)
    off = np.exp(dice.uniform(-0.3, 0.3, 4))
    network = TwoNode(
        winding_housing_K_per_W=0.8 * off[0],
        winding_J_per_K=60.0 * off[1],
        housing_ambient_K_per_W=2.2 * off[2],
        housing_J_per_K=450.0 * off[3],
    )
    joint = JointHeat(
        network=network, winding=Winding(resistance_ohm=TRUE_OHM), standby_W=dice.uniform(1.5, 5.0)
    )
    room = drifting_room(seconds, dice)
    load = LoadSteps.at_rest(np.ones(seconds), current_A**2)
    truth = temperatures_over(joint, load, start_degC=[room[0] + 3.0] * 2, ambient_degC=room)
    if cooling is not None:
        at, factor = cooling
        worse = TwoNode(
            winding_housing_K_per_W=network.winding_housing_K_per_W,
            winding_J_per_K=network.winding_J_per_K,
            housing_ambient_K_per_W=network.housing_ambient_K_per_W * factor,
            housing_J_per_K=network.housing_J_per_K,
        )
        truth[at:] = temperatures_over(
            JointHeat(network=worse, winding=joint.winding, standby_W=joint.standby_W),
            LoadSteps.at_rest(np.ones(seconds - at), current_A[at:] ** 2),
            start_degC=truth[at],
            ambient_degC=room[at:],
        )
    shown = {"temperature_housing_degC": truth[1:, 1]}
    if winding:
        shown["temperature_winding_degC"] = truth[1:, 0]
    if winding_lag_s:
        states = sensed_temperatures(
            joint,
            load,
            start_degC=[room[0] + 3.0] * 2,
            ambient_degC=room,
            lags_s={0: winding_lag_s},
        )
        shown["temperature_winding_degC"] = states[1:, 2]
    if ambient:
        shown["temperature_ambient_degC"] = room
    readings = {
        channel: resolution_K * np.rint((of + dice.normal(0.0, 0.15, seconds)) / resolution_K)
        for channel, of in shown.items()
    }
    named = {
        "housing_rise": network.housing_ambient_K_per_W * TRUE_OHM,
        "housing_time_s": network.housing_ambient_K_per_W * network.housing_J_per_K,
        "winding_rise": network.winding_housing_K_per_W * TRUE_OHM,
        "winding_time_s": network.winding_housing_K_per_W * network.winding_J_per_K,
        "standby_rise_K": network.housing_ambient_K_per_W * joint.standby_W,
    }
    if winding_lag_s and is_lag_known:
        named["winding_lag_s"] = winding_lag_s
    missed = {key: value * float(np.exp(dice.normal(0.0, spread))) for key, value in named.items()}
    settings = ThermalSettings(
        **missed,
        log_covariance=tuple(tuple(spread**2 if i == j else 0.0 for j in named) for i in named),
    )
    exact = ThermalSettings(**named, log_covariance=((0.0,) * len(named),) * len(named))
    return ObservedJoint(
        fitted=fitted_heat(settings),
        current_A=current_A,
        truth_degC=truth,
        room_degC=room,
        true=fitted_heat(exact),
        readings=readings,
    )


def follow(run: ObservedJoint, *, chunk_s: int = 600) -> Iterator[tuple[int, HeatTrack]]:
    """Yield each step's end in s and the track there, the readings fed in chunks."""
    track = HeatTrack()
    for begin in range(0, len(run.current_A), chunk_s):
        end = min(begin + chunk_s, len(run.current_A))
        at_ns = np.arange(begin, end, dtype=np.int64) * SECOND_NS
        readings = {}
        for channel, values in {"current_A": run.current_A, **run.readings}.items():
            known = ~np.isnan(values[begin:end])
            late_ns = 0 if channel == "current_A" else SECOND_NS - 1
            readings[channel] = (at_ns[known] + late_ns, values[begin:end][known])
        steps, track = advance_track(
            run.fitted, track, readings, hold_ns=HOLD_NS, until_ns=end * SECOND_NS
        )
        for end_ns, after in steps:
            yield end_ns // SECOND_NS, after


def random_duty(seed: int, seconds: int, mean_s: float) -> np.ndarray:
    """Return a current of holds, each of 0 to 14 A, their lengths exponential."""
    dice = np.random.default_rng(seed + 10_000)
    out = np.empty(0)
    while len(out) < seconds:
        out = np.append(out, np.full(1 + int(dice.exponential(mean_s)), dice.uniform(0.0, 14.0)))
    return out[:seconds]
