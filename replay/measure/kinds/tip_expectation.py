"""How narrow the play at an arm's tip can get beforehand, on simulated benches. Pure."""

from collections.abc import Sequence

import numpy as np

from replay.measure.interval import bench_dice
from replay.measure.kinds.tip_backlash import BACKLASH, extrapolation_weights
from replay.measure.reading import ARCMIN_RAD
from replay.measure.result import Expectation, Way
from replay.measure.rounding import draw_positions
from replay.measure.setup import BenchSetup

__all__ = ["expect_tip_backlash"]


def expect_tip_backlash(setup: BenchSetup) -> Expectation:
    """Return how narrow the play can get with this arm and ruler, found on simulated readings."""
    arm = setup.single_reading("arm")
    length = arm.value if arm else 0.344
    tips = setup.readings_named("tip")
    division = setup.divisions.get("tip", 1e-3)
    forces = sorted({abs(one.at_value) for one in tips if one.at_value}) or [10.0, 30.0]
    if len(forces) < 2:
        forces = [forces[0], 3.0 * forces[0]]
    repeats = max(5, len(tips) // (2 * len(forces)))
    here = _half_width(length, division, forces, repeats)
    ways = [
        Way(words=words, half_width=_half_width(*changed))
        for words, changed in (
            ("an arm of 1 m", (max(1.0, length), division, forces, repeats)),
            ("a ruler read to 0.1 mm", (length, min(1e-4, division), forces, repeats)),
            ("a dial gauge read to 0.01 mm", (length, min(1e-5, division), forces, repeats)),
            (
                "an arm of 1 m and a ruler read to 0.5 mm",
                (max(1.0, length), min(5e-4, division), forces, repeats),
            ),
        )
    ]
    return Expectation(
        of=BACKLASH,
        half_width=here,
        with_words=(
            f"an arm of {1e3 * length:.0f} mm, a ruler read to {1e3 * division:g} mm, {repeats} "
            f"readings each way at {' and '.join(f'{one:g}' for one in forces)} N"
        ),
        narrower=tuple(
            sorted(
                (one for one in ways if one.half_width < 0.9 * here),
                key=lambda one: one.half_width,
            )
        ),
    )


def _half_width(
    length: float, division: float, forces: Sequence[float], repeats: int, benches: int = 9
) -> float:
    """Return half the interval on simulated benches with a play of 10 arcmin: their median."""
    dice = bench_dice("expect tip backlash")
    to_none = extrapolation_weights(np.array(forces))
    # Reader and gauge: a ruler's division is guessed to a sixth of a millimetre, a dial is steady.
    reader = min(1.5e-4, max(0.3 * division, 2e-6))
    half = []
    for _ in range(benches):
        zero = dice.uniform(0.0, 1.0)
        groups = []
        for force in forces:
            for side in (1.0, -1.0):
                true = zero + side * (5.0 * ARCMIN_RAD * length + 1.8e-5 * force)
                read = true + dice.normal(0.0, reader, repeats)
                groups.append(np.round(read / division) * division)
        positions = draw_positions(groups, division, n=4000, dice=dice)
        drawn = (positions[:, ::2] - positions[:, 1::2]) @ to_none / length / ARCMIN_RAD
        half.append(float(np.diff(np.quantile(drawn, [0.025, 0.975]))[0]) / 2.0)
    return float(np.median(half))
