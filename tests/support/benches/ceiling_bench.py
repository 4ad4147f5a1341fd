"""Simulated holds at a ceiling: one cause each, loads, temperatures and supply drawn anew."""

import numpy as np

from replay.measure.setup import BenchSetup, JointFacts, SpanTrace

__all__ = ["draw_ceiling_bench"]

S = 1_000_000_000


def draw_ceiling_bench(
    dice: np.random.Generator,
    *,
    cause: str,
    mode: str = "torque",
    holds: int = 16,
    warmer_K: float = 20.0,  # noqa: N803 - the unit's own spelling
    is_derived: bool = False,
    samples: int = 40,
) -> BenchSetup:
    """Return spans that each ask for more than comes; `cause` "none": for what comes."""
    spans = []
    per_ampere = 1.9
    for number in range(holds):
        warm = dice.uniform(0.0, warmer_K)
        constant = per_ampere * (1.0 - 0.002 * warm)
        supply = 48.0 * dice.uniform(0.88, 1.0)
        current = dice.uniform(4.0, 9.0)
        speed = dice.uniform(3.0, 12.0)
        if cause == "current":
            current = 12.0
        elif cause == "torque":
            current = 20.0 / constant
        elif cause == "speed":
            speed = 15.0
        elif cause == "supply":
            speed = 0.33 * supply - 0.15 * current
        elif cause == "temperature":
            current = 12.0 - 0.2 * max(warm - 0.3 * warmer_K, 0.0)
        torque = per_ampere * current if is_derived else constant * current
        true = {
            "current_A": current,
            "torque_Nm": torque,
            "speed_rad_s": speed,
            "voltage_V": supply,
            "temperature_winding_degC": 40.0 + warm,
        }
        time_s = 2.0 * number + np.arange(samples) / 40.0
        noise = {"current_A": 0.02, "torque_Nm": 0.04, "speed_rad_s": 0.03, "voltage_V": 0.05,
                 "temperature_winding_degC": 0.3}  # fmt: skip
        if is_derived:
            noise["torque_Nm"] = per_ampere * noise["current_A"]
        series = {
            name: (time_s, value * (1.0 + dice.normal(0, 0.001))
                   + dice.normal(0, noise[name], samples))
            for name, value in true.items()
        }  # fmt: skip
        name = {"torque": "torque_Nm", "speed": "speed_rad_s"}[mode]
        asked = true[name] * (1.0 if cause == "none" else dice.uniform(1.2, 1.6))
        setpoint = {"torque": "torque_setpoint_Nm", "speed": "speed_setpoint_rad_s"}[mode]
        series[setpoint] = (time_s, np.full(samples, asked))
        spans.append(
            SpanTrace(
                name=f"{mode}{number}",
                recording="bench",
                start_ns=2 * number * S,
                end_ns=2 * number * S + S,
                series=series,
            )
        )
    return BenchSetup(
        joint=JointFacts(
            name="a",
            per_ampere=per_ampere,
            is_torque_derived=is_derived,
            torque_constant=per_ampere if is_derived else None,
        ),
        spans=tuple(spans),
    )
