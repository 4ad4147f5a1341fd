"""What a person is told of simulated joints' heat, held against the truth: the whole way.

From trace to answers as `dutytrace heat` goes it: the model is chosen, what is not known is called
so, and what the joint bears follows from the draws. Run as a module it keeps one file a joint and
case, so that a run that was ended goes on where it was, and prints one line a case:

    python -m tests.support.told_heat FOLDER --joints 100 --seed 1000
"""

import argparse
import dataclasses
import itertools
import json
import math
import sys
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from logger.arrays import Floats
from logger.heat.model import Parameter
from logger.joint.bench.joint_settings import JointSettings
from logger.joint.thermal.thermal_duty import continuous_mean_square_A2, settled_degC
from logger.joint.thermal.thermal_load import JointHeat, Node
from logger.joint.thermal.thermal_model import TwoNode
from logger.joint.thermal.thermal_overload import held_times_s
from replay.heat.answers import WARM_SHARE
from replay.heat.bins import ReadTrace, SensorSource
from replay.heat.evaluate import answer_heat
from replay.heat.fit import AmbientChoice, HeatFit, fit_trace
from replay.heat.model import physical_parameters
from replay.heat.problem import HeatProblem
from replay.heat.quantity import KNOWN_FACTOR, UNKNOWN_FACTOR, Quantity
from tests.support.heat_joints import Simulated, simulate_joint
from tests.support.heat_study import PATTERNS, Bound

__all__ = ["CASES", "Told", "fit_simulated", "told_answers"]

LIMIT_DEGC: Final = {Node.WINDING: 100.0, Node.HOUSING: 75.0}
REFERENCE_DEGC: Final = 40.0
HELD_SHARES: Final = (1.25, 2.0)
"""Of the load that is truly borne for ever."""
CASES: Final = tuple(itertools.product(PATTERNS, (False, True), (False, True)))
_CHANNELS: Final = {
    "winding": "temperature_winding_degC",
    "housing": "temperature_housing_degC",
    "ambient": "temperature_ambient_degC",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """One answer: what was told, the truth, and how narrow an interval could be."""

    name: str
    truth: float
    value: float
    """NaN where it is called unknown, as are its ends."""
    low: float
    high: float
    bound_factor: float
    """Upper end against lower of the narrowest 95 % interval (Cramer-Rao); NaN where there is none,
    a time that is for ever."""

    @property
    def is_known(self) -> bool:
        """Whether a number is told."""
        return math.isfinite(self.low)

    @property
    def holds(self) -> bool:
        """Whether the truth lies in the interval."""
        return self.low <= self.truth <= self.high

    @property
    def width_ratio(self) -> float:
        """The interval's width against the bound's, of logarithms; inf where it has no end."""
        return math.log(self.high / max(self.low, 1e-9)) / math.log(self.bound_factor)


def fit_simulated(made: Simulated, **settings: Any) -> HeatFit:
    """Return the fit that recordings of a simulated joint would have; `settings` of its bench."""
    trace = made.trace
    read = ReadTrace(
        trace=trace,
        load="current_A",
        sources=tuple(
            SensorSource(place=one.place, joint="a", channel=_CHANNELS[one.place.value])
            for one in trace.sensors
        ),
        has_speed=bool(trace.steps.mean_square_speed_rad2_s2.any()),
        start_ns=0,
        spans_ns=((0, 1),),
        recordings=("made",),
        skipped_s=0.0,
        largest_load=math.sqrt(float(trace.steps.mean_square_A2.max())),
    )
    joint = JointSettings(name="a", layout="l", **settings)
    return fit_trace(read, joint, ambient=AmbientChoice())


def told_answers(seed: int, **course: Any) -> Iterator[Told]:
    """Yield each answer about one simulated joint; arguments as of `simulate_joint`."""
    # A recording of that length with a winding has steps of 2 s: the same, in twice the time.
    step_s = 5 if course.get("winding") else 10
    made = simulate_joint(seed, **{"step_s": step_s, **course})
    fit = fit_simulated(made)
    standby = bool(course.get("ambient", True))
    bound = HeatProblem(
        made.trace,
        dataclasses.replace(fit.problem.model, nodes=2, standby=standby),
    )
    bounds = _Bounds(bound, made)
    yield from _parameters(fit, made, bounds)
    if fit.is_load_known:
        yield from _borne(fit, made, bounds)


class _Bounds:
    """How narrow the interval of anything could be, for one trace."""

    def __init__(self, problem: HeatProblem, made: Simulated) -> None:
        self._problem = problem
        self._bound = Bound(problem, made.truth)

    def of(self, function: Callable[[Floats], float]) -> float:
        """Return the factor of a function of the two-node parameters."""
        return self._bound.factor(function)

    def joint(self, theta: Floats) -> JointHeat:
        return self._problem.joint_at(theta)

    def whole_time_s(self, theta: Floats) -> float:
        return _whole_time_s(self.joint(theta))

    def parameter(self, name: Parameter) -> Callable[[Floats], float]:
        def value(theta: Floats) -> float:
            return float(physical_parameters(self._problem.model, theta, self._problem.scale)[name])

        return value


def _parameters(fit: HeatFit, made: Simulated, bounds: _Bounds) -> Iterator[Told]:
    known = {one.name.value: one for one in fit.quantities}
    for name in (*known, *(one.name.value for one in fit.unknown)):
        if name == "idle_temperature":
            yield _idle(known.get(name), made)
            continue
        truth, function = made.truth[name], bounds.parameter(Parameter(name))
        if name == "housing_time" and not fit.is_winding_known:
            # Of the whole joint, where the winding is not told apart.
            truth = _whole_time_s(made.joint)
            function = bounds.whole_time_s
        found = known.get(name)
        yield Told(
            name=name,
            truth=truth,
            value=found.value if found else math.nan,
            low=found.low if found else math.nan,
            high=found.high if found else math.nan,
            bound_factor=bounds.of(function),
        )


def _idle(found: Quantity | None, made: Simulated) -> Told:
    trace = made.trace
    seconds = trace.begin_s + trace.steps.duration_s / 2.0
    room = float(np.mean(made.ambient_degC[seconds.astype(int)]))
    return Told(
        name="idle_temperature",
        truth=room + made.truth["standby_rise"],
        value=found.value if found else math.nan,
        low=found.low if found else math.nan,
        high=found.high if found else math.nan,
        bound_factor=math.nan,
    )


def _whole_time_s(joint: JointHeat) -> float:
    """Return the time constant of both heat capacities together."""
    network = joint.network
    assert isinstance(network, TwoNode)
    heat = network.winding_J_per_K + network.housing_J_per_K
    return network.housing_ambient_K_per_W * heat


def _borne(fit: HeatFit, made: Simulated, bounds: _Bounds) -> Iterator[Told]:
    """Yield the load that is borne for ever and for how long others are held."""
    node, limit = fit.node, LIMIT_DEGC[fit.node]
    room = REFERENCE_DEGC if fit.has_room else fit.idle_degC
    # Where the room is not known the ambient is that without load: standby is part of it.
    true = made.joint if fit.has_room else dataclasses.replace(made.joint, standby_W=0.0)

    def borne(joint: JointHeat) -> float:
        square = continuous_mean_square_A2(joint, node=node, limit_degC=limit, ambient_degC=room)
        return math.sqrt(max(square, 1e-12))

    def told(name: str, truth: float, band: tuple[float, float, float], function: Any) -> Told:
        ends = math.isfinite(truth) and truth > 0.0
        value, low, high = (one if math.isfinite(one) else 1e9 for one in band)
        return Told(
            name=name,
            truth=truth if math.isfinite(truth) else 1e9,
            value=value,
            low=low,
            high=high,
            bound_factor=bounds.of(function) if ends else math.nan,
        )

    truth = borne(true)
    loads = [share * truth for share in HELD_SHARES]
    answer = answer_heat(fit, limit_degC=limit, loads=loads)
    at = next(one for one in answer.for_ever if one.ambient_degC == room)
    yield told("load_for_ever", truth, at.rotating, lambda theta: borne(bounds.joint(theta)))
    warm_square = (WARM_SHARE * at.rotating[0]) ** 2
    for held, share in zip(answer.held_for, HELD_SHARES, strict=True):
        for name, start, band in (("cold", 0.0, held.cold_s), ("warm", warm_square, held.warm_s)):

            def held_s(joint: JointHeat, load: float = held.load, start: float = start) -> float:
                begin = settled_degC(joint, mean_square_A2=start, ambient_degC=room)
                return float(
                    held_times_s(
                        [joint],
                        node=node,
                        limit_degC=limit,
                        ambient_degC=room,
                        mean_square_A2=[load**2],
                        start_degC=begin[None, :],
                    )[0, 0]
                )

            yield told(
                f"held_{name}_{share:g}",
                held_s(true),
                band,
                lambda theta, held_s=held_s: held_s(bounds.joint(theta)),
            )


def _share(held: Iterable[bool]) -> str:
    values = list(held)
    return f"{sum(values)}/{len(values)}"


def summary_lines(found: list[Told]) -> Iterator[str]:
    """Yield one line for each quantity, then one for all."""
    for name in dict.fromkeys(one.name for one in found):
        yield f"    {name:16} {_line([one for one in found if one.name == name])}"
    yield f"  all {_line(found)}"


def _line(found: list[Told]) -> str:
    known = [one for one in found if one.is_known]
    wide = [one.width_ratio for one in known if 1.0 < one.bound_factor < UNKNOWN_FACTOR]
    must = [not one.is_known for one in found if one.bound_factor > UNKNOWN_FACTOR]
    must_not = [not one.is_known for one in found if one.bound_factor < KNOWN_FACTOR]
    return (
        f"hold {_share(one.holds for one in known)}; width "
        f"{float(np.median(wide)) if wide else math.nan:.2f} of the bound's; "
        f"unknown where it must {_share(must)}, where it must not {_share(must_not)}"
    )


def main() -> None:
    """Make what is missing in the folder and print the figures."""
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("--joints", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1000)
    parser.add_argument(
        "--by-turns", action="store_true", help="each joint in one case, the cases by turns"
    )
    parser.add_argument("--course", default="{}", help="more arguments of simulate_joint, JSON")
    asked = parser.parse_args()
    asked.folder.mkdir(parents=True, exist_ok=True)
    everything: dict[tuple[str, bool, bool], list[Told]] = {case: [] for case in CASES}
    for seed in range(asked.seed, asked.seed + asked.joints):
        for case in (CASES[seed % len(CASES)],) if asked.by_turns else CASES:
            pattern, winding, ambient = case
            kept = asked.folder / f"{seed}-{pattern}-{winding:d}{ambient:d}.json"
            if not kept.exists():
                made = told_answers(
                    seed,
                    pattern=pattern,
                    winding=winding,
                    ambient=ambient,
                    **json.loads(asked.course),
                )
                text = json.dumps([dataclasses.asdict(one) for one in made], default=float)
                kept.write_text(text, encoding="utf-8")
            everything[case] += [Told(**one) for one in json.loads(kept.read_text("utf-8"))]
    for (pattern, winding, ambient), found in everything.items():
        sensors = "housing and winding" if winding else "housing"
        room = "room recorded" if ambient else "room unknown"
        sys.stdout.write(f"{pattern}, {sensors}, {room}\n")
        sys.stdout.writelines(f"{line}\n" for line in summary_lines(found))


if __name__ == "__main__":
    main()
