"""What a sensor reads where it was not fitted, with its standard uncertainty. Pure."""
# ruff: noqa: N806 - units are written as units are

import math

import numpy as np

from logger.arrays import Floats
from replay.heat.problem import HeatProblem
from replay.heat.search import Mode, without_noise
from replay.heat.trace import SensorCounts

__all__ = ["predict_readings"]


def predict_readings(
    problem: HeatProblem, mode: Mode, sensor: SensorCounts
) -> tuple[Floats, Floats]:
    """Return mean and standard uncertainty of readings at the places of `sensor`, in degC and K.

    The uncertainty holds parameters, starts and the ambient's drift, whose size is taken at its
    upper standard uncertainty, and the noise and rounding of one reading.
    """
    vector = np.concatenate([mode.outer, mode.unknowns])
    size_K = mode.size_K * math.exp(mode.log_size_sd)
    information = without_noise(problem, problem.evaluate(vector, size_K)).information
    jacobian = problem.jacobian_for(sensor, mode.outer, mode.unknowns)
    variance = np.einsum("ij,ji->i", jacobian, np.linalg.solve(information, jacobian.T))
    index = next(at for at, one in enumerate(problem.sensors) if one.place is sensor.place)
    noise_K = math.exp(mode.outer[problem.theta_count + index])
    reading = noise_K**2 + sensor.resolution_K**2 / 12.0
    return problem.shown_by(sensor, mode.outer, mode.unknowns), np.sqrt(variance + reading)
