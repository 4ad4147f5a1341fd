"""The demo's bench file: its joints have a model of their heat, as a fit would leave it. Pure."""

from typing import Final

import tomlkit

from logger.simulate.arm import ARM, JointModel
from logger.simulate.scenario import scenario_bench_text
from logger.simulate.warming import AMBIENT_DEGC

__all__ = ["demo_bench_text"]

_SPREAD: Final = 0.04
"""How well a fit knows each figure."""


def demo_bench_text(channel: str) -> str:
    """Return the bench file with the serial line's name and the models in their places."""
    document = tomlkit.parse(scenario_bench_text(channel))
    tables = document["joint"]
    assert isinstance(tables, tomlkit.items.AoT), "the file has [[joint]] tables"
    for table, joint in zip(tables, ARM, strict=True):
        table["thermal"] = _thermal_table(joint)
    return tomlkit.dumps(document)


def _thermal_table(joint: JointModel) -> tomlkit.items.Table:
    """Return the model of a joint with its fan, in K for each squared ampere."""
    network, ohm = joint.cooled, joint.winding.resistance_ohm
    figures = {
        "housing_rise": network.housing_ambient_K_per_W * ohm,
        "housing_time_s": network.housing_ambient_K_per_W * network.housing_J_per_K,
        "winding_rise": network.winding_housing_K_per_W * ohm,
        "winding_time_s": network.winding_housing_K_per_W * network.winding_J_per_K,
    }
    table = tomlkit.table()
    for key, value in figures.items():
        table.add(key, float(f"{value:.4g}"))
    table.add("ambient_degC", AMBIENT_DEGC)
    rows = tomlkit.array()
    rows.multiline(multiline=True)
    rows.extend(
        [
            [_SPREAD**2 if row == column else 0.0 for column in range(len(figures))]
            for row in range(len(figures))
        ]
    )
    table.add("log_covariance", rows)
    table.add("source", "the simulated joint's own figures, its fan running")
    return table
