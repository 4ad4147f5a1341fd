"""Simulated joints whose heat is known: loads, rooms that drift, sensors that round, gaps."""
# ruff: noqa: N803, N806, N815 - units are written as units are: K is a capital

from dataclasses import dataclass, replace

import numpy as np

from logger.joint.thermal.sensor_lag import sensed_temperatures
from logger.joint.thermal.thermal_load import JointHeat, LoadSteps, Node, temperatures_over
from logger.joint.thermal.thermal_model import TwoNode, Winding
from replay.heat.dated_change import ChangeCause, changed_joint
from replay.heat.trace import HeatTrace, SensorCounts, SensorPlace

TRUE_OHM = 0.145


@dataclass(frozen=True, slots=True, kw_only=True)
class Simulated:
    """A trace and the truth that made it, in K/A^2 and s (`logger.heat.model.Parameter`)."""

    trace: HeatTrace
    joint: JointHeat
    """That made it, its copper counted at 1 ohm as a fit counts it."""
    truth: dict[str, float]
    temperatures: np.ndarray
    """Winding and housing at each second, shape (n + 1, 2)."""
    ambient_degC: np.ndarray


def load_course(pattern: str, seconds: int, dice: np.random.Generator) -> np.ndarray:
    """Return a current for each second: `steps`, `cyclic` or `random` duty."""
    if pattern == "steps":
        levels = dice.permutation([0.0, 4.0, 8.0, 11.0, 6.0, 12.0, 2.0, 9.0])
        return np.repeat(levels, -(-seconds // len(levels)))[:seconds]
    if pattern == "cyclic":
        on_s, off_s = dice.integers(10, 30), dice.integers(10, 30)
        cycle = np.concatenate([np.full(on_s, 12.0), np.full(off_s, dice.uniform(1.0, 4.0))])
        return np.tile(cycle, -(-seconds // len(cycle)))[:seconds]
    out = np.empty(0)
    mean_s = dice.choice([4.0, 20.0, 150.0])
    while len(out) < seconds:
        out = np.append(out, np.full(1 + int(dice.exponential(mean_s)), dice.uniform(0.0, 14.0)))
    return out[:seconds]


def drifting_room(seconds: int, dice: np.random.Generator) -> np.ndarray:
    """Return an ambient that drifts by 2 K in 2 h: slope, wave and a slow random course."""
    hours = np.arange(seconds) / 3600.0
    wave = dice.uniform(0.2, 0.6) * np.sin(
        2 * np.pi * (hours / dice.uniform(0.7, 3.0) + dice.random())
    )
    noise = np.zeros(seconds)
    keep = np.exp(-1.0 / 1800.0)
    pushes = dice.normal(0.0, 0.2 * np.sqrt(1 - keep**2), seconds)
    for index in range(1, seconds):
        noise[index] = keep * noise[index - 1] + pushes[index]
    return dice.uniform(18.0, 27.0) + dice.uniform(-0.6, 0.6) * hours + wave + noise


def simulate_joint(
    seed: int,
    *,
    pattern: str = "steps",
    winding: bool = False,
    ambient: bool = True,
    housing: bool = True,
    hours: float = 2.0,
    step_s: int = 10,
    resolution_K: float = 1.0,
    noise_K: float = 0.15,
    gaps: int = 3,
    load: np.ndarray | None = None,
    change: tuple[int, ChangeCause, float] | None = None,
    restored_at: int | None = None,
    warmer_K: np.ndarray | None = None,
    winding_lag_s: float = 0.0,
    housing_lag_s: float = 0.0,
    loss_node: Node = Node.HOUSING,
    speed: np.ndarray | None = None,
    speed_W: tuple[float, float] = (0.0, 0.0),
) -> Simulated:
    """Return a joint around the round set of values, read once a second in whole degrees.

    Parameters
    ----------
    winding, ambient, housing
        Whether these are recorded.
    change
        At which second the joint became another, in what, and by which factor.
    restored_at
        At which second a joint that changed became what it had been; None: never.
    warmer_K
        By how much what stands around warms its room, at each second.
    winding_lag_s, housing_lag_s
        Time constants with which sensors follow their nodes.
    loss_node
        Where standby and speed loss arise.
    speed, speed_W
        Speed in rad/s at each second; its loss for each rad/s, and each (rad/s)^2.
    """
    dice = np.random.default_rng(seed)
    seconds = int(hours * 3600)
    spread = np.exp(dice.uniform(-0.3, 0.3, 4))
    network = TwoNode(
        winding_housing_K_per_W=0.8 * spread[0],
        winding_J_per_K=60.0 * spread[1],
        housing_ambient_K_per_W=2.2 * spread[2],
        housing_J_per_K=450.0 * spread[3],
    )
    standby_W = dice.uniform(1.5, 5.0)
    joint = JointHeat(
        network=network,
        winding=Winding(resistance_ohm=TRUE_OHM),
        standby_W=standby_W,
        loss_node=loss_node,
        speed_W_s_per_rad=speed_W[0],
        speed_W_s2_per_rad2=speed_W[1],
    )
    current = load_course(pattern, seconds, dice) if load is None else load
    room = drifting_room(seconds, dice)
    if warmer_K is not None:
        room = room + warmer_K
    each = LoadSteps.at_rest(np.ones(seconds), current**2)
    if speed is not None:
        each = replace(each, mean_speed_rad_s=np.abs(speed), mean_square_speed_rad2_s2=speed**2)
    start = room[0] + np.array([1.0, 1.0]) * dice.uniform(0.0, 8.0)
    lags_s = {
        node: lag_s for node, lag_s in enumerate((winding_lag_s, housing_lag_s)) if lag_s > 0.0
    }
    states = sensed_temperatures(joint, each, start_degC=start, ambient_degC=room, lags_s=lags_s)
    temperatures, shown = states[:, :2], states[:, :2].copy()
    shown[:, list(lags_s)] = states[:, 2:]
    if change is not None:
        at, cause, factor = change
        later = [(at, changed_joint(joint, cause, factor))]
        later += [] if restored_at is None else [(restored_at, joint)]
        for begin, other in later:
            temperatures[begin:] = temperatures_over(
                other,
                LoadSteps.at_rest(np.ones(seconds - begin), current[begin:] ** 2),
                start_degC=temperatures[begin],
                ambient_degC=room[begin:],
            )
        shown = temperatures
    recorded = np.ones(seconds, bool)
    for _ in range(gaps):
        begin = dice.integers(seconds // 10, seconds - seconds // 6)
        recorded[begin : begin + dice.integers(120, 600)] = False
    trace = _trace(each, recorded, step_s)
    sensors = []
    for place, course in (
        (SensorPlace.HOUSING, shown[1:, 1] if housing else None),
        (SensorPlace.WINDING, shown[1:, 0] if winding else None),
        (SensorPlace.AMBIENT, room if ambient else None),
    ):
        if course is not None:
            noisy = course + dice.normal(0.0, noise_K, seconds)
            value = resolution_K * np.rint(noisy / resolution_K)
            sensors.append(_counts(place, value, recorded, trace, resolution_K))
    r1, c1 = network.winding_housing_K_per_W, network.winding_J_per_K
    r2, c2 = network.housing_ambient_K_per_W, network.housing_J_per_K
    return Simulated(
        trace=replace(trace, sensors=tuple(sensors)),
        joint=_per_ampere(joint),
        truth={
            "housing_rise": r2 * TRUE_OHM,
            "housing_time": r2 * c2,
            "winding_rise": r1 * TRUE_OHM,
            "winding_time": r1 * c1,
            "standby_rise": standby_W * r2,
            "winding_lag": winding_lag_s,
            "housing_lag": housing_lag_s,
            "speed_rise": max(speed_W) * r2,
        },
        temperatures=temperatures,
        ambient_degC=room,
    )


def _per_ampere(joint: JointHeat) -> JointHeat:
    """Return the same joint with every watt counted as the squares of a fit: 1 ohm of copper."""
    network, ohm = joint.network, joint.winding.resistance_ohm
    assert isinstance(network, TwoNode)
    return replace(
        joint,
        network=TwoNode(
            winding_housing_K_per_W=network.winding_housing_K_per_W * ohm,
            winding_J_per_K=network.winding_J_per_K / ohm,
            housing_ambient_K_per_W=network.housing_ambient_K_per_W * ohm,
            housing_J_per_K=network.housing_J_per_K / ohm,
        ),
        winding=replace(joint.winding, resistance_ohm=1.0),
        standby_W=joint.standby_W / ohm,
        speed_W_s_per_rad=joint.speed_W_s_per_rad / ohm,
        speed_W_s2_per_rad2=joint.speed_W_s2_per_rad2 / ohm,
    )


def _trace(each: LoadSteps, recorded: np.ndarray, step_s: int) -> HeatTrace:
    """Return whole steps of what was recorded of the load of each second, without sensors."""
    count = len(recorded) // step_s
    whole = recorded[: count * step_s].reshape(count, step_s).all(axis=1)
    kept = np.flatnonzero(whole)

    def mean(values: np.ndarray) -> np.ndarray:
        return values[: count * step_s].reshape(count, step_s).mean(axis=1)[kept]

    segment = np.cumsum(np.diff(kept, prepend=kept[0] - 1) > 1)
    return HeatTrace(
        steps=LoadSteps(
            duration_s=np.full(len(kept), float(step_s)),
            mean_square_A2=mean(each.mean_square_A2),
            mean_speed_rad_s=mean(each.mean_speed_rad_s),
            mean_square_speed_rad2_s2=mean(each.mean_square_speed_rad2_s2),
        ),
        begin_s=kept * float(step_s),
        segment=segment.astype(np.int64),
        sensors=(),
    )


def _counts(place, value, recorded, trace, resolution_K) -> SensorCounts:
    """Return readings made once a second, grouped within each step."""
    second, step_s = np.arange(len(value)), int(trace.steps.duration_s[0])
    of_step = np.full(len(second) // step_s + 1, -1)
    of_step[(trace.begin_s / step_s).astype(int)] = np.arange(len(trace.begin_s))
    step = of_step[second // step_s]
    kept = (step >= 0) & recorded
    # The winding is fast against a step, so its readings keep their place in it; of a wide one the
    # last counts, as in `replay.heat.bins`.
    slots = step_s if place is SensorPlace.WINDING else 1
    if slots > 2:
        kept &= second % step_s == step_s - 1
    slot = (second % step_s) * slots // step_s
    keys, n = np.unique(
        np.stack([step[kept], slot[kept], np.rint(value[kept] / resolution_K).astype(int)]),
        axis=1,
        return_counts=True,
    )
    fraction = (keys[1] + (1.0 if slots > 1 else 0.5)) / slots
    if slots == 1:
        fraction = np.full(len(n), (step_s + 1) / 2 / step_s)
    return SensorCounts(
        place=place,
        resolution_K=resolution_K,
        step=keys[0].astype(np.int64),
        fraction=fraction,
        value_degC=keys[2] * resolution_K,
        n=n.astype(float),
    )
