"""A joint's heat fitted to recordings: what every answer is made from.

Reads, refuses what cannot be fitted, chooses a model and fits it. What the trace does not know is
named with the measurement that would settle it.
"""
# ruff: noqa: N815 - units are written as units are: K, W and A are capitals

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Final

import numpy as np

from logger.heat.model import COPPER, HeatModel
from logger.joint.bench.joint_settings import JointSettings
from logger.joint.thermal.thermal_load import JointHeat, Node
from logger.joint.thermal.thermal_model import Winding
from replay.heat.answers import drawn_joints, slow_time_s
from replay.heat.bins import ReadTrace, SensorSource, read_housings, read_trace
from replay.heat.change import find_changes
from replay.heat.choice import ModelScore, ModelStart, choose_model
from replay.heat.dated_ambient import DatedReading
from replay.heat.faults import HeatFault, HeatFaultKind
from replay.heat.fitted_quantities import WINDING_NAMES, fitted_quantities
from replay.heat.found_change import FoundChange
from replay.heat.lag_choice import find_lags, is_lag_alike
from replay.heat.neighbours import Neighbour, find_neighbours
from replay.heat.problem import HeatProblem
from replay.heat.quantity import Quantity, QuantityName
from replay.heat.result import Caution, UnknownQuantity
from replay.heat.search import Mode, find_mode
from replay.heat.trace import HeatTrace, SensorCounts, SensorPlace, StatedAmbient
from replay.recording import Recording

__all__ = ["LEAST_S", "AmbientChoice", "HeatFit", "fit_heat", "fit_trace"]

LEAST_S: Final = 600.0
"""Load without a gap that a fit begins at."""
STATED_UNCERTAINTY_K: Final = 0.5
"""Standard uncertainty of an ambient that was typed in."""
CHANGED_K: Final = 1.0
CHANGED_SHARE: Final = 0.05
"""A model that is off by more than both (the latter of the readings' range) over blocks that it
had not seen does not describe one joint: its cooling or its heat changed on the way."""
MOST_DRIFT_K: Final = 1.5
"""No room drifts by more: where a fit needs that, the drift covers up for another change."""
HOUSING_SHARE: Final = 0.125
"""Of a joint's slow time constant: below it the winding decides."""
_SEED: Final = 20_200


@dataclass(frozen=True, slots=True, kw_only=True)
class AmbientChoice:
    """Where the ambient comes from: typed in, or a channel; neither: the joint's own."""

    stated_degC: float | None = None
    source: SensorSource | None = None
    dated: tuple[DatedReading, ...] = ()
    """Readings of the room with their times."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatFit:
    """A fitted joint."""

    joint: str
    labels: Mapping[str, str]
    """Joint -> what people call it, of every joint of the bench."""
    read: ReadTrace
    ambient: AmbientChoice
    problem: HeatProblem
    mode: Mode
    quantities: tuple[Quantity, ...]
    """Those that are known."""
    unknown: tuple[UnknownQuantity, ...]
    is_lag_alike: bool
    """Whether a lag of the housing's sensor, which has none here, would leave the winding's time
    constant unknown."""
    left_out_K: float
    """Root mean square error over blocks that had no part in the fit."""
    torque_per_ampere: float | None
    """In N.m/A, as declared."""
    changes: tuple[FoundChange, ...]
    """What changed on the way, where no one model describes the recordings."""
    neighbours: tuple[Neighbour, ...]
    """Joints that warm this one, where one model describes the recordings."""
    joints: tuple[JointHeat, ...]
    """The likeliest joint, and after it draws of what the fit leaves open."""

    @property
    def label(self) -> str:
        """What people call the joint."""
        return self.labels[self.joint]

    @property
    def own_sensors(self) -> tuple[SensorCounts, ...]:
        """The sensors of the joint itself, the room's left out."""
        return tuple(one for one in self.problem.sensors if one.place is not SensorPlace.AMBIENT)

    @property
    def node(self) -> Node:
        """The node that a limit is for: it carries a sensor."""
        places = {one.place for one in self.read.trace.sensors}
        return Node.WINDING if SensorPlace.WINDING in places else Node.HOUSING

    @property
    def is_winding_known(self) -> bool:
        """Whether winding and housing are told apart; else it is the housing that is told of.

        What the winding may be is then still part of every interval: a model without it would be
        narrow about another joint.
        """
        lost = any(one.name in WINDING_NAMES for one in self.unknown)
        return self.problem.model.nodes == 2 and not lost

    @property
    def cautions(self) -> tuple[Caution, ...]:
        """What a person has to know before acting on what the joint bears."""
        is_unseen = self.node is Node.HOUSING and not self.is_winding_known
        unseen = (Caution.WINDING_UNSEEN,) if is_unseen else ()
        late = (Caution.READING_LAGS,) if self.node in self.problem.model.lags else ()
        return (
            *unseen,
            *late,
            Caution.THIS_MOUNTING,
            Caution.MAKER_FIRST,
            Caution.NO_SAFETY_FUNCTION,
        )

    @property
    def reported_model(self) -> HeatModel:
        """The model of what is told: of one node where the winding is not told apart."""
        model = self.problem.model
        if self.is_winding_known or model.nodes == 1:
            return model
        places = {one.place for one in self.problem.sensors}
        only = Node.HOUSING if SensorPlace.HOUSING in places else Node.WINDING
        return replace(model, nodes=1, lags=tuple(one for one in model.lags if one is only))

    @property
    def shortest_known_s(self) -> float:
        """The shortest time for which it is told what the joint holds; 0 for any.

        Below it the winding decides, and what a housing stays below says nothing of that.
        """
        return 0.0 if self.node is Node.WINDING else HOUSING_SHARE * slow_time_s(self.joints[0])

    @property
    def has_room(self) -> bool:
        """Whether the ambient is known, so that standby is told apart from it."""
        return self.problem.model.standby

    @property
    def has_changed(self) -> bool:
        """Whether no one model describes the recordings: cooling or heat changed on the way."""
        span = max(float(np.ptp(one.value_degC)) for one in self.own_sensors)
        return (
            self.left_out_K > max(CHANGED_K, CHANGED_SHARE * span)
            or self.mode.size_K > MOST_DRIFT_K
        )

    @property
    def is_load_known(self) -> bool:
        """Whether it follows from the trace what a load warms the joint by."""
        rises = any(one.name is QuantityName.HOUSING_RISE for one in self.quantities)
        return rises and not self.has_changed

    @property
    def load_unit(self) -> str:
        """UCUM: N.m, or A where no torque constant is declared."""
        return "N.m" if self.read.load == "torque_Nm" or self.torque_per_ampere else "A"

    @property
    def load_factor(self) -> float:
        """Load in `load_unit` for one of what was squared."""
        return 1.0 if self.read.load == "torque_Nm" else (self.torque_per_ampere or 1.0)

    @property
    def load_factors(self) -> dict[str, float]:
        """Channel of a load -> load in `load_unit` for one of its own; those that can be told."""
        if self.load_unit == "A":
            return {"current_A": 1.0}
        factors = {"torque_Nm": 1.0}
        if self.torque_per_ampere is not None:
            factors["current_A"] = self.torque_per_ampere
        return factors

    @property
    def idle_degC(self) -> float:  # noqa: N802 - the unit's own spelling
        """Mean ambient, with the standby rise in it where the room is not known."""
        return float(np.mean(self.problem.ambient_of(self.mode.unknowns)))

    @property
    def highest_rms_load(self) -> float:
        """Highest RMS over a step of the trace, in the unit of what was squared."""
        return math.sqrt(float(self.read.trace.steps.mean_square_A2.max()))

    @property
    def rms_speed_rad_s(self) -> float:
        """RMS of the speed over the recordings."""
        return math.sqrt(float(np.mean(self.read.trace.steps.mean_square_speed_rad2_s2)))


def fit_heat(
    recordings: Sequence[Recording], joint: str, *, ambient: AmbientChoice | None = None
) -> HeatFit:
    """Return a joint's heat, fitted to recordings of it.

    Raises
    ------
    HeatFault
        Nothing can be fitted to these recordings; its `kind` says why.
    """
    ambient = ambient or AmbientChoice()
    read = read_trace(recordings, joint, ambient=ambient.source, dated=ambient.dated)
    where = recordings[0].name
    bench = recordings[0].bench
    _check(read, ambient, where, bench.label_of(joint))
    settings = bench.joint_named(joint)
    fit = fit_trace(read, settings, ambient=ambient, labels=bench.labels)
    if fit.has_changed:
        return replace(fit, changes=find_changes(fit.problem))
    times_ns = read.start_ns + np.rint(fit.problem.knots.time_s * 1e9).astype(np.int64)
    others = [one.name for one in bench.joints if one.name not in {settings.name, *bench.sensors}]
    courses = read_housings(recordings, others, times_ns)
    return replace(fit, neighbours=find_neighbours(fit.problem, fit.mode, courses))


def fit_trace(
    read: ReadTrace,
    settings: JointSettings,
    *,
    ambient: AmbientChoice,
    labels: Mapping[str, str] = MappingProxyType({}),
) -> HeatFit:
    """Return the fit of a trace that carries something to fit, without changes and neighbours."""
    stated = (
        None
        if ambient.stated_degC is None
        else StatedAmbient(degC=ambient.stated_degC, uncertainty_K=STATED_UNCERTAINTY_K)
    )
    copper, lags_s = _copper(settings), _stated_lags(settings, read.trace)

    def fitted(near: ModelStart | None) -> tuple[ModelScore, HeatProblem, Mode]:
        """Return the chosen model, and its fit."""
        score = choose_model(
            read.trace, ambient=stated, has_speed=read.has_speed, lags_s=lags_s, near=near
        )[0]
        problem = HeatProblem(read.trace, score.model, ambient=stated, copper=copper, lags_s=lags_s)
        return score, problem, find_mode(problem, near=score.outer)

    chosen, problem, mode = fitted(None)
    lagging = find_lags(problem, mode, _unstated(settings))
    if lagging is not None:
        # What else the model has is chosen anew: a lag that is left out looks like other things.
        chosen, problem, mode = fitted(lagging)
    quantities, unknown = fitted_quantities(problem, mode, read, settings)
    return HeatFit(
        joint=settings.name,
        labels={settings.name: settings.name, **labels},
        read=read,
        ambient=ambient,
        problem=problem,
        mode=mode,
        quantities=tuple(quantities),
        unknown=tuple(unknown),
        is_lag_alike=Node.HOUSING in _unstated(settings)
        and _is_winding_reported(quantities)
        and is_lag_alike(problem, mode),
        left_out_K=chosen.error_K,
        torque_per_ampere=settings.torque.per_ampere if settings.torque else None,
        changes=(),
        neighbours=(),
        joints=drawn_joints(problem, mode, np.random.default_rng(_SEED)),
    )


def _check(read: ReadTrace, ambient: AmbientChoice, where: str, joint: str) -> None:
    """Refuse a trace that carries nothing to fit; `joint`: what people call it."""
    trace = read.trace
    longest_s = max(
        float(trace.steps.duration_s[trace.segment == number].sum())
        for number in range(trace.segments)
    )
    if longest_s < LEAST_S:
        raise HeatFault(HeatFaultKind.TOO_SHORT, where=where, joint=joint, found_s=longest_s)
    own = [one for one in trace.sensors if one.place is not SensorPlace.AMBIENT]
    if not own:
        raise HeatFault(HeatFaultKind.NO_TEMPERATURE, where=where, joint=joint)
    if not trace.steps.mean_square_A2.any():
        raise HeatFault(HeatFaultKind.NOT_LOADED, where=where, joint=joint)
    for sensor in own:
        if float(np.ptp(sensor.value_degC)) == 0.0:
            raise HeatFault(
                HeatFaultKind.STANDING_SENSOR, where=where, joint=joint, found=sensor.place.value
            )
    highest = max(float(one.value_degC.max()) for one in own)
    recorded = trace.sensor_at(SensorPlace.AMBIENT)
    room = ambient.stated_degC
    if room is None and recorded is not None and len(recorded.value_degC):
        room = float(np.median(recorded.value_degC))
    if room is not None and room > highest + max(one.resolution_K for one in own):
        raise HeatFault(
            HeatFaultKind.AMBIENT_ABOVE, where=where, joint=joint, found=f"{room:.1f} degC"
        )
    if ambient.source is not None and recorded is None:
        name = f"{ambient.source.joint}.{ambient.source.channel}"
        raise HeatFault(HeatFaultKind.NO_AMBIENT, where=where, joint=joint, found=name)


def _is_winding_reported(quantities: Sequence[Quantity]) -> bool:
    return any(one.name is QuantityName.WINDING_TIME for one in quantities)


def _stated_lags(settings: JointSettings, trace: HeatTrace) -> dict[Node, float]:
    """Return the lags that the bench file tells of sensors that were read, in order of nodes."""
    return {
        Node(name): lag_s
        for name, lag_s in settings.sensor_lag.seconds.items()
        if lag_s and trace.sensor_at(SensorPlace(name)) is not None
    }


def _unstated(settings: JointSettings) -> list[Node]:
    """Return the nodes of whose sensors nobody said whether they lag."""
    return [Node(name) for name, lag_s in settings.sensor_lag.seconds.items() if lag_s is None]


def _copper(settings: JointSettings) -> Winding:
    """Return the copper that losses are counted with: 1 ohm at the winding's own reference."""
    winding = settings.winding
    if winding is None:
        return COPPER
    return Winding(resistance_ohm=1.0, reference_degC=winding.reference_degC)
