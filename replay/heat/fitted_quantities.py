"""What a fit of heat tells in numbers: each quantity with its interval, or what would settle it.

Pure.
"""

import math
from typing import Final

from logger.arrays import Floats
from logger.heat.model import Parameter, SpeedLoss
from logger.joint.bench.joint_settings import JointSettings
from replay.heat.bins import ReadTrace
from replay.heat.intervals import (
    TIMES_SD,
    PositiveFunction,
    TraceInformation,
    idle_interval,
    interval_of,
)
from replay.heat.model import physical_parameters
from replay.heat.one_load import is_one_load
from replay.heat.problem import HeatProblem
from replay.heat.quantity import UNKNOWN_FACTOR, IntervalMethod, Quantity, QuantityName
from replay.heat.result import Remedy, UnknownQuantity
from replay.heat.search import Mode
from replay.heat.trace import SensorPlace

__all__ = ["WINDING_NAMES", "fitted_quantities"]

WINDING_NAMES: Final = frozenset((QuantityName.WINDING_RISE, QuantityName.WINDING_TIME))
_OF_WINDING: Final = frozenset(
    (*WINDING_NAMES, QuantityName.WINDING_RESISTANCE, QuantityName.WINDING_CAPACITY)
)
_OF_HEAT_CAPACITY: Final = frozenset((QuantityName.HOUSING_TIME, QuantityName.HOUSING_CAPACITY))
"""Where the winding is not told apart these are of both together: what the housing then stores."""


def fitted_quantities(
    problem: HeatProblem, mode: Mode, read: ReadTrace, settings: JointSettings
) -> tuple[list[Quantity], list[UnknownQuantity]]:
    """Return the quantities that the trace knows, and those that it does not."""
    known: list[Quantity] = []
    unknown: list[UnknownQuantity] = []
    tells = TraceInformation(problem, mode)
    one_load = is_one_load(read.trace)
    of_one_load = _known_of_one_load(problem)
    for name, (unit, own) in _functions(problem, read, settings).items():
        is_whole = name in _OF_HEAT_CAPACITY and WINDING_NAMES & {one.name for one in unknown}
        function = _whole_joint(problem, own) if is_whole else own
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
        is_reported = name in of_one_load or not one_load
        if quantity.is_known and is_reported and tells.factor(function) <= UNKNOWN_FACTOR:
            known.append(quantity)
        else:
            unknown.append(UnknownQuantity(name=name, remedies=_remedies(name, problem)))
    if not problem.model.standby:
        idle = _idle_quantity(problem, mode)
        if idle.is_known and not one_load:
            known.append(idle)
        else:
            unknown.append(UnknownQuantity(name=idle.name, remedies=_remedies(idle.name, problem)))
    return known, unknown


def _idle_quantity(problem: HeatProblem, mode: Mode) -> Quantity:
    value, low, high = idle_interval(problem, mode)
    return Quantity(
        name=QuantityName.IDLE_TEMPERATURE,
        value=value,
        unit="Cel",
        standard_uncertainty=(high - low) / (2.0 * TIMES_SD),
        low=low,
        high=high,
        method=IntervalMethod.CURVATURE,
    )


def _whole_joint(problem: HeatProblem, own: PositiveFunction) -> PositiveFunction:
    """Return what follows from both heat capacities; `own`: from the housing's alone."""
    share = problem.model.parameters.index(Parameter.WINDING_RISE)
    return lambda outer: own(outer) * (1.0 + math.exp(outer[share]))


def _known_of_one_load(problem: HeatProblem) -> frozenset[QuantityName]:
    """Return what one load all the time tells.

    Winding and housing beside each other tell how much heat flows between them, whatever the load.
    What another load would do rests on the model alone: of simulated joints a quarter of such
    intervals missed, most of them by telling too much.
    """
    both = {SensorPlace.WINDING, SensorPlace.HOUSING} <= {one.place for one in problem.sensors}
    return frozenset((QuantityName.HOUSING_TIME,)) | (_OF_WINDING if both else frozenset())


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
        Parameter.WINDING_LAG: "s",
        Parameter.HOUSING_LAG: "s",
        Parameter.SPEED_RISE: "K.s2/rad2" if problem.model.speed is SpeedLoss.SQUARE else "K.s/rad",
    }
    # The winding first: whether it is known decides what the housing is.
    ordered = sorted(
        problem.model.parameters, key=lambda name: QuantityName(name) not in WINDING_NAMES
    )
    out = {QuantityName(name): (unit[name], of(name)) for name in ordered}
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


def _remedies(name: QuantityName, problem: HeatProblem) -> tuple[Remedy, ...]:
    """Return the measurements that would settle a quantity, the one that helps most first."""
    places = {one.place for one in problem.sensors}
    room = () if problem.ambient or SensorPlace.AMBIENT in places else (Remedy.RECORD_AMBIENT,)
    if name is QuantityName.HOUSING_LAG:
        return (Remedy.LOAD_STEPS, *room)
    if name.value.startswith("winding"):
        fast = () if SensorPlace.WINDING in places else (Remedy.RECORD_WINDING,)
        return (*fast, Remedy.LOAD_STEPS, *room)
    if name in {
        QuantityName.STANDBY_RISE,
        QuantityName.STANDBY_LOSS,
        QuantityName.IDLE_TEMPERATURE,
    }:
        return (Remedy.POWERED_UNLOADED, Remedy.SECOND_LOAD_LEVEL, *room)
    if name in {QuantityName.HOUSING_TIME, QuantityName.HOUSING_CAPACITY}:
        return (Remedy.LONGER_RECORDING, *room)
    return (Remedy.SECOND_LOAD_LEVEL, *room)
