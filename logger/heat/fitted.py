"""The model of a joint's heat in its bench file, with draws of what its fit left open. Pure."""
# ruff: noqa: N803, N806, N815 - units are written as units are: K and A are capitals

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields, replace
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Floats
from logger.heat.model import COPPER, HeatModel, Parameter, SpeedLoss, heat_joint
from logger.joint.bench.joint_settings import JointSettings
from logger.joint.bench.thermal_settings import ASSUMED_SPREAD, ThermalSettings
from logger.joint.thermal.thermal_load import (
    JointHeat,
    LoadSteps,
    Node,
    StepResponse,
    step_response,
)
from logger.joint.thermal.thermal_model import Winding
from logger.joint.thermal.thermal_overload import stacked_joints

__all__ = [
    "AMBIENT_CHANNEL",
    "DRAWS",
    "PARAMETER_KEYS",
    "FittedHeat",
    "SecondStep",
    "StepCoefficients",
    "drawn_joints_of",
    "fitted_heat",
    "heat_of_joint",
    "step_coefficients",
]

DRAWS: Final = 64
"""Joints that stand for what a fit left open; the first is the likeliest."""
AMBIENT_CHANNEL: Final = "temperature_ambient_degC"
_DRAW_SEED: Final = 20_270
PARAMETER_KEYS: Final = {
    "housing_rise": Parameter.HOUSING_RISE,
    "housing_time_s": Parameter.HOUSING_TIME,
    "winding_rise": Parameter.WINDING_RISE,
    "winding_time_s": Parameter.WINDING_TIME,
    "standby_rise_K": Parameter.STANDBY_RISE,
    "speed_rise": Parameter.SPEED_RISE,
    "winding_lag_s": Parameter.WINDING_LAG,
    "housing_lag_s": Parameter.HOUSING_LAG,
}
"""Key of the bench file -> what it is in a fit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondStep:
    """One second of the likeliest joint as plain numbers: what a loop over seconds takes."""

    free: tuple[tuple[float, ...], ...]
    """Temperatures after it for those before it, without the copper's feedback."""
    standby: tuple[float, ...]
    per_ambient: tuple[float, ...]
    per_square: tuple[float, ...]
    """For each squared unit of the load, copper at its reference."""
    per_speed: tuple[float, ...]
    per_speed_square: tuple[float, ...]
    reference_degC: float
    alpha_per_K: float

    def advance(
        self,
        temperatures: tuple[float, ...],
        ambient_degC: float,
        load: tuple[float, float, float],
    ) -> tuple[float, ...]:
        """Return the temperatures a second later.

        `load`: mean square, mean magnitude of speed, mean square of speed.
        """
        square, speed, speed_square = load
        copper = square * (1.0 + self.alpha_per_K * (temperatures[0] - self.reference_degC))
        return tuple(
            sum(part * one for part, one in zip(row, temperatures, strict=True))
            + self.standby[at]
            + self.per_ambient[at] * ambient_degC
            + self.per_square[at] * copper
            + self.per_speed[at] * speed
            + self.per_speed_square[at] * speed_square
            for at, row in enumerate(self.free)
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedHeat:
    """A joint's model of heat, and what is open of it."""

    settings: ThermalSettings
    joint: JointHeat
    """The likeliest."""
    draws: JointHeat
    """`DRAWS` joints as one whose numbers are arrays of shape (DRAWS,); the likeliest first."""
    second: SecondStep
    lags_s: Mapping[int, Floats] = field(default_factory=dict)
    """Index of a node -> time constant of its sensor in s, of each draw, shape (DRAWS,); a node
    whose sensor shows it at once is left out."""
    carried: frozenset[str] | None = None
    """The channels that its joint carries; None: not known."""

    @property
    def load_channel(self) -> str:
        """The channel whose square warms the joint."""
        return self.settings.load

    @property
    def sensors(self) -> tuple[str, ...]:
        """The temperature channel of each node, in order."""
        if self.joint.nodes == 2:
            return ("temperature_winding_degC", "temperature_housing_degC")
        return (self.settings.sensor,)

    @property
    def channels(self) -> tuple[str, ...]:
        """All channels that are looked at."""
        every = (*self.loads, *self.sensors, AMBIENT_CHANNEL)
        return tuple(one for one in every if self.carried is None or one in self.carried)

    @property
    def loads(self) -> tuple[str, ...]:
        """The channels that hold between two readings: what warms the joint."""
        speed = ("speed_rad_s",) if self.settings.speed_rise is not None else ()
        return (self.load_channel, *speed)

    def node_of(self, channel: str) -> int | None:
        """Return the node whose temperature a channel shows; None: no node of the model."""
        return self.sensors.index(channel) if channel in self.sensors else None


@lru_cache(maxsize=256)
def fitted_heat(settings: ThermalSettings, reference_degC: float = 20.0) -> FittedHeat:
    """Return the model of a bench file's `thermal`.

    `reference_degC`: the temperature at which the winding's resistance is what was stated.
    """
    model, drawn = _heat_model(settings), _drawn_parameters(settings, DRAWS)
    joints = drawn_joints_of(settings, reference_degC, DRAWS)
    return FittedHeat(
        settings=settings,
        joint=joints[0],
        draws=stacked_joints(joints),
        second=_second_step(joints[0]),
        lags_s=model.lags_s(drawn),
    )


def drawn_joints_of(
    settings: ThermalSettings, reference_degC: float, count: int
) -> tuple[JointHeat, ...]:
    """Return the likeliest joint of a bench file's `thermal`, and after it draws of it.

    `reference_degC` as of `fitted_heat`; `count`: of all, an even number.
    """
    copper = Winding(
        resistance_ohm=1.0, reference_degC=reference_degC, alpha_per_K=COPPER.alpha_per_K
    )
    model, drawn = _heat_model(settings), _drawn_parameters(settings, count)
    return tuple(
        heat_joint(model, {name: values[at] for name, values in drawn.items()}, copper)
        for at in range(count)
    )


def _heat_model(settings: ThermalSettings) -> HeatModel:
    lags_s = (settings.winding_lag_s, settings.housing_lag_s)
    return HeatModel(
        nodes=1 if settings.winding_rise is None else 2,
        standby=settings.standby_rise_K is not None,
        speed=SpeedLoss.NONE if settings.speed_rise is None else SpeedLoss(settings.speed_loss),
        loss_node=Node(settings.loss_node),
        lags=tuple(node for node, lag_s in zip(Node, lags_s, strict=True) if lag_s is not None),
    )


def _drawn_parameters(settings: ThermalSettings, count: int) -> dict[Parameter, Floats]:
    """Return each parameter of the likeliest joint and of draws after it, shape (count,)."""
    names = [PARAMETER_KEYS[key] for key in settings.figures]
    value = np.array(list(settings.figures.values()))
    covariance = np.array(settings.log_covariance or np.eye(len(value)) * ASSUMED_SPREAD**2)
    logs = _drawn_logs(covariance, count)
    return dict(zip(names, (value * np.exp(logs)).T, strict=True))


def _drawn_logs(covariance: Floats, count: int) -> Floats:
    """Return how far the logarithms of each draw are from the likeliest: shape (count, n).

    Each draw comes with its mirror image, so that their mean is the likeliest joint. What is drawn
    is made to have the covariance itself: that of some thirty draws is off by a fifth to a third in
    this direction or that, and so would be each band that hangs on it.
    """
    size = len(covariance)
    drawn = np.random.default_rng(_DRAW_SEED).standard_normal((count // 2, size))
    white = drawn @ np.linalg.inv(np.linalg.cholesky(drawn.T @ drawn / len(drawn))).T
    values, vectors = np.linalg.eigh(covariance)
    half = white @ (vectors * np.sqrt(np.maximum(values, 0.0))).T
    return np.concatenate([np.zeros((1, size)), half, -half])[:count]


@dataclass(frozen=True, slots=True, kw_only=True)
class StepCoefficients:
    """A step of one width of j joints: what each part of the load adds, without feedback."""

    free: Floats
    """Shape (j, nodes, nodes)."""
    standby: Floats
    """Shape (j, nodes), as all below."""
    per_ambient: Floats
    per_square: Floats
    """For each squared unit of the load, copper at its reference."""
    per_speed: Floats
    per_speed_square: Floats

    def of(self, rows: NDArray[np.int64]) -> "StepCoefficients":
        """Return those of some joints, in another order; columns that lie together."""
        return StepCoefficients(
            **{one.name: np.asfortranarray(getattr(self, one.name)[rows]) for one in fields(self)}
        )


def step_coefficients(joints: JointHeat, duration_s: float) -> StepCoefficients:
    """Return what a step of stacked joints does, from the exact step without feedback.

    `joints`: numbers of shape (j,), as of `stacked_joints`.
    """
    cold = replace(joints, winding=Winding(resistance_ohm=1.0, alpha_per_K=0.0))
    count = np.size(joints.standby_W)

    def forced(*load: float) -> StepResponse:
        square, speed, speed_square = (np.full(count, value) for value in load)
        return step_response(
            cold,
            LoadSteps(
                duration_s=np.full(count, duration_s),
                mean_square_A2=square,
                mean_speed_rad_s=speed,
                mean_square_speed_rad2_s2=speed_square,
            ),
        )

    none = forced(0.0, 0.0, 0.0)
    return StepCoefficients(
        free=none.free,
        standby=none.forced,
        per_ambient=none.per_ambient,
        per_square=forced(1.0, 0.0, 0.0).forced - none.forced,
        per_speed=forced(0.0, 1.0, 0.0).forced - none.forced,
        per_speed_square=forced(0.0, 0.0, 1.0).forced - none.forced,
    )


def heat_of_joint(joint: JointSettings, channels: Iterable[str]) -> FittedHeat | None:
    """Return the model of a joint that carries these channels.

    None where its bench file has none, or neither the model's load nor a temperature is reported.
    """
    if joint.thermal is None:
        return None
    reference_degC = joint.winding.reference_degC if joint.winding else COPPER.reference_degC
    fitted = fitted_heat(joint.thermal, reference_degC)
    carried = frozenset(channels)
    if fitted.load_channel not in carried or not carried & set(fitted.sensors):
        return None
    return replace(fitted, carried=carried & set(fitted.channels))


def _second_step(joint: JointHeat) -> SecondStep:
    """Return one second as plain numbers."""
    one = step_coefficients(stacked_joints([joint]), 1.0)

    def row(values: Floats) -> tuple[float, ...]:
        return tuple(values[0].tolist())

    return SecondStep(
        free=tuple(tuple(line) for line in one.free[0].tolist()),
        standby=row(one.standby),
        per_ambient=row(one.per_ambient),
        per_square=row(one.per_square),
        per_speed=row(one.per_speed),
        per_speed_square=row(one.per_speed_square),
        reference_degC=joint.winding.reference_degC,
        alpha_per_K=joint.winding.alpha_per_K,
    )
