"""The exact steps of a trace for one set of a model's parameters, or for several at once. Pure."""

from collections.abc import Sequence

import numpy as np

from logger.arrays import Floats
from logger.heat.model import HeatModel, heat_joint
from logger.joint.thermal.thermal_load import StepResponse
from logger.joint.thermal.thermal_model import Winding
from replay.heat.dated_change import DatedChange, changed_response
from replay.heat.model import LoadScale, physical_parameters
from replay.heat.trace import HeatTrace

__all__ = ["trace_response"]


def trace_response(
    trace: HeatTrace,
    model: HeatModel,
    changes: Sequence[DatedChange],
    thetas: Floats,
    *,
    copper: Winding,
    scale: LoadScale,
) -> StepResponse:
    """Return the step of each load, those after a change included.

    Several sets at once, since a trace has some hundred steps: a call costs more than its numbers.

    Parameters
    ----------
    thetas
        Shape (sets, parameters): those of the model, then those of the changes.

    Returns
    -------
    StepResponse
        All steps of the first set, then all of the next.
    """
    steps, begin_s, own = trace.steps, trace.begin_s, thetas[0]
    if len(thetas) > 1:
        steps, begin_s = steps.repeated(len(thetas)), np.tile(begin_s, len(thetas))
        own = np.repeat(thetas, len(trace.begin_s), axis=0)
    count = len(model.parameters)
    found = physical_parameters(model, own[..., :count], scale)
    return changed_response(
        heat_joint(model, found, copper),
        steps,
        begin_s,
        changes,
        own[..., count:].T,
        lags_s=model.lags_s(found),
    )
