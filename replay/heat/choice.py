"""Which model: the one that predicts blocks that had no part in its fit. Pure.

Each quarter of the readings is left out in turn and predicted from the load alone; how well a model
fits does not count. The usual one has two nodes: a joint's winding is there whether or not the
trace tells of it, and a model without it has narrow intervals about another joint. One node, or
loss by speed, has to predict clearly better.
"""

from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.heat.model import COPPER, HeatModel, SpeedLoss
from logger.joint.thermal.thermal_load import Node
from logger.joint.thermal.thermal_model import Winding
from replay.heat.model import StatedLags
from replay.heat.one_load import is_one_load
from replay.heat.problem import HeatProblem
from replay.heat.search import find_mode, refit_parameters, search_step_s
from replay.heat.trace import HeatTrace, SensorPlace, StatedAmbient

__all__ = ["ModelScore", "ModelStart", "choose_model"]

_SPEEDS: Final = (SpeedLoss.SQUARE, SpeedLoss.LINEAR)
BLOCKS: Final = 4
BETTER: Final = 0.93
"""Share of the usual model's error that another must stay below."""
CLEARLY_K: Final = 0.3
"""By how much as well, where it leaves the winding out: every joint has one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelStart:
    """A model and outer parameters of a fit of it: where a search of one like it begins."""

    model: HeatModel
    outer: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelScore(ModelStart):
    """How far a model was off over blocks that it had not seen; fitted on wide steps."""

    error_K: float  # noqa: N815 - the unit's own spelling
    """Root mean square."""


def choose_model(
    trace: HeatTrace,
    *,
    ambient: StatedAmbient | None,
    has_speed: bool,
    copper: Winding = COPPER,
    lags_s: StatedLags = MappingProxyType({}),
    near: ModelStart | None = None,
) -> tuple[ModelScore, ...]:
    """Return the chosen model and, after it, those that were tried beside it.

    Parameters
    ----------
    lags_s
        Time constants of sensors that were typed.
    near
        A model with sensors that lag, and its parameters, to begin at; None: from several starts,
        and no sensor lags but those of `lags_s`.
    """

    def score(model: HeatModel, near: ModelStart | None) -> ModelScore:
        problem = HeatProblem(trace, model, ambient=ambient, copper=copper, lags_s=lags_s)
        return _score(problem.coarser(search_step_s(trace)), near)

    places = {one.place for one in trace.sensors}
    standby = ambient is not None or SensorPlace.AMBIENT in places
    lags = tuple(lags_s) if near is None else near.model.lags
    two = HeatModel(nodes=2, standby=standby, lags=lags)
    scores = [score(two, near)]
    chosen = scores[0]
    if has_speed:
        # Before a joint is taken for one body: speed that is left out makes that look better.
        tried = [score(replace(two, speed=speed), chosen) for speed in _SPEEDS]
        scores += tried
        best = min(tried, key=lambda one: one.error_K)
        chosen = best if best.error_K < BETTER * chosen.error_K else chosen
    # Under one load all the time neither a winding nor the place of the drive's heat is seen: both
    # places explain the readings, and one body that follows the room alone predicts quarters best.
    has_loads = not is_one_load(trace)
    if has_loads and not {SensorPlace.WINDING, SensorPlace.HOUSING} <= places:
        scores.append(score(replace(chosen.model, nodes=1), near))
        if scores[-1].error_K < min(BETTER * chosen.error_K, chosen.error_K - CLEARLY_K):
            chosen = scores[-1]
    elif has_loads and standby:
        # Where both are read it shows in which of them the drive's own heat arises.
        scores.append(score(replace(chosen.model, loss_node=Node.WINDING), chosen))
        if scores[-1].error_K < BETTER * chosen.error_K:
            chosen = scores[-1]
    return (chosen, *(score for score in scores if score is not chosen))


def _score(whole: HeatProblem, start: ModelStart | None) -> ModelScore:
    """Return the error of a model over left-out blocks, on wide steps."""
    near = find_mode(whole, near=None if start is None else _outer_near(whole, start))
    block = np.minimum(
        np.arange(len(whole.trace.begin_s)) * BLOCKS // len(whole.trace.begin_s), BLOCKS - 1
    )
    squares, weight = 0.0, 0.0
    for number in range(BLOCKS):
        kept = block != number
        if not any(len(one.select(kept).step) for one in whole.trace.sensors):
            continue
        # A recorded room is known in the block as well: only the joint is predicted.
        part = whole.with_trace(whole.trace.without_joint_in(~kept))
        outer, unknowns = refit_parameters(part, near)
        for sensor in whole.trace.sensors:
            if sensor.place is SensorPlace.AMBIENT:
                continue
            left = sensor.select(~kept)
            off: Floats = part.shown_by(left, outer, unknowns) - left.value_degC
            squares += float(left.n @ off**2)
            weight += float(left.n.sum())
    error = (squares / max(weight, 1e-9)) ** 0.5
    return ModelScore(model=whole.model, error_K=error, outer=near.outer)


def _outer_near(problem: HeatProblem, start: ModelStart) -> Floats:
    """Return outer parameters of a problem at those of another model, as far as it has them."""
    outer, had = problem.first_outer(), start.model.parameters
    for at, name in enumerate(problem.model.parameters):
        if name in had:
            outer[at] = start.outer[had.index(name)]
    outer[problem.theta_count :] = start.outer[len(had) :]
    return outer
