"""The temperatures of a joint's nodes and its ambient, estimated from its load and its sensors.

A Kalman observer in steps of ten seconds. The state is the temperature of each node and the
ambient; within a step the mean square of the load is constant and the step exact (`thermal_load`).
The ambient walks at random: a room drifts, and an ambient that nobody records has the standby loss
in it. All draws of the model are stepped with the gains of the likeliest, so that each draw's
ambient makes up for what its parameters miss at the present load: parameters and state are drawn
together in a forecast, as they belong together. What the readings say of the model is watched: a
joint whose readings lie outside the band on one side for five minutes has left it.

A sensor that lags is a state of its own behind nodes and ambient: what it shows is not taken for
what its node is at.

Pure; temperatures in degC, differences in K.
"""
# ruff: noqa: N806 - units are written as units are: K and A are capitals

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.heat.fitted import AMBIENT_CHANNEL, DRAWS, FittedHeat
from logger.joint.thermal.sensor_lag import lagged_response
from logger.joint.thermal.thermal_load import LoadSteps

__all__ = [
    "BACK_STEPS",
    "BRIDGED_STEPS",
    "LEFT_STEPS",
    "STEP_S",
    "HeatStep",
    "ObserverState",
    "advance_observer",
    "resolution_K",
]

STEP_S: Final = 10
AMBIENT_WALK_K2_PER_S: Final = 1.2**2 / 3600.0
"""1.2 K in a root hour: rooms of 2 K of drift in 2 h."""
AMBIENT_SPREAD_K: Final = 8.0
"""Of an ambient that neither a channel nor the bench file tells."""
STATED_AMBIENT_SPREAD_K: Final = 4.0
"""The room of another day than that of the fit."""
NODE_WALK_K2_PER_S: Final = 0.012**2
"""What no model of two nodes knows."""
FIRST_SPREAD_K: Final = 8.0
"""Of a node without a sensor, at first."""
NOISE_K: Final = 0.2
COUNT_TOGETHER: Final = 6.0
"""Readings of one count are wrong together: those of a minute tell no more than one."""
BRIDGED_STEPS: Final = 3
"""Steps without a known load over which the load before counts as held."""
BAND_SD: Final = 2.0
LEFT_STEPS: Final = 30
"""Five minutes outside the band on one side."""
BACK_STEPS: Final = 180
"""Half an hour within it, until a model that was left counts again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatStep:
    """What is known of one step; NaN where nothing is."""

    number: int
    """Its end is at (number + 1) * `STEP_S` seconds."""
    mean_square: float
    mean_speed: float = 0.0
    mean_square_speed: float = 0.0
    readings: Mapping[str, float] = field(default_factory=dict)
    """Temperature channel -> mean of its readings."""
    fine: frozenset[str] = frozenset()
    """Channels that showed other than whole degrees."""


@dataclass(frozen=True, slots=True)
class ObserverState:
    """The estimate after a step."""

    number: int
    """Of that step."""
    mean_degC: Floats  # noqa: N815 - the unit's own spelling
    """Temperatures of the nodes, then the ambient, of every draw: shape (draws, nodes + 1)."""
    shown_degC: Floats  # noqa: N815
    """What sensors that lag show, of every draw: shape (draws, sensors), in the order of nodes."""
    states_covariance: tuple[tuple[float, ...], ...]
    """Of one draw, in K^2: of nodes, ambient, and sensors that lag."""
    load: tuple[float, float, float]
    """Mean square, mean magnitude and mean square of speed that hold where none is known."""
    steps: int = 0
    """Since the state began."""
    unknown_steps: int = 0
    """Without a known load, so far."""
    outside: int = 0
    """Steps outside the band so far: above it positive, below it negative."""
    inside: int = 0
    """Steps within the band, since the model was left."""
    left_number: int | None = None
    """The step at which the joint was found to have left its model; None: it has not."""
    fine: frozenset[str] = frozenset()
    """Channels that have shown other than whole degrees."""

    @property
    def covariance(self) -> tuple[tuple[float, ...], ...]:
        """Of one draw, in K^2: of nodes and ambient, as they stand in `mean_degC`."""
        count = self.mean_degC.shape[1]
        if len(self.states_covariance) == count:
            return self.states_covariance
        return tuple(row[:count] for row in self.states_covariance[:count])

    def spread_K(self, node: int) -> float:  # noqa: N802 - the unit's own spelling
        """Return the standard uncertainty of a node, what the parameters leave open included."""
        between = float(np.var(self.mean_degC[:, node]))
        return math.sqrt(max(self.states_covariance[node][node], 0.0) + between)


def resolution_K(state: ObserverState | None, channel: str) -> float:  # noqa: N802
    """Return the step of a count of a channel, as far as it has shown."""
    return 0.1 if state is not None and channel in state.fine else 1.0


def advance_observer(
    fitted: FittedHeat, state: ObserverState | None, step: HeatStep
) -> ObserverState | None:
    """Return the estimate after a step; None while no temperature or no load is known.

    After a gap of the load that is too long to be bridged the nodes begin anew; the ambient, and
    whether the model was left, stay.
    """
    known = not math.isnan(step.mean_square)
    if state is not None:
        gone = step.number - state.number - 1
        unknown = state.unknown_steps + gone + (not known)
        if gone < 0 or ((gone or not known) and unknown > BRIDGED_STEPS):
            if not known:
                return _with_ambient_only(state, step, unknown)
            return _first_state(fitted, step, state)
        load = (step.mean_square, step.mean_speed, step.mean_square_speed) if known else state.load
        if state.steps:
            state = replace(state, unknown_steps=0 if known else unknown, load=load)
            return _updated(fitted, state, step, seconds=(gone + 1) * STEP_S)
    return _first_state(fitted, step, state) if known else state


def _with_ambient_only(state: ObserverState, step: HeatStep, unknown: int) -> ObserverState:
    """Return a state of which only the ambient is known: `steps` is 0."""
    return replace(state, number=step.number, unknown_steps=unknown, steps=0, outside=0)


def _first_state(
    fitted: FittedHeat, step: HeatStep, before: ObserverState | None
) -> ObserverState | None:
    """Return the state at a first step with a load: nodes at what the sensors show."""
    own = [channel for channel in fitted.sensors if channel in step.readings]
    if not own:
        return None if before is None else _with_ambient_only(before, step, 0)
    nodes = fitted.joint.nodes
    mean = np.empty((DRAWS, nodes + 1))
    variance = [FIRST_SPREAD_K**2] * nodes
    shown = step.readings[own[0]]
    for node, channel in enumerate(fitted.sensors):
        if channel in step.readings:
            mean[:, node] = step.readings[channel]
            variance[node] = NOISE_K**2 + 0.5
        else:
            mean[:, node] = shown
    if nodes == 2 and fitted.sensors[0] not in step.readings:
        # A winding follows its load within minutes.
        mean[:, 0] += (
            fitted.second.per_square[0] / (1.0 - fitted.second.free[0][0]) * (step.mean_square)
        )
    stated = fitted.settings.ambient_degC
    ambient: Floats | float = shown
    spread = AMBIENT_SPREAD_K
    if before is not None:
        drift_K2 = AMBIENT_WALK_K2_PER_S * STEP_S * max(step.number - before.number, 1)
        ambient = before.mean_degC[:, -1]
        spread = math.sqrt(before.states_covariance[nodes][nodes] + drift_K2)
    elif AMBIENT_CHANNEL in step.readings:
        ambient, spread = step.readings[AMBIENT_CHANNEL], 1.0
    elif stated is not None:
        ambient, spread = stated, STATED_AMBIENT_SPREAD_K
    mean[:, -1] = ambient
    variance.append(spread**2)
    lagging = sorted(fitted.lags_s)
    sensors = mean[:, lagging]
    for node in lagging:
        # Its sensor begins at what it shows; how far behind that is of the node is not known.
        variance.append(variance[node])
        variance[node] = FIRST_SPREAD_K**2
    size = len(variance)
    covariance = tuple(
        tuple(variance[i] if i == j else 0.0 for j in range(size)) for i in range(size)
    )
    return ObserverState(
        step.number,
        mean,
        sensors,
        covariance,
        (step.mean_square, step.mean_speed, step.mean_square_speed),
        steps=1,
        left_number=None if before is None else before.left_number,
        inside=0 if before is None else before.inside,
        fine=step.fine if before is None else before.fine | step.fine,
    )


def _updated(
    fitted: FittedHeat, state: ObserverState, step: HeatStep, *, seconds: float
) -> ObserverState:
    """Return the state a step on: predicted by every draw, corrected by what sensors show."""
    nodes, lagging = fitted.joint.nodes, sorted(fitted.lags_s)
    # Nodes, ambient, sensors that lag; of the step's own states the sensors stand behind the nodes.
    places = [*range(nodes), *range(nodes + 1, nodes + 1 + len(lagging))]
    with np.errstate(over="ignore", invalid="ignore"):
        # A draw beyond runaway grows without bound, as its equations do.
        response = lagged_response(
            fitted.draws, _load(state.load, seconds, len(state.mean_degC)), fitted.lags_s
        )
    before = np.hstack([state.mean_degC, state.shown_degC])
    mean = before.copy()
    mean[:, places] = (
        np.einsum("kij,kj->ki", response.free, before[:, places])
        + response.forced
        + response.per_ambient * before[:, nodes, None]
    )
    matrix = [[0.0] * before.shape[1] for _ in range(before.shape[1])]
    for row, place in enumerate(places):
        for value, column in zip(response.free[0, row].tolist(), places, strict=True):
            matrix[place][column] = value
        matrix[place][nodes] = float(response.per_ambient[0, row])
    matrix[nodes][nodes] = 1.0
    has_left = state.left_number is not None
    walks = [NODE_WALK_K2_PER_S * seconds] * nodes
    # What a joint does that left its model is not for its ambient to explain.
    walks.append(0.0 if has_left else AMBIENT_WALK_K2_PER_S * seconds)
    walks += [0.0] * len(lagging)
    covariance = _predicted(matrix, state.states_covariance, walks)
    fine = state.fine | step.fine
    middle = 0.5 * (before + mean)
    worst = 0.0
    for node, channel in enumerate((*fitted.sensors, AMBIENT_CHANNEL)):
        if channel not in step.readings:
            continue
        index = nodes + 1 + lagging.index(node) if node in lagging else node
        coarse_K = 0.0 if channel in fine else 1.0
        moved_K = float(mean[0, index] - before[0, index]) if node < nodes else 0.0
        noise = NOISE_K**2 + coarse_K**2 / 12.0 * COUNT_TOGETHER + (0.1 * moved_K) ** 2
        variance = covariance[index][index] + noise
        residual = step.readings[channel] - middle[:, index]
        if node < nodes:
            off = float(residual[0]) / math.sqrt(variance)
            if abs(off) > BAND_SD:
                # Only where it matters: what the parameters leave open as well.
                off = float(residual[0]) / math.sqrt(variance + float(np.var(middle[:, index])))
            worst = off if abs(off) > abs(worst) else worst
        gain = [row[index] / variance for row in covariance]
        correction = np.array(gain) * residual[:, None]
        mean = mean + correction
        middle = middle + correction
        covariance = _corrected(covariance, gain, index)
    return _judged(
        replace(
            state,
            number=step.number,
            mean_degC=mean[:, : nodes + 1],
            shown_degC=mean[:, nodes + 1 :],
            states_covariance=tuple(tuple(row) for row in covariance),
            steps=state.steps + 1,
            fine=fine,
        ),
        worst,
        is_read=any(channel in step.readings for channel in fitted.sensors),
    )


def _judged(state: ObserverState, off_sd: float, *, is_read: bool) -> ObserverState:
    """Return the state with what its newest residual says of the model."""
    if not is_read:
        return state
    if abs(off_sd) <= BAND_SD:
        inside = state.inside + 1
        if state.left_number is not None and inside >= BACK_STEPS:
            return replace(state, outside=0, inside=0, left_number=None)
        return replace(state, outside=0, inside=inside)
    sign = 1 if off_sd > 0.0 else -1
    outside = state.outside + sign if state.outside * sign >= 0 else sign
    left = state.left_number
    if left is None and abs(outside) >= LEFT_STEPS:
        left = state.number
    return replace(state, outside=outside, inside=0, left_number=left)


def _load(load: tuple[float, float, float], seconds: float, count: int) -> LoadSteps:
    square, speed, speed_square = load
    return LoadSteps(
        duration_s=np.full(count, seconds),
        mean_square_A2=np.full(count, square),
        mean_speed_rad_s=np.full(count, speed),
        mean_square_speed_rad2_s2=np.full(count, speed_square),
    )


def _predicted(
    matrix: Sequence[Sequence[float]],
    covariance: Sequence[Sequence[float]],
    walks: Sequence[float],
) -> list[list[float]]:
    """Return M P M' + walks in plain numbers: for three rows a fifth of what arrays cost."""
    size = range(len(walks))
    half = [[sum(row[k] * covariance[k][j] for k in size) for j in size] for row in matrix]
    out = [[sum(half[i][k] * matrix[j][k] for k in size) for j in size] for i in size]
    for i in size:
        out[i][i] += walks[i]
    return out


def _corrected(
    covariance: Sequence[Sequence[float]], gain: Sequence[float], index: int
) -> list[list[float]]:
    """Return the covariance once node `index` was read."""
    row = covariance[index]
    return [
        [value - gain[i] * row[j] for j, value in enumerate(of)] for i, of in enumerate(covariance)
    ]
