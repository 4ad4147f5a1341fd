"""A joint's heat fitted to recordings: what every answer is made from.

Reads, refuses what cannot be fitted, chooses a model and fits it. What the trace does not know is
named with the measurement that would settle it.
"""
# ruff: noqa: N815 - units are written as units are: K, W and A are capitals

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.heat.model import COPPER, HeatModel, Parameter, SpeedLoss
from logger.joint.bench.joint_settings import JointSettings
from logger.joint.thermal.thermal_load import JointHeat, Node
from logger.joint.thermal.thermal_model import Winding
from replay.heat.answers import drawn_joints
from replay.heat.bins import ReadTrace, SensorSource, read_housings, read_trace
from replay.heat.change import FoundChange, find_changes
from replay.heat.choice import ModelScore, choose_model
from replay.heat.dated_ambient import DatedReading
from replay.heat.faults import HeatFault, HeatFaultKind
from replay.heat.intervals import PositiveFunction, interval_of
from replay.heat.model import physical_parameters
from replay.heat.neighbours import Neighbour, find_neighbours
from replay.heat.problem import HeatProblem, StatedAmbient
from replay.heat.quantity import Quantity, QuantityName
from replay.heat.result import Remedy, UnknownQuantity
from replay.heat.search import Mode, find_mode
from replay.heat.trace import HeatTrace, SensorCounts, SensorPlace
from replay.recording import Recording

__all__ = ["LEAST_S", "ONE_LOAD_S", "AmbientChoice", "HeatFit", "fit_heat", "is_one_load"]

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
ONE_LOAD_S: Final = 600.0
ONE_LOAD_SHARE: Final = 0.1
_KNOWN_OF_ONE_LOAD: Final = frozenset((QuantityName.HOUSING_TIME,))
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
    def idle_degC(self) -> float:  # noqa: N802 - the unit's own spelling
        """Mean ambient, with the standby rise in it where the room is not known."""
        return float(np.mean(self.problem.ambient_of(self.mode.unknowns)))

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
    _check(read, ambient, where, recordings[0].bench.label_of(joint))
    stated = (
        None
        if ambient.stated_degC is None
        else StatedAmbient(degC=ambient.stated_degC, uncertainty_K=STATED_UNCERTAINTY_K)
    )
    settings = recordings[0].bench.joint_named(joint)
    scores = choose_model(read.trace, ambient=stated, has_speed=read.has_speed)
    problem, mode, quantities, unknown = _fit(read, scores[0].model, stated, settings, scores)
    if problem.model.nodes == 2 and any(
        one.name in {QuantityName.WINDING_RISE, QuantityName.WINDING_TIME} for one in unknown
    ):
        # The winding is not known from this trace: the simpler model answers for the housing.
        simpler = HeatModel(nodes=1, standby=problem.model.standby, speed=problem.model.speed)
        places = {one.place for one in read.trace.sensors}
        if not {SensorPlace.WINDING, SensorPlace.HOUSING} <= places:
            lost = [one for one in unknown if one.name.value.startswith("winding")]
            problem, mode, quantities, unknown = _fit(read, simpler, stated, settings, scores)
            unknown = [*unknown, *lost]
    fit = HeatFit(
        joint=settings.name,
        labels=recordings[0].bench.labels,
        read=read,
        ambient=ambient,
        problem=problem,
        mode=mode,
        quantities=tuple(quantities),
        unknown=tuple(unknown),
        left_out_K=scores[0].error_K,
        torque_per_ampere=settings.torque.per_ampere if settings.torque else None,
        changes=(),
        neighbours=(),
        joints=drawn_joints(problem, mode, np.random.default_rng(_SEED)),
    )
    if fit.has_changed:
        return replace(fit, changes=find_changes(problem))
    times_ns = read.start_ns + np.rint(problem.knots.time_s * 1e9).astype(np.int64)
    bench = recordings[0].bench
    others = [one.name for one in bench.joints if one.name not in {settings.name, *bench.sensors}]
    courses = read_housings(recordings, others, times_ns)
    return replace(fit, neighbours=find_neighbours(problem, mode, courses))


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


def _fit(
    read: ReadTrace,
    model: HeatModel,
    stated: StatedAmbient | None,
    settings: JointSettings,
    scores: Sequence[ModelScore],
) -> tuple[HeatProblem, Mode, list[Quantity], list[UnknownQuantity]]:
    problem = HeatProblem(read.trace, model, ambient=stated, copper=_copper(settings))
    near = next((one.outer for one in scores if one.model == model), None)
    mode = find_mode(problem, near=near)
    known, unknown = [], []
    one_load = is_one_load(read.trace)
    for name, (unit, function) in _functions(problem, read, settings).items():
        sd, low, high, method = interval_of(problem, mode, function)
        value = function(mode.outer)
        quantity = Quantity(
            name=name,
            value=value,
            unit=unit,
            standard_uncertainty=value * sd,
            low=low,
            high=high,
            method=method,
        )
        if quantity.is_known and (name in _KNOWN_OF_ONE_LOAD or not one_load):
            known.append(quantity)
        else:
            unknown.append(UnknownQuantity(name=name, remedies=_remedies(name, read, stated)))
    return problem, mode, known, unknown


def is_one_load(trace: HeatTrace) -> bool:
    """Return whether the load was the same all the time, once averaged over ten minutes.

    Then only the sum of what current, drive and room do is in the trace; what tells them apart in
    the fit is the prior and the misfit, so nothing of it is told as a number.
    """
    steps, begin_s = trace.steps, trace.begin_s
    block = np.unique((begin_s / ONE_LOAD_S).astype(np.int64), return_inverse=True)[1].reshape(-1)
    held_s = np.bincount(block, steps.duration_s)
    mean = np.bincount(block, steps.duration_s * steps.mean_square_A2) / held_s
    whole = mean[held_s > 0.5 * ONE_LOAD_S]
    return len(whole) < 2 or float(np.ptp(whole)) < ONE_LOAD_SHARE * float(whole.mean())


def _copper(settings: JointSettings) -> Winding:
    """Return the copper that losses are counted with: 1 ohm at the winding's own reference."""
    winding = settings.winding
    if winding is None:
        return COPPER
    return Winding(resistance_ohm=1.0, reference_degC=winding.reference_degC)


def _functions(
    problem: HeatProblem, read: ReadTrace, settings: JointSettings
) -> dict[QuantityName, tuple[str, PositiveFunction]]:
    """Return unit and function of each quantity that the model has."""

    def of(name: Parameter) -> PositiveFunction:
        def value(outer: Floats) -> float:
            theta = outer[: problem.theta_count]
            return float(physical_parameters(problem.model, theta, problem.scale)[name])

        return value

    square = "A2" if read.load == "current_A" else "(N.m)2"
    unit = {
        Parameter.HOUSING_RISE: f"K/{square}",
        Parameter.HOUSING_TIME: "s",
        Parameter.WINDING_RISE: f"K/{square}",
        Parameter.WINDING_TIME: "s",
        Parameter.STANDBY_RISE: "K",
        Parameter.SPEED_RISE: "K.s2/rad2" if problem.model.speed is SpeedLoss.SQUARE else "K.s/rad",
    }
    out = {QuantityName(name): (unit[name], of(name)) for name in problem.model.parameters}
    ohm = settings.winding.resistance_ohm if settings.winding else None
    if ohm is None or read.load != "current_A":
        return out

    def resistance(name: Parameter) -> PositiveFunction:
        return lambda outer: of(name)(outer) / ohm

    def capacity(time: Parameter, rise: Parameter) -> PositiveFunction:
        return lambda outer: of(time)(outer) * ohm / of(rise)(outer)

    out[QuantityName.HOUSING_RESISTANCE] = "K/W", resistance(Parameter.HOUSING_RISE)
    out[QuantityName.HOUSING_CAPACITY] = (
        "J/K",
        capacity(Parameter.HOUSING_TIME, Parameter.HOUSING_RISE),
    )
    if problem.model.nodes == 2:
        out[QuantityName.WINDING_RESISTANCE] = "K/W", resistance(Parameter.WINDING_RISE)
        out[QuantityName.WINDING_CAPACITY] = (
            "J/K",
            capacity(Parameter.WINDING_TIME, Parameter.WINDING_RISE),
        )
    if problem.model.standby:
        out[QuantityName.STANDBY_LOSS] = (
            "W",
            lambda outer: (
                of(Parameter.STANDBY_RISE)(outer) * ohm / of(Parameter.HOUSING_RISE)(outer)
            ),
        )
    return out


def _remedies(
    name: QuantityName, read: ReadTrace, stated: StatedAmbient | None
) -> tuple[Remedy, ...]:
    """Return the measurements that would settle a quantity, the one that helps most first."""
    places = {one.place for one in read.trace.sensors}
    room = () if stated or SensorPlace.AMBIENT in places else (Remedy.RECORD_AMBIENT,)
    if name.value.startswith("winding"):
        fast = () if SensorPlace.WINDING in places else (Remedy.RECORD_WINDING,)
        return (*fast, Remedy.LOAD_STEPS, *room)
    if name in {QuantityName.STANDBY_RISE, QuantityName.STANDBY_LOSS}:
        return (Remedy.POWERED_UNLOADED, Remedy.SECOND_LOAD_LEVEL, *room)
    if name in {QuantityName.HOUSING_TIME, QuantityName.HOUSING_CAPACITY}:
        return (Remedy.LONGER_RECORDING, *room)
    return (Remedy.SECOND_LOAD_LEVEL, *room)
