"""A fitted joint as the table `thermal` of its bench file, written into that file in place.

Comments and layout of a person's file stay. What is written is read back and compared before the
file is replaced.
"""

import contextlib
import datetime
from pathlib import Path
from typing import Any, Final

import numpy as np

from logger.arrays import Floats
from logger.errors import InputError
from logger.heat.fitted import PARAMETER_KEYS
from logger.heat.model import Parameter, SpeedLoss
from logger.joint.bench.bench import read_bench
from logger.joint.bench.thermal_settings import ThermalSettings
from logger.joint.bench.thermal_table import text_with_thermal
from logger.joint.thermal.thermal_load import Node
from logger.settings_file import read_text
from replay.heat.faults import HeatFault, HeatFaultKind
from replay.heat.fit import HeatFit
from replay.heat.model import physical_parameters
from replay.heat.trace import SensorPlace

__all__ = ["thermal_settings", "write_bench_model"]

_DRAWS: Final = 2000
_WRITTEN_SEED: Final = 20_280
_DIGITS: Final = 6


def thermal_settings(fit: HeatFit, fitted: datetime.date) -> ThermalSettings:
    """Return the table of a fitted joint.

    Raises
    ------
    HeatFault
        What a load warms the joint by does not follow from the recordings, or no one model
        describes them.
    """
    where = fit.read.recordings[0]
    if not fit.is_load_known:
        raise HeatFault(HeatFaultKind.NO_MODEL, where=where, joint=fit.joint)
    problem, mode = fit.problem, fit.mode
    model, count = fit.reported_model, problem.theta_count
    theta = mode.outer[:count]
    spread = np.random.default_rng(_WRITTEN_SEED).multivariate_normal(
        theta, mode.covariance[:count, :count], _DRAWS, method="eigh"
    )
    keys = [key for key, name in PARAMETER_KEYS.items() if name in model.parameters]
    likeliest, drawn = (_reported_parameters(fit, coordinates) for coordinates in (theta, spread))
    logs = np.log(np.stack([drawn[PARAMETER_KEYS[key]] for key in keys]))
    places = {one.place for one in fit.read.trace.sensors}
    table: dict[str, Any] = {
        "load": fit.read.load,
        **{key: _rounded(float(likeliest[PARAMETER_KEYS[key]])) for key in keys},
        "log_covariance": tuple(
            tuple(map(_rounded, row)) for row in np.atleast_2d(np.cov(logs)).tolist()
        ),
        "source": ", ".join(fit.read.recordings)[:400],
        "fitted": fitted,
    }
    if model.nodes == 1:
        place = "housing" if SensorPlace.HOUSING in places else "winding"
        table["sensor"] = f"temperature_{place}_degC"
    if model.speed is not SpeedLoss.NONE:
        table["speed_loss"] = model.speed.value
    if model.loss_node is not Node.HOUSING:
        table["loss_node"] = model.loss_node.value
    if not fit.has_room:
        table["ambient_degC"] = round(fit.idle_degC, 1)
    return ThermalSettings(**table)


def _reported_parameters(fit: HeatFit, coordinates: Floats) -> dict[Parameter, Floats]:
    """Return the parameters of `reported_model` at fitted coordinates, shape (..., parameters).

    What is followed live are nodes that are known. Where the winding is not, that is the body
    that its sensor is on, with all the heat that both store; what the winding may be is part of how
    well that is known, for a fit of one body would be narrow about another joint.
    """
    problem = fit.problem
    found = physical_parameters(problem.model, coordinates, problem.scale)
    if problem.model.nodes == fit.reported_model.nodes:
        return found
    capacity = found[Parameter.HOUSING_TIME] / found[Parameter.HOUSING_RISE]
    inner = found[Parameter.WINDING_TIME] / found[Parameter.WINDING_RISE]
    rise = found[Parameter.HOUSING_RISE]
    whole = found | {Parameter.HOUSING_TIME: rise * (capacity + inner)}
    if any(one.place is SensorPlace.HOUSING for one in problem.sensors):
        return whole
    # A winding that alone is read stands on the housing: it rises by both.
    return whole | {Parameter.HOUSING_RISE: rise + found[Parameter.WINDING_RISE]}


def write_bench_model(path: Path, joint: str, settings: ThermalSettings) -> None:
    """Write the table of a joint into its bench file, in place of the one that it has.

    Raises
    ------
    InputError
        The file cannot be read or written, or has no such joint.
    """
    read_bench(path)
    text = read_text(path, "bench file")
    text = text_with_thermal(text, str(path), joint, settings)
    new_file = path.with_name(f".{path.name}.aside")
    try:
        new_file.write_text(text, encoding="utf-8")
        new_file.replace(path)
    except OSError as fault:
        with contextlib.suppress(OSError):
            new_file.unlink()
        raise InputError(f"{path}: it cannot be written ({fault.strerror or fault}).") from None
    written = read_bench(path).joint_named(joint).thermal
    assert written == settings, "what was written reads back the same"


def _rounded(value: float) -> float:
    return float(f"{value:.{_DIGITS}g}")
