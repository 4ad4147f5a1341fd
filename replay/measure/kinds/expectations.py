"""How narrow the simple kinds can get before they are measured, by their own arithmetic. Pure."""

import math
from typing import Final

import numpy as np

from logger.findings.uncertainty import NORMAL_95, student_factor
from replay.measure.kinds.swing_quantities import DAMPING
from replay.measure.result import Expectation, QuantityKind, Way
from replay.measure.setup import BenchSetup

__all__ = ["expect_free", "expect_friction", "expect_oscillation", "expect_turns", "expect_value"]

RECTANGLE_95: Final = 0.475
"""Half of the middle 95 % of a division."""
TRIANGLE_95: Final = 1.0 - math.sqrt(0.05)
"""Half of the middle 95 % of a triangle of half-width 1: the difference of two rounded readings."""
PASS_SPREAD: Final = 0.04
"""How much friction differs from one pair of passes to the next, of itself: grease and load."""
EYE_RAD: Final = math.radians(5.0)
"""How well a mark is seen to come back, without more than a second mark beside it."""


def _sorted_ways(here: float, ways: tuple[Way, ...]) -> tuple[Way, ...]:
    narrower = [one for one in ways if one.half_width < 0.95 * here]
    return tuple(sorted(narrower, key=lambda one: one.half_width))


def expect_value(setup: BenchSetup) -> Expectation | None:
    """Return what a division leaves open; None where none was stated."""
    if not setup.divisions:
        return None
    name, division = next(iter(setup.divisions.items()))
    units = [one.unit for one in setup.readings_named(name)]
    unit = units[0] if units else ""
    here = RECTANGLE_95 * division
    return Expectation(
        of=QuantityKind(name, name, unit),
        half_width=here,
        with_words=f"an instrument read to {division:g} {unit}".rstrip(),
        narrower=(Way(words="one read to a tenth of that", half_width=here / 10.0),),
    )


def expect_free(setup: BenchSetup) -> Expectation:
    """Return what the scale's division leaves open of friction."""
    arm = setup.single_reading("arm")
    length = arm.value if arm else 0.25
    division = setup.divisions.get("forward", setup.divisions.get("backward", 0.5))
    here = TRIANGLE_95 * division * length / 2.0
    return Expectation(
        of=QuantityKind("friction_torque", "friction", "N.m"),
        half_width=here,
        with_words=f"an arm of {1e3 * length:.0f} mm and a scale read to {division:g} N",
        narrower=_sorted_ways(
            here,
            (
                Way(words="a scale of a tenth of that", half_width=here / 10.0),
                Way(words="half the arm, where the hand still holds it", half_width=here / 2.0),
            ),
        ),
    )


def expect_friction(setup: BenchSetup) -> Expectation:
    """Return what the number of passes leaves open, in % of the friction."""
    del setup

    def half_width(pairs: int) -> float:
        return 100.0 * student_factor(pairs - 1) * PASS_SPREAD / math.sqrt(pairs)

    return Expectation(
        of=QuantityKind("friction_torque", "running friction", "%"),
        half_width=half_width(5),
        with_words="five passes each way, which differ by 4 % among each other,",
        narrower=tuple(
            Way(words=f"{pairs} passes each way", half_width=half_width(pairs)) for pairs in (15, 8)
        ),
    )


def expect_turns(setup: BenchSetup) -> Expectation:
    """Return what the eye at a mark leaves open of the gear ratio, in %."""
    del setup

    def half_width(turns: float, eye: float = EYE_RAD) -> float:
        return 100.0 * 2.0 * RECTANGLE_95 * eye / (2.0 * math.pi * turns)

    here = half_width(5.0)
    return Expectation(
        of=QuantityKind("gear_ratio", "gear ratio", "%"),
        half_width=here,
        with_words="five turns and a mark that is seen to 5 degrees",
        narrower=_sorted_ways(
            here,
            (
                Way(words="20 turns", half_width=half_width(20.0)),
                Way(words="a dial gauge at the mark", half_width=half_width(5.0, EYE_RAD / 50.0)),
            ),
        ),
    )


def expect_oscillation(setup: BenchSetup) -> Expectation:
    """Return how narrow a damping ratio of 0.01 at 6 Hz can get: the Cramér-Rao bound at 20 dB."""
    del setup

    def half_width(rate_hz: float, length_s: float) -> float:
        decay = 0.01 * 2.0 * math.pi * 6.0
        noise_share = 0.1 / math.sqrt(2.0)
        # For a decaying sine sampled evenly: the information on the decay, its phase integrated.
        at = np.arange(0.0, length_s, 1.0 / rate_hz)
        weight = np.exp(-2.0 * decay * at)
        spread = (weight * at**2).sum() - (weight * at).sum() ** 2 / weight.sum()
        bound = noise_share * math.sqrt(2.0 / spread)
        return NORMAL_95 * bound / (2.0 * math.pi * 6.0)

    here = half_width(100.0, 5.0)
    ways = (
        Way(words="100 readings a second for 20 s after the push", half_width=half_width(100, 20)),
        Way(words="1,000 readings a second for 5 s", half_width=half_width(1000, 5)),
    )
    return Expectation(
        of=DAMPING,
        half_width=here,
        with_words="5 s after a push, 100 readings a second, a swing ten times its noise at 6 Hz",
        narrower=tuple(
            sorted((one for one in ways if one.half_width < here), key=lambda one: one.half_width)
        ),
    )
