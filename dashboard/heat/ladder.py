"""Where a joint's heat goes: nodes, what lies between them, and the ambient. Pure."""
# ruff: noqa: N803, N806 - units are written as units are

from typing import Any

import numpy as np

from logger.joint.thermal.thermal_duty import continuous_mean_square_A2, settled_degC
from replay.heat.answers import column_band
from replay.heat.fit import HeatFit
from replay.heat.quantity import Quantity, QuantityName
from replay.heat.result import HeatResult
from replay.heat.text import band_values, unit_text
from replay.heat.words import quantity_text

__all__ = ["ladder_content"]


def ladder_content(fit: HeatFit, result: HeatResult, load: float) -> dict[str, Any]:
    """Return where the heat goes at the load that is borne for ever, in the result's unit."""
    limit_degC = result.limit_degC or 0.0
    ambient_degC = result.held_at_degC or 0.0
    settled = np.array(
        [
            settled_degC(
                joint,
                mean_square_A2=continuous_mean_square_A2(
                    joint, node=fit.node, limit_degC=limit_degC, ambient_degC=ambient_degC
                ),
                ambient_degC=ambient_degC,
            )
            for joint in fit.joints
        ]
    )
    temperatures = settled[0].tolist()
    bands = [column_band(settled, at) for at in range(len(temperatures))]
    found = {one.name: one for one in result.quantities}
    nodes, resistances = [], []
    housing = temperatures[-1]
    if fit.is_winding_known:
        nodes.append(_node("winding", bands[0], found, "winding"))
        resistances.append(_resistance(found, "winding", temperatures[0] - housing))
    elif fit.node.value == "housing":
        nodes.append({"name": "winding", "degC": None, "notes": ["not known yet"], "beam": None})
    name = "housing" if len(bands) == 2 else fit.node.value
    nodes.append(_node(name, bands[-1], found, "housing"))
    resistances.append(_resistance(found, "housing", housing - ambient_degC))
    return {
        "nodes": nodes,
        "resistances": resistances,
        "ambient": {
            "degC": ambient_degC,
            "note": "without load, as it was" if result.ambient_is_idle else "as set above",
        },
        "load": f"at {load:.3g} {unit_text(result.load_unit)}",
    }


def _node(
    name: str, band: tuple[float, float, float], found: dict[QuantityName, Quantity], prefix: str
) -> dict[str, Any]:  # fmt: skip
    capacity = found.get(QuantityName(f"{prefix}_capacity"))
    time = found.get(QuantityName(f"{prefix}_time"))
    # The node with the limit is where it was set; of the other one it follows.
    is_open = band[2] - band[1] >= 1.0
    notes = [f"{band[1]:.0f} to {band[2]:.0f} °C"] if is_open else []
    notes += [quantity_text(capacity)] if capacity else []
    notes += [f"time constant {quantity_text(time)}"] if time else []
    return {
        "name": name,
        "degC": band[0],
        "notes": notes,
        "beam": capacity.value if capacity else None,
    }


def _resistance(
    found: dict[QuantityName, Quantity], prefix: str, drop_K: float
) -> dict[str, Any]:  # fmt: skip
    own = found.get(QuantityName(f"{prefix}_resistance"))
    rise = found.get(QuantityName(f"{prefix}_rise"))
    shown = own or rise
    if shown is None:
        return {"value": "", "unit": "", "interval": "", "drop": f"{drop_K:.0f} K"}
    value, interval = band_values((shown.value, shown.low, shown.high))
    watts = f"times {drop_K / own.value:.0f} W: " if own else ""
    return {
        "value": value,
        "unit": unit_text(shown.unit),
        "interval": interval,
        "drop": f"{watts}{drop_K:.0f} K",
    }
