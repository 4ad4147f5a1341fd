"""Which model: the one that predicts blocks that had no part in its fit. Pure.

Each quarter of the readings is left out in turn and predicted from the load alone; how well a model
fits does not count. The usual one has two nodes: a joint's winding is there whether or not the
trace tells of it, and a model without it has narrow intervals about another joint. One node, or
loss by speed, has to predict clearly better.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.heat.model import COPPER, HeatModel, SpeedLoss
from logger.joint.thermal.thermal_model import Winding
from replay.heat.problem import HeatProblem
from replay.heat.search import coarse_step_s, find_mode, refit_parameters
from replay.heat.trace import HeatTrace, SensorPlace, StatedAmbient

__all__ = ["ModelScore", "choose_model"]

BLOCKS: Final = 4
BETTER: Final = 0.93
"""Share of the usual model's error that another must stay below."""
CLEARLY_K: Final = 0.3
"""By how much as well, where it leaves the winding out: every joint has one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelScore:
    """How far a model was off over blocks that it had not seen."""

    model: HeatModel
    error_K: float  # noqa: N815 - the unit's own spelling
    """Root mean square."""
    outer: Floats
    """Outer parameters of a fit to all readings, on wide steps: where a finer one begins."""


def choose_model(
    trace: HeatTrace,
    *,
    ambient: StatedAmbient | None,
    has_speed: bool,
    copper: Winding = COPPER,
) -> tuple[ModelScore, ...]:
    """Return the chosen model and, after it, those that were tried beside it."""
    places = {one.place for one in trace.sensors}
    standby = ambient is not None or SensorPlace.AMBIENT in places
    two = HeatModel(nodes=2, standby=standby)
    models = [two]
    if not {SensorPlace.WINDING, SensorPlace.HOUSING} <= places:
        models.append(HeatModel(nodes=1, standby=standby))
    scores = [_score(trace, model, ambient, copper) for model in models]
    chosen = scores[0]
    for score in scores[1:]:
        if score.error_K < min(BETTER * chosen.error_K, chosen.error_K - CLEARLY_K):
            chosen = score
    if has_speed:
        fast = HeatModel(nodes=chosen.model.nodes, standby=standby, speed=SpeedLoss.SQUARE)
        scores.append(_score(trace, fast, ambient, copper))
        if scores[-1].error_K < BETTER * chosen.error_K:
            chosen = scores[-1]
    return (chosen, *(score for score in scores if score is not chosen))


def _score(
    trace: HeatTrace, model: HeatModel, ambient: StatedAmbient | None, copper: Winding
) -> ModelScore:
    """Return the error of a model over left-out blocks, searched on wide steps."""
    whole = HeatProblem(trace, model, ambient=ambient, copper=copper).coarser(coarse_step_s(trace))
    near = find_mode(whole)
    block = np.minimum(
        np.arange(len(whole.trace.begin_s)) * BLOCKS // len(whole.trace.begin_s), BLOCKS - 1
    )
    squares, weight = 0.0, 0.0
    for number in range(BLOCKS):
        kept = block != number
        if not any(len(one.select(kept).step) for one in whole.trace.sensors):
            continue
        # A recorded room is known in the block as well: only the joint is predicted.
        part = whole.with_trace(_without(whole.trace, kept))
        outer, unknowns = refit_parameters(part, near)
        for sensor in whole.trace.sensors:
            if sensor.place is SensorPlace.AMBIENT:
                continue
            left = sensor.select(~kept)
            off: Floats = part.shown_by(left, outer, unknowns) - left.value_degC
            squares += float(left.n @ off**2)
            weight += float(left.n.sum())
    error = (squares / max(weight, 1e-9)) ** 0.5
    return ModelScore(model=model, error_K=error, outer=near.outer)


def _without(trace: HeatTrace, kept: np.ndarray) -> HeatTrace:
    """Return a trace without the joint's readings of some steps, each segment's first ones kept."""
    first = np.flatnonzero(np.diff(trace.segment, prepend=-1))
    shown = kept.copy()
    shown[first] = True
    everything = np.ones(len(kept), bool)
    return HeatTrace(
        steps=trace.steps,
        begin_s=trace.begin_s,
        segment=trace.segment,
        sensors=tuple(
            one.select(everything if one.place is SensorPlace.AMBIENT else shown)
            for one in trace.sensors
        ),
    )
