"""Simulated benches for loops of torque: gear, ripple, late current, drift, wander, all drawn."""

from dataclasses import dataclass

import numpy as np

from replay.measure.kinds.loop_model import loop_angles
from replay.measure.reading import ARCMIN_RAD
from replay.measure.setup import BenchSetup, JointFacts, SpanTrace

__all__ = ["LoopBench", "draw_loop_bench", "loop_span"]

S = 1_000_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopBench:
    """Loops and the gear that made them."""

    setup: BenchSetup
    play_arcmin: float
    friction_Nm: float  # noqa: N815 - the unit's own spelling
    first: float
    second: float


def loop_span(
    name: str, time_s: np.ndarray, torque: np.ndarray, angle_arcmin: np.ndarray, count: float
) -> SpanTrace:
    """Return a loop as a named span; `count` in arcmin, 0: not known."""
    start_s = int(time_s[0])
    return SpanTrace(
        name=name,
        recording="bench",
        start_ns=start_s * S,
        end_ns=(start_s + round(float(np.ptp(time_s))) + 1) * S,
        series={"position_rad": (time_s, angle_arcmin * ARCMIN_RAD), "torque_Nm": (time_s, torque)},
        grids={"position_rad": count * ARCMIN_RAD} if count else {},
    )


def draw_loop_bench(
    dice: np.random.Generator,
    *,
    play: float = 6.0,
    friction: float = 0.02,
    ripple: float = 0.005,
    count: float = 0.05,
    wander: float = 0.05,
    late_s: float = 0.03,
    positions: int = 4,
    ramp_s: float = 60.0,
    rate_hz: float = 100.0,
    slow_too: bool = False,
    zones: int = 2,
) -> LoopBench:
    """Return loops at several clamp positions, rated 24 N.m; ripple and friction as shares of it.

    `slow_too`: two more at half of the ramp rate. `zones`: of stiffness, one or two.
    """
    rated, first, second = 24.0, dice.uniform(3.0, 4.0), dice.uniform(5.5, 6.5)
    second = second if zones == 2 else first
    knee = rated * dice.uniform(0.2, 0.3)
    gear = np.array([[play], [friction * rated], [first], [second], [knee]])
    spans = []
    lengths = [ramp_s] * positions + [2.0 * ramp_s] * (2 if slow_too else 0)
    begin = 0.0
    for number, length_s in enumerate(lengths, start=1):
        time_s = begin + np.arange(round(length_s * rate_hz)) / rate_hz
        begin += length_s + 10.0
        turn = (time_s - time_s[0]) / length_s * 4.0
        asked = rated * np.interp(turn, [0, 1, 2, 3, 4], [0, 1, 0, -1, 0])
        phase, waves = dice.uniform(0, 2 * np.pi), dice.uniform(2.0, 4.0)
        made = asked
        angle = np.zeros(len(asked))
        for _ in range(4):  # the ripple hangs on the motor's angle, which hangs on it
            made = asked + ripple * rated * np.sin(waves * angle / 4.0 + phase)
            angle = loop_angles(made, gear)[:, 0]
        drift = dice.uniform(0.5, 2.0) * dice.choice([-1.0, 1.0]) * (time_s - time_s[0]) / 60.0
        steps = dice.normal(0.0, wander / np.sqrt(10.0 * rate_hz), len(time_s))
        angle = angle + drift + np.cumsum(steps) + dice.uniform(0.0, 100.0)
        if count:
            angle = np.rint(angle / count) * count
        seen = np.interp(time_s - late_s, time_s, asked) + dice.normal(0, 0.002 * rated, len(asked))
        spans.append(loop_span(f"loop{number}", time_s, seen, angle, count))
    return LoopBench(
        setup=BenchSetup(joint=JointFacts(name="a", rated_torque=rated), spans=tuple(spans)),
        play_arcmin=play,
        friction_Nm=friction * rated,
        first=first,
        second=second,
    )
