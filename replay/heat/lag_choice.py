"""Whether a temperature sensor lags behind its node: where the readings ask for it. Pure.

A lag and a small node look alike, so one is taken only where a winding is read: there the heat of
the load arises and what follows it late shows. Whether the readings ask for one is seen by the
score of the likelihood (Rao's test: what a first step from no lag promises); then stretches of five
minutes are left out in turn and the counts read in them have to be clearly likelier with it. Over
whole quarters of a recording, by which the other parts of a model are chosen, the drift of the room
hides a lag that moves the winding's time constant out of its interval.
"""

import math
from collections.abc import Iterable
from dataclasses import replace
from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.heat.model import LAG_PARAMETERS, Parameter
from logger.joint.thermal.thermal_load import Node
from replay.heat.choice import ModelStart
from replay.heat.counts import count_likelihood
from replay.heat.intervals import TraceInformation
from replay.heat.problem import HeatProblem
from replay.heat.quantity import UNKNOWN_FACTOR
from replay.heat.search import Mode, find_mode, refit_parameters
from replay.heat.trace import SensorCounts, SensorPlace

__all__ = ["find_lags", "is_lag_alike"]

PROBE_S: Final = 0.5
"""Where no lag is tried: there is no logarithm of 0."""
PROMISED: Final = 6.0
"""Of logarithm, by the first step: below it no lag is fitted."""
CLEARLY: Final = 10.0
"""Of logarithm, by which the counts of stretches left out have to be likelier."""
STRETCH_S: Final = 300.0
GUESSES_S: Final = (1.0, 60.0)
"""A search begins within."""


def find_lags(problem: HeatProblem, mode: Mode, nodes: Iterable[Node]) -> ModelStart | None:
    """Return the model with sensors that the readings ask to lag; None: they ask for none.

    Parameters
    ----------
    mode
        Of `problem`.
    nodes
        Whose sensors may lag; that of a node that is not read does not.
    """
    places = {one.place for one in problem.sensors}
    if SensorPlace.WINDING not in places:
        return None
    before = problem.model
    for node in nodes:
        if SensorPlace(node.value) not in places or node in problem.model.lags:
            continue
        guess_s = _asked_s(problem, mode, node)
        if guess_s is None:
            continue
        lagging = _with_lag(problem, node)
        near = _outer_with_lag(mode, lagging, node, guess_s)
        found = find_mode(lagging, near=near)
        if _left_out_log(lagging, found) > _left_out_log(problem, mode) + CLEARLY:
            problem, mode = lagging, found
    return None if problem.model is before else ModelStart(model=problem.model, outer=mode.outer)


def is_lag_alike(problem: HeatProblem, mode: Mode) -> bool:
    """Return whether a lag of the sensor would leave the winding's time constant unknown.

    Of a joint whose housing alone is read: what follows the load late may be either, unless the
    copper's feedback tells (bound of the trace alone, with a lag beside the winding).
    """
    places = {one.place for one in problem.sensors}
    node = Node.HOUSING
    if problem.model.nodes == 1 or SensorPlace.WINDING in places or node in problem.model.lags:
        return False
    lagging = _with_lag(problem, node)
    outer = _outer_with_lag(mode, lagging, node, PROBE_S)
    unknowns = _settled_unknowns(lagging, mode, outer)
    at = lagging.model.parameters.index(Parameter.WINDING_TIME)
    tells = TraceInformation(lagging, replace(mode, outer=outer, unknowns=unknowns))
    return tells.factor(lambda outer: math.exp(outer[at])) > UNKNOWN_FACTOR


def _settled_unknowns(problem: HeatProblem, mode: Mode, outer: Floats) -> Floats:
    first = problem.first_unknowns()
    return problem.integrate_unknowns(outer, mode.size_K, first, most_steps=20).unknowns


def _with_lag(problem: HeatProblem, node: Node) -> HeatProblem:
    """Return the same with a model in which the sensor of a node lags as well."""
    every = {*problem.model.lags, node}
    lags = tuple(one for one in Node if one in every)
    return problem.with_model(replace(problem.model, lags=lags))


def _outer_with_lag(mode: Mode, lagging: HeatProblem, node: Node, lag_s: float) -> Floats:
    """Return the outer parameters of a mode with those of one lag more."""
    at = lagging.model.parameters.index(LAG_PARAMETERS[node])
    return np.insert(mode.outer, at, math.log(lag_s))


def _asked_s(problem: HeatProblem, mode: Mode, node: Node) -> float | None:
    """Return about how long a lag the readings ask for; None: they do not ask for one."""
    lagging = _with_lag(problem, node)
    outer = _outer_with_lag(mode, lagging, node, PROBE_S)
    unknowns = _settled_unknowns(lagging, mode, outer)
    found = lagging.evaluate(np.concatenate([outer, unknowns]), mode.size_K)
    at = lagging.model.parameters.index(LAG_PARAMETERS[node])
    gradient, information = found.gradient.copy(), found.information.copy()
    # What the lag's own prior says is no word of the readings.
    information[at, at] -= lagging.prior_sd[at] ** -2.0
    gradient[at] += (outer[at] - lagging.first_outer()[at]) * lagging.prior_sd[at] ** -2.0
    others = np.delete(np.arange(len(gradient)), at)
    along = np.linalg.solve(information[np.ix_(others, others)], information[others, at])
    slope = float(gradient[at] - along @ gradient[others])
    bend = float(information[at, at] - along @ information[others, at])
    if bend <= 0.0 or slope <= 0.0 or slope**2 / (2.0 * bend) < PROMISED:
        return None
    return float(np.clip(PROBE_S * (1.0 + slope / bend), *GUESSES_S))


def _left_out_log(problem: HeatProblem, mode: Mode) -> float:
    """Return the logarithm of likelihood of the joint's counts, each left out of the fit once."""
    trace = problem.trace
    first = np.flatnonzero(np.diff(trace.segment, prepend=-1))
    stretch = ((trace.begin_s - trace.begin_s[first][trace.segment]) / STRETCH_S).astype(np.int64)
    log = 0.0
    # The begin of a segment stays: what a node behind a sensor that lags was at is known from
    # minutes of readings, and without a lag from the first of them.
    for left in (stretch % 2 == 1, (stretch > 0) & (stretch % 2 == 0)):
        part = problem.with_trace(problem.trace.without_joint_in(left))
        outer, unknowns = refit_parameters(part, mode)
        for index, sensor in enumerate(problem.sensors):
            if sensor.place is SensorPlace.AMBIENT:
                continue
            log += _log_of(part, index, sensor.select(left), outer, unknowns)
    return log


def _log_of(
    problem: HeatProblem, index: int, sensor: SensorCounts, outer: Floats, unknowns: Floats
) -> float:
    found = count_likelihood(
        sensor.value_degC,
        problem.shown_by(sensor, outer, unknowns),
        resolution_K=sensor.resolution_K,
        noise_K=math.exp(outer[problem.theta_count + index]),
    )
    return float(sensor.n @ found.log)
