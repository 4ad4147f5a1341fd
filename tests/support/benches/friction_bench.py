"""Simulated passes both ways: friction with its ripple, gravity, a gear behind its housing."""

import numpy as np

from replay.measure.setup import BenchSetup, JointFacts, SpanTrace

__all__ = ["draw_friction_bench", "draw_warm_bench"]

S = 1_000_000_000


def draw_friction_bench(
    dice: np.random.Generator,
    *,
    pairs: int = 5,
    gravity_Nm: float = 0.0,  # noqa: N803 - the unit's own spelling
    turn: float = 1.0,
    speeds: tuple[float, ...] = (1.0,),
    rate_hz: float = 50.0,
) -> tuple[BenchSetup, dict[float, float]]:
    """Return passes over a part of a turn, and the true friction at each speed in N.m.

    A pass repeats the gear's ripple with the angle; what grease and load do differs from pass to
    pass, and drifts within one.
    """
    coulomb, viscous = dice.uniform(0.4, 0.6), dice.uniform(0.05, 0.15)
    phase, waves = dice.uniform(0, 2 * np.pi, 3), np.array([1.0, 7.0, 23.0])
    length = 2 * np.pi * turn
    time, angle, torque, speed_of = [], [], [], []
    now = 0.0
    truth: dict[float, float] = {}
    for speed in speeds:
        count = round(length / speed * rate_hz)
        grid = np.linspace(0.0, length, count)
        ripple = 0.08 * np.sin(np.outer(grid, waves) + phase).sum(axis=1)
        truth[speed] = float(coulomb + viscous * speed + ripple.mean())
        for _ in range(pairs):
            for sign in (1.0, -1.0):
                at = grid if sign > 0 else grid[::-1]
                own = np.sin(np.outer(at, waves) + phase).sum(axis=1) * 0.08
                slow = np.cumsum(dice.normal(0, 0.02, count)) / np.sqrt(count)
                size = (coulomb + viscous * speed + own) * (1 + dice.normal(0, 0.04)) + slow
                made = sign * size + gravity_Nm * np.cos(at) + dice.normal(0, 0.03, count)
                time.append(now + np.arange(count) / rate_hz)
                angle.append(at)
                torque.append(made)
                speed_of.append(np.full(count, sign * speed) + dice.normal(0, 0.01, count))
                rest = round(0.5 * rate_hz)
                now = float(time[-1][-1]) + 1.0 / rate_hz
                time.append(now + np.arange(rest) / rate_hz)
                angle.append(np.full(rest, at[-1]))
                torque.append(gravity_Nm * np.cos(at[-1]) + dice.normal(0, 0.03, rest))
                speed_of.append(dice.normal(0, 0.01, rest))
                now = float(time[-1][-1]) + 1.0 / rate_hz
    return _setup(np.concatenate(time), angle, torque, speed_of), truth


def _setup(time_s: np.ndarray, angle: list, torque: list, speed: list) -> BenchSetup:
    span = SpanTrace(
        name="passes",
        recording="bench",
        start_ns=0,
        end_ns=round(float(time_s[-1]) * S) + 1,
        series={
            name: (time_s, np.concatenate(values))
            for name, values in (
                ("position_rad", angle), ("torque_Nm", torque), ("speed_rad_s", speed),
            )
        },
    )  # fmt: skip
    return BenchSetup(joint=JointFacts(name="a"), spans=(span,))


def draw_warm_bench(
    dice: np.random.Generator, *, lag_s: float, hours: float = 3.0
) -> tuple[tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray], float]:
    """Return housing in whole degrees by time, and friction of passes; and what a kelvin does.

    Warm and cool again by 25 K; the gear is behind its housing by `lag_s`.
    """
    time_s = np.arange(0.0, hours * 3600.0, 10.0)
    warm = 25.0 * (1 - np.exp(-time_s / 1800.0))
    half = len(time_s) // 2
    warm[half:] = warm[half] * np.exp(-(time_s[half:] - time_s[half]) / 1800.0)
    gear = np.empty(len(warm))
    now = 0.0
    for index, value in enumerate(warm):
        now += (value - now) * (1 - np.exp(-10.0 / lag_s)) if lag_s else value - now
        gear[index] = now
    per_kelvin = -dice.uniform(0.006, 0.012)
    at_s = np.sort(dice.uniform(0.0, time_s[-1], 60))
    middle = float(np.mean(warm))
    true = 0.5 * (1 + per_kelvin * (np.interp(at_s, time_s, gear) - middle))
    friction = true * (1 + dice.normal(0, 0.015, len(at_s)))
    housing = np.rint(22.0 + dice.uniform(0, 1) + warm + dice.normal(0, 0.1, len(warm)))
    return (time_s, housing, at_s, friction), per_kelvin
