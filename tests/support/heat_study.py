"""How often the intervals of a heat fit hold the truth, how wide they are, and what is not known.

Run as a module it prints one line a case: `python -m tests.support.heat_study --joints 100`.
"""

import argparse
import itertools
import math
import sys
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.heat.model import HeatModel, Parameter, SpeedLoss
from replay.heat.intervals import interval_of
from replay.heat.model import physical_parameters
from replay.heat.problem import HeatProblem
from replay.heat.quantity import KNOWN_FACTOR, UNKNOWN_FACTOR
from replay.heat.search import find_mode
from tests.support.heat_joints import simulate_joint

__all__ = ["PATTERNS", "Answer", "Bound", "ThetaFunction", "answers", "study"]

ThetaFunction = Callable[[np.ndarray], float]

PATTERNS: Final = ("steps", "cyclic", "random")
DRIFT_K: Final = 0.6
"""Size of the simulated room's drift, which the bound knows."""
NOISE_K: Final = 0.15
TIMES_SD: Final = 2.0 * 1.96
LEAST_LAG_S: Final = 1.0
OPEN_SD: Final = 30.0
"""Of a logarithm of which nothing is known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """One quantity of one joint: its interval, its truth, and how narrow an interval could be."""

    name: str
    truth: float
    low: float
    high: float
    method: str
    bound_factor: float
    """Upper end against lower of the narrowest 95 % interval: Cramer-Rao at the truth, the room's
    drift, its mean and all starts unknown."""

    @property
    def holds(self) -> bool:
        """Whether the truth lies in the interval."""
        return self.low <= self.truth <= self.high

    @property
    def is_called_unknown(self) -> bool:
        """Whether the trace is said not to know it."""
        return self.high / self.low > UNKNOWN_FACTOR

    @property
    def width_ratio(self) -> float:
        """The interval's width against the bound's, of logarithms."""
        return math.log(self.high / self.low) / math.log(self.bound_factor)


def answers(seed: int, **course: object) -> Iterator[Answer]:
    """Yield each quantity of one simulated joint; arguments as of `simulate_joint`."""
    step_s = 2 if course.get("winding") else 10
    made = simulate_joint(seed, step_s=step_s, **course)  # type: ignore[arg-type]
    problem = HeatProblem(made.trace, HeatModel(nodes=2, standby=bool(course.get("ambient"))))
    mode = find_mode(problem)
    bound = Bound(problem, made.truth)
    for name in problem.model.parameters:

        def value(outer: np.ndarray, name: Parameter = name) -> float:
            theta = outer[: problem.theta_count]
            return float(physical_parameters(problem.model, theta, problem.scale)[name])

        _, low, high, method = interval_of(problem, mode, value)
        yield Answer(
            name=name.value,
            truth=made.truth[name],
            low=low,
            high=high,
            method=method.value,
            bound_factor=bound.factor(value),
        )


class Bound:
    """How narrow intervals could be, from the information at the truth, priors of the joint out."""

    def __init__(self, problem: HeatProblem, truth: dict[str, float]) -> None:
        self.theta = theta = _coordinates(problem, truth)
        outer = np.concatenate([theta, np.full(len(problem.sensors), math.log(NOISE_K))])
        inner = problem.integrate_unknowns(outer, DRIFT_K, problem.first_unknowns(), most_steps=30)
        vector = np.concatenate([outer, inner.unknowns])
        information = problem.evaluate(vector, DRIFT_K).information.copy()
        noise = slice(len(theta), len(outer))
        information[noise], information[:, noise] = 0.0, 0.0
        information[noise, noise] = np.eye(len(outer) - len(theta))
        at = np.arange(len(theta))
        information[at, at] += OPEN_SD**-2.0 - problem.prior_sd[at] ** -2.0
        self._covariance = np.linalg.inv(information)[: len(theta), : len(theta)]

    def factor(self, function: ThetaFunction) -> float:
        """Return upper end against lower of the 95 % interval of a function of coordinates."""
        gradient = np.zeros(len(self.theta))
        for index in range(len(self.theta)):
            step = np.zeros(len(self.theta))
            step[index] = 1e-4
            high, low = (function(self.theta + sign * step) for sign in (1.0, -1.0))
            gradient[index] = math.log(high / low) / 2e-4
        sd = math.sqrt(max(float(gradient @ self._covariance @ gradient), 1e-12))
        return math.exp(min(TIMES_SD * sd, 50.0))


def _coordinates(problem: HeatProblem, truth: dict[str, float]) -> np.ndarray:
    """Return the fitted coordinates of true parameters (see `physical_parameters`)."""
    rise = truth["housing_rise"] * problem.scale.square
    ratio = truth["standby_rise"] / rise if problem.model.standby else 0.0
    has_speed = problem.model.speed is not SpeedLoss.NONE
    fast = max(truth["speed_rise"] * problem.scale.speed / rise, 1e-3) if has_speed else 0.0
    share = truth["winding_time"] / truth["winding_rise"] * truth["housing_rise"]
    share /= truth["housing_time"]
    of = {
        Parameter.HOUSING_RISE: rise * (1.0 + ratio + fast),
        Parameter.HOUSING_TIME: truth["housing_time"] * (1.0 + share),
        Parameter.WINDING_RISE: share,
        Parameter.WINDING_TIME: truth["winding_time"],
        Parameter.STANDBY_RISE: ratio,
        Parameter.SPEED_RISE: fast,
        # Of a lag that is none a short one stands for it: there is no logarithm of 0.
        Parameter.WINDING_LAG: max(truth["winding_lag"], LEAST_LAG_S),
        Parameter.HOUSING_LAG: max(truth["housing_lag"], LEAST_LAG_S),
    }
    return np.log([of[name] for name in problem.model.parameters])


def study(seeds: Iterable[int], **course: object) -> list[Answer]:
    """Return all answers of several joints."""
    return [answer for seed in seeds for answer in answers(seed, **course)]


def _share(held: Iterable[bool]) -> str:
    values = list(held)
    return f"{sum(values)}/{len(values)}"


def _line(found: list[Answer]) -> str:
    names = dict.fromkeys(one.name for one in found)
    by_name = {name: [one.holds for one in found if one.name == name] for name in names}
    worst = min(by_name, key=lambda name: float(np.mean(by_name[name])))
    known = [one for one in found if one.bound_factor < UNKNOWN_FACTOR]
    must = [one.is_called_unknown for one in found if one.bound_factor > UNKNOWN_FACTOR]
    must_not = [one.is_called_unknown for one in found if one.bound_factor < KNOWN_FACTOR]
    return (
        f"hold {_share(one.holds for one in found)}, least {worst} {_share(by_name[worst])}; "
        f"width {float(np.median([one.width_ratio for one in known])):.2f} of the bound's; "
        f"unknown where it must {_share(must)}, where it must not {_share(must_not)}"
    )


def main() -> None:
    """Print the study."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--joints", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1000)
    asked = parser.parse_args()
    everything: list[Answer] = []
    for pattern, winding, ambient in itertools.product(PATTERNS, (False, True), (False, True)):
        seeds = range(asked.seed, asked.seed + asked.joints)
        found = study(seeds, pattern=pattern, winding=winding, ambient=ambient)
        everything += found
        sensors = "housing and winding" if winding else "housing"
        room = "room recorded" if ambient else "room unknown"
        sys.stdout.write(f"{pattern}, {sensors}, {room}: {_line(found)}\n")
        sys.stdout.flush()
    sys.stdout.write(f"all: {_line(everything)}\n")


if __name__ == "__main__":
    main()
