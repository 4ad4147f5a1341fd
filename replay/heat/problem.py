"""The posterior of a heat fit: counts, drift and starts together, for one trace and one model.

The vector that is searched: logarithms of the model's parameters, logarithms of each sensor's
noise, then the starts of the segments, the mean ambient and its drift at the knots. Pure.
"""
# ruff: noqa: N803 - units are written as units are: K is a capital

import copy
import math
from collections.abc import Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve

from logger.arrays import Floats
from logger.heat.model import COPPER, LAG_PARAMETERS, HeatModel, heat_joint
from logger.joint.thermal.thermal_load import JointHeat, StepResponse
from logger.joint.thermal.thermal_model import Winding
from replay.heat.counts import CountLikelihood, count_likelihood, expected_information
from replay.heat.dated_change import DatedChange, change_prior
from replay.heat.drift import drift_knots, drift_precision
from replay.heat.model import LoadScale, StatedLags, coordinate_prior, physical_parameters
from replay.heat.response import Edges, linear_response, temperatures_for, temperatures_of_each
from replay.heat.scoring import Evaluation
from replay.heat.starts import first_noise, start_prior
from replay.heat.trace import HeatTrace, SensorCounts, SensorPlace, StatedAmbient
from replay.heat.trace_response import trace_response
from replay.heat.wander import with_wander

__all__ = ["DRIFT_SIZE_K", "HeatProblem", "InnerOptimum"]

DRIFT_SIZE_K: Final = (0.8, 0.5)
"""Centre, and standard deviation of the logarithm, of the size of the ambient's drift."""
_NOISE_SD: Final = 0.8
"""Of the logarithm of a noise that the fit finds."""
_KNOWN_NOISE_SD: Final = 0.02
"""Of the logarithm of a noise that is known: it stays where it is."""
_DIFFERENCE: Final = 1e-4


@dataclass(frozen=True, slots=True, kw_only=True)
class InnerOptimum:
    """Starts and ambient that are likeliest for given parameters."""

    unknowns: Floats
    log_marginal: float
    """Log-posterior with starts and ambient integrated out (Laplace)."""
    covariance_factor: Floats
    """Cholesky factor (lower) of the information of the unknowns."""


class HeatProblem:
    """One trace and one model; the parameters `outer` are logarithms, see `outer_names`."""

    def __init__(
        self,
        trace: HeatTrace,
        model: HeatModel,
        *,
        ambient: StatedAmbient | None = None,
        copper: Winding = COPPER,
        lags_s: StatedLags = MappingProxyType({}),
        scale: LoadScale | None = None,
        changes: Sequence[DatedChange] = (),
    ) -> None:
        """Prepare a problem.

        Parameters
        ----------
        lags_s
            Time constants of sensors that were typed; those of the others that lag are fitted.
        changes
            What changed on the way, in order of time.
        """
        self.trace = trace
        self.model = model
        self.ambient = ambient
        self.copper = copper
        self.lags_s = lags_s
        self.scale = scale or LoadScale.of(model, trace)
        self.changes = tuple(changes)
        self.knots = drift_knots(trace)
        self.edges = Edges.of(trace)
        self.start_count = len(self.edges.starts) * model.states
        self.sensors = tuple(
            with_wander(
                one,
                recorded_s=float(trace.steps.duration_s.sum()),
                noise_K=first_noise(one),
            )
            for one in trace.sensors
            if len(one.step)
        )
        self.theta_count = len(model.parameters) + sum(one.sizes for one in self.changes)
        self.outer_count = self.theta_count + len(self.sensors)
        self._prior_mean, self.prior_sd = self._outer_prior()
        self._z_mean, self._z_sd = start_prior(trace, model, ambient)
        self.unknown_count = len(self._z_mean) + len(self.knots.time_s)
        self._kept_rows: tuple[bytes, list[Floats], list[Floats]] | None = None

    @property
    def is_stated(self) -> NDArray[np.bool_]:
        """Which of the `theta_count` parameters a person stated."""
        stated = {LAG_PARAMETERS[node] for node in self.lags_s}
        own = [name in stated for name in self.model.parameters]
        return np.array(own + [False] * (self.theta_count - len(own)))

    def first_unknowns(self) -> Floats:
        """Return starts and ambient to begin a search with."""
        return np.concatenate([self._z_mean, np.zeros(len(self.knots.time_s))])

    def first_outer(self) -> Floats:
        """Return the centre of the prior of the outer parameters."""
        return self._prior_mean.copy()

    def log_likelihood(self, vector: Floats, size_K: float) -> float:
        """Return the log-posterior at outer parameters and unknowns, for a size of the drift."""
        outer, unknowns = vector[: self.outer_count], vector[self.outer_count :]
        rows = self._sensor_temperatures(outer, unknowns)
        log = sum(
            float(sensor.n @ self._counts(index, sensor, rows[index], outer).log)
            for index, sensor in enumerate(self.sensors)
        )
        precision, _ = self._precision(size_K)
        offset = unknowns - self.first_unknowns()
        prior = (outer - self._prior_mean) / self.prior_sd
        return log - 0.5 * float(offset @ precision @ offset) - 0.5 * float(prior @ prior)

    def evaluate(self, vector: Floats, size_K: float) -> Evaluation:
        """Return log-posterior, gradient and information at outer parameters and unknowns."""
        outer, unknowns = vector[: self.outer_count], vector[self.outer_count :]
        theta = outer[: self.theta_count]
        base, design = self._linear(theta)
        by_theta = self._theta_differences(theta, unknowns)
        total = len(vector)
        gradient, information, log = np.zeros(total), np.zeros((total, total)), 0.0
        for index, sensor in enumerate(self.sensors):
            jacobian = self._jacobian(sensor, design, by_theta)
            shown = self._base_rows(sensor, base) + jacobian[:, self.outer_count :] @ unknowns
            found = self._counts(index, sensor, shown, outer)
            log += float(sensor.n @ found.log)
            gradient += jacobian.T @ (sensor.n * found.slope)
            expected = expected_information(
                sensor.value_degC,
                shown,
                resolution_K=sensor.resolution_K,
                noise_K=math.exp(outer[self.theta_count + index]),
            )
            information += jacobian.T @ (jacobian * (sensor.n * expected.temperature)[:, None])
            at = self.theta_count + index
            gradient[at] += float(sensor.n @ found.noise_slope)
            information[at, at] += float(sensor.n @ expected.noise)
            cross = jacobian.T @ (sensor.n * expected.both)
            information[at] += cross
            information[:, at] += cross
        precision, _ = self._precision(size_K)
        offset = unknowns - self.first_unknowns()
        gradient[self.outer_count :] -= precision @ offset
        information[self.outer_count :, self.outer_count :] += precision
        prior = (outer - self._prior_mean) / self.prior_sd
        gradient[: self.outer_count] -= prior / self.prior_sd
        information[np.arange(len(prior)), np.arange(len(prior))] += self.prior_sd**-2.0
        log -= 0.5 * float(offset @ precision @ offset) + 0.5 * float(prior @ prior)
        return Evaluation(log=log, gradient=gradient, information=information)

    def integrate_unknowns(
        self, outer: Floats, size_K: float, unknowns: Floats, *, most_steps: int = 8
    ) -> InnerOptimum:
        """Return the log-posterior of the outer parameters and the size of the drift.

        Given these, the likelihood is concave in starts and ambient: Newton's steps from
        `unknowns` end at its only maximum; the integral about it is Laplace's.
        """
        bases, rows = self._linear_rows(outer[: self.theta_count])
        precision, log_determinant = self._precision(size_K)
        first = self.first_unknowns()
        best = -math.inf
        step = np.zeros_like(unknowns)
        for _ in range(most_steps):
            gradient = -precision @ (unknowns - first)
            log = 0.5 * float((unknowns - first) @ gradient)
            information = precision.copy()
            for index, sensor in enumerate(self.sensors):
                found = self._counts(index, sensor, bases[index] + rows[index] @ unknowns, outer)
                log += float(sensor.n @ found.log)
                gradient += rows[index].T @ (sensor.n * found.slope)
                weight = (sensor.n * found.information)[:, None]
                information += rows[index].T @ (rows[index] * weight)
            if log < best - 1e-6:
                step = step / 2.0
                unknowns = unknowns - step
                continue
            best = log
            factor = cho_factor(information, lower=True, check_finite=False)
            step = cho_solve(factor, gradient, check_finite=False)
            if float(step @ gradient) < 1e-3:
                break
            unknowns = unknowns + step
        prior = (outer - self._prior_mean) / self.prior_sd
        size = (math.log(size_K / DRIFT_SIZE_K[0])) / DRIFT_SIZE_K[1]
        marginal = (
            best
            + 0.5 * log_determinant
            - float(np.log(np.diag(factor[0])).sum())
            - 0.5 * float(prior @ prior)
            - 0.5 * size**2
        )
        return InnerOptimum(
            unknowns=unknowns, log_marginal=marginal, covariance_factor=np.tril(factor[0])
        )

    def joint_at(self, outer: Floats) -> JointHeat:
        """Return the joint of outer parameters, or of the model's alone, as it began."""
        found = physical_parameters(self.model, outer[: len(self.model.parameters)], self.scale)
        return heat_joint(self.model, found, self.copper)

    def node_temperatures(self, outer: Floats, unknowns: Floats) -> Floats:
        """Return the nodes at all edges in degC, shape (edges, nodes)."""
        return self._states(outer, unknowns)[:, : self.model.nodes]

    def _states(self, outer: Floats, unknowns: Floats) -> Floats:
        """Return nodes and lagging sensors at all edges, shape (edges, states)."""
        return temperatures_for(
            self._response(outer[: self.theta_count]), self.edges, self.knots, unknowns
        )

    def ambient_of(self, unknowns: Floats) -> Floats:
        """Return the ambient of each step in degC (with the standby rise where it has no own)."""
        starts = self.start_count
        return np.asarray(unknowns[starts] + self.knots.at_steps @ unknowns[starts + 1 :])

    def shown_by(self, sensor: SensorCounts, outer: Floats, unknowns: Floats) -> Floats:
        """Return what the model says a sensor was at, for each of its readings, in degC."""
        if sensor.place is SensorPlace.AMBIENT:
            return self.ambient_of(unknowns)[sensor.step]
        edges = self._states(outer, unknowns)
        return self._at_readings(sensor, edges)

    def jacobian_for(self, sensor: SensorCounts, outer: Floats, unknowns: Floats) -> Floats:
        """Return how a sensor's readings hang on the whole vector, shape (m, outer + unknowns)."""
        theta = outer[: self.theta_count]
        _, design = self._linear(theta)
        by_theta = self._theta_differences(theta, unknowns)
        return self._jacobian(sensor, design, by_theta)

    def with_trace(self, trace: HeatTrace) -> "HeatProblem":
        """Return the same model over another trace of the same sensors."""
        return HeatProblem(
            trace,
            self.model,
            ambient=self.ambient,
            copper=self.copper,
            lags_s=self.lags_s,
            scale=self.scale,
            changes=self.changes,
        )

    def with_model(self, model: HeatModel) -> "HeatProblem":
        """Return another model over the same trace."""
        return HeatProblem(
            self.trace,
            model,
            ambient=self.ambient,
            copper=self.copper,
            lags_s=self.lags_s,
            changes=self.changes,
        )

    def with_changes(self, changes: Sequence[DatedChange]) -> "HeatProblem":
        """Return the same over the same readings, with other changes, in order of time."""
        changed = copy.copy(self)
        changed.changes = tuple(changes)
        changed._kept_rows = None
        sizes = sum(one.sizes for one in changes)
        changed.theta_count = len(self.model.parameters) + sizes
        changed.outer_count = changed.theta_count + len(changed.sensors)
        changed._prior_mean, changed.prior_sd = changed._outer_prior()
        return changed

    def coarser(self, step_s: float) -> "HeatProblem":
        """Return the same over steps of about that duration; itself where they are wide enough."""
        factor = round(step_s / float(np.median(self.trace.steps.duration_s)))
        return self if factor < 2 else self.with_trace(self.trace.coarser(factor))

    def _linear(self, theta: Floats) -> tuple[Floats, Floats]:
        return linear_response(self._response(theta), self.edges, self.knots)

    def _linear_rows(self, theta: Floats) -> tuple[list[Floats], list[Floats]]:
        """Return base and design of each sensor's readings; kept for the parameters asked last.

        Noises and the size of the drift are tried with the same parameters dozens of times.
        """
        key = theta.tobytes()
        if self._kept_rows is None or self._kept_rows[0] != key:
            base, design = self._linear(theta)
            self._kept_rows = (
                key,
                [self._base_rows(sensor, base) for sensor in self.sensors],
                [self._design_rows(sensor, design) for sensor in self.sensors],
            )
        return self._kept_rows[1:]

    def _response(self, theta: Floats) -> StepResponse:
        """Return the exact step of each load, those after a change included."""
        return self._responses(theta[None, :])

    def _responses(self, thetas: Floats) -> StepResponse:
        return trace_response(
            self.trace, self.model, self.changes, thetas, copper=self.copper, scale=self.scale
        )

    def _theta_differences(self, theta: Floats, unknowns: Floats) -> Floats:
        """Return the derivative of all temperatures by each parameter, by central differences.

        Shape (parameters, edges, states).
        """
        steps = _DIFFERENCE * np.eye(self.theta_count)
        high, low = np.split(
            temperatures_of_each(
                self._responses(np.concatenate([theta + steps, theta - steps])),
                self.edges,
                self.knots,
                unknowns,
                count=2 * self.theta_count,
            ),
            2,
        )
        return np.asarray((high - low) / (2.0 * _DIFFERENCE))

    def _jacobian(self, sensor: SensorCounts, design: Floats, by_theta: Floats) -> Floats:
        out = np.zeros((len(sensor.step), self.outer_count + self.unknown_count))
        out[:, self.outer_count :] = self._design_rows(sensor, design)
        if sensor.place is not SensorPlace.AMBIENT:
            for column, edges in enumerate(by_theta):
                out[:, column] = self._at_readings(sensor, edges)
        return out

    def _sensor_temperatures(self, outer: Floats, unknowns: Floats) -> list[Floats]:
        edges = self._states(outer, unknowns)
        return [
            self.ambient_of(unknowns)[sensor.step]
            if sensor.place is SensorPlace.AMBIENT
            else self._at_readings(sensor, edges)
            for sensor in self.sensors
        ]

    def _at_readings(self, sensor: SensorCounts, edges: Floats) -> Floats:
        at, node = self.edges.begin[sensor.step], self.model.state_shown(sensor.place.node)
        share = sensor.fraction.reshape(-1, *([1] * (edges.ndim - 2)))
        return np.asarray((1.0 - share) * edges[at, node] + share * edges[at + 1, node])

    def _design_rows(self, sensor: SensorCounts, design: Floats) -> Floats:
        if sensor.place is not SensorPlace.AMBIENT:
            return self._at_readings(sensor, design)
        starts = self.start_count
        rows = np.zeros((len(sensor.step), design.shape[2]))
        rows[:, starts] = 1.0
        rows[:, starts + 1 :] = self.knots.at_steps[sensor.step]
        return rows

    def _base_rows(self, sensor: SensorCounts, base: Floats) -> Floats:
        if sensor.place is SensorPlace.AMBIENT:
            return np.zeros(len(sensor.step))
        return self._at_readings(sensor, base)

    def _counts(
        self, index: int, sensor: SensorCounts, shown: Floats, outer: Floats
    ) -> CountLikelihood:
        return count_likelihood(
            sensor.value_degC,
            shown,
            resolution_K=sensor.resolution_K,
            noise_K=math.exp(outer[self.theta_count + index]),
        )

    def _precision(self, size_K: float) -> tuple[Floats, float]:
        drift, log_determinant = drift_precision(self.knots.time_s, size_K)
        fixed = len(self._z_sd)
        out = np.zeros((self.unknown_count, self.unknown_count))
        out[np.arange(fixed), np.arange(fixed)] = self._z_sd**-2.0
        out[fixed:, fixed:] = drift
        return out, log_determinant

    def _outer_prior(self) -> tuple[Floats, Floats]:
        mean, sd = coordinate_prior(self.model, self.lags_s)
        change_mean, change_sd = change_prior(self.changes)
        noise = [math.log(first_noise(one)) for one in self.sensors]
        noise_sd = [_NOISE_SD if one.noise_K is None else _KNOWN_NOISE_SD for one in self.sensors]
        return (
            np.concatenate([mean, change_mean, noise]),
            np.concatenate([sd, change_sd, noise_sd]),
        )
