"""A fitted joint as the table `thermal` of its bench file, written into that file in place.

Comments and layout of a person's file stay. What is written is read back and compared before the
file is replaced.
"""

import contextlib
import datetime
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT

from logger.errors import InputError
from logger.heat.fitted import PARAMETER_KEYS
from logger.heat.model import SpeedLoss
from logger.joint.bench.bench import read_bench
from logger.joint.bench.thermal_settings import ThermalSettings
from logger.settings_file import read_text
from replay.heat.faults import HeatFault, HeatFaultKind
from replay.heat.fit import HeatFit
from replay.heat.model import physical_parameters
from replay.heat.problem import HeatProblem
from replay.heat.search import find_mode
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
    if problem.model.nodes == 2 and not fit.is_winding_known:
        # What is followed live are nodes that are known: of the housing alone, with all its heat.
        alone = replace(problem.model, nodes=1)
        problem = HeatProblem(problem.trace, alone, ambient=problem.ambient, copper=problem.copper)
        mode = find_mode(problem)
    model, count = problem.model, problem.theta_count
    theta = mode.outer[:count]
    spread = np.random.default_rng(_WRITTEN_SEED).multivariate_normal(
        theta, mode.covariance[:count, :count], _DRAWS, method="eigh"
    )
    keys = [key for key, name in PARAMETER_KEYS.items() if name in model.parameters]
    likeliest = physical_parameters(model, theta, problem.scale)
    drawn = physical_parameters(model, spread, problem.scale)
    logs = np.log(np.stack([drawn[PARAMETER_KEYS[key]] for key in keys]))
    places = {one.place for one in fit.read.trace.sensors}
    table: dict[str, Any] = {
        "load": fit.read.load,
        **{key: _rounded(float(likeliest[PARAMETER_KEYS[key]])) for key in keys},
        "log_covariance": tuple(tuple(map(_rounded, row)) for row in np.cov(logs).tolist()),
        "source": ", ".join(fit.read.recordings)[:400],
        "fitted": fitted,
    }
    if model.nodes == 1:
        place = "winding" if SensorPlace.WINDING in places else "housing"
        table["sensor"] = f"temperature_{place}_degC"
    if model.speed is not SpeedLoss.NONE:
        table |= {"speed_loss": model.speed.value, "loss_node": model.loss_node.value}
    if not fit.has_room:
        table["ambient_degC"] = round(fit.idle_degC, 1)
    return ThermalSettings(**table)


def write_bench_model(path: Path, joint: str, settings: ThermalSettings) -> None:
    """Write the table of a joint into its bench file, in place of the one that it has.

    Raises
    ------
    InputError
        The file cannot be read or written, or has no such joint.
    """
    read_bench(path)
    text = read_text(path, "bench file")
    try:
        document = tomlkit.parse(text)
    except (TOMLKitError, RecursionError, ValueError):
        raise InputError(f"{path}: it cannot be changed in place.") from None
    tables = document.get("joint")
    named = [one for one in tables if one.get("name") == joint] if isinstance(tables, AoT) else []
    if not named:
        raise InputError(
            where=str(path), found=f"no [[joint]] named {joint!r}", expected="one, to write it to"
        )
    named[0]["thermal"] = _toml_table(settings)
    new_file = path.with_name(f".{path.name}.aside")
    try:
        new_file.write_text(tomlkit.dumps(document), encoding="utf-8")
        new_file.replace(path)
    except OSError as fault:
        with contextlib.suppress(OSError):
            new_file.unlink()
        raise InputError(f"{path}: it cannot be written ({fault.strerror or fault}).") from None
    written = read_bench(path).joint_named(joint).thermal
    assert written == settings, "what was written reads back the same"


def _toml_table(settings: ThermalSettings) -> tomlkit.items.Table:
    table = tomlkit.table()
    for key, value in settings.written_keys.items():
        if key != "log_covariance":
            table.add(key, value)
            continue
        rows = tomlkit.array()
        rows.multiline(multiline=True)
        rows.extend([list(row) for row in value])
        table.add(key, rows)
    return table


def _rounded(value: float) -> float:
    return float(f"{value:.{_DIGITS}g}")
