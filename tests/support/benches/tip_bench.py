"""Simulated benches for the play at an arm's tip: everything drawn anew for each, truth known."""

from dataclasses import dataclass

import numpy as np

from replay.measure.reading import ARCMIN_RAD, Reading
from replay.measure.setup import BenchSetup

__all__ = ["TipBench", "draw_tip_bench", "gum_width_arcmin"]


@dataclass(frozen=True, slots=True, kw_only=True)
class TipBench:
    """Typed readings and the play that made them."""

    setup: BenchSetup
    play_arcmin: float


def draw_tip_bench(
    dice: np.random.Generator,
    *,
    division_mm: float,
    play_arcmin: float = 10.0,
    forces_N: tuple[float, ...] = (10.0, 30.0),  # noqa: N803 - the unit's own spelling
    reader_mm: float = 0.15,
    repeats: int = 5,
) -> TipBench:
    """Return a bench: ruler zero, arm and bending drawn anew; a reader who rounds."""
    arm_m = 0.344 + dice.uniform(-5e-4, 5e-4)
    zero_mm = dice.uniform(0.0, 50.0)
    bend_mm_per_N = dice.uniform(0.012, 0.024)  # noqa: N806 - the unit's own spelling
    half_mm = 1e3 * arm_m * np.tan(play_arcmin * ARCMIN_RAD) / 2.0
    readings = [Reading(name="arm", value=0.344, unit="m", bound=5e-4, text="344 mm +- 0.5 mm")]
    for force in forces_N:
        for side in (1.0, -1.0):
            true_mm = zero_mm + side * (half_mm + bend_mm_per_N * force)
            read = np.rint((true_mm + dice.normal(0.0, reader_mm, repeats)) / division_mm)
            readings += [
                Reading(
                    name="tip",
                    value=1e-3 * division_mm * one,
                    unit="m",
                    division=1e-3 * division_mm,
                    at_value=side * force,
                    at_unit="N",
                    text=f"{division_mm * one:g} mm at {side * force:+g} N",
                )
                for one in read
            ]
    return TipBench(setup=BenchSetup(readings=tuple(readings)), play_arcmin=play_arcmin)


def gum_width_arcmin(division_mm: float, *, repeats: int = 5, arm_mm: float = 344.0) -> float:
    """Return the width of the interval that counts each mean as rectangular by its division.

    Two loads of 1 to 3, k = 1.96: the variance of the reader divided by root n, that of rounding
    not (JCGM 100, F.2.2.1).
    """
    one = division_mm**2 / 12.0 + 0.15**2 / repeats
    apart = 2.0 * one * (1.5**2 + 0.5**2)
    return float(2.0 * 1.96 * np.sqrt(apart) / arm_mm / ARCMIN_RAD)
