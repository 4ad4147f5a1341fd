"""Play of a joint from the tip of an arm: read off with a force in either direction. Pure.

With two loads or more the arm's, the clamp's and the gear's own bending is taken off: the distance
of the tip between both directions is extrapolated to no load. Each reading counts as rounded to the
division of its ruler (`replay.measure.rounding`).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.errors import InputError
from logger.findings.finding import UncertaintyPart
from replay.measure.interval import (
    DRAW_COUNT,
    IntervalBasis,
    bench_dice,
    drawn_reading,
)
from replay.measure.procedure import Fact
from replay.measure.reading import ARCMIN, ARCMIN_RAD, Reading
from replay.measure.result import (
    MeasuredQuantity,
    Measurement,
    QuantityKind,
    UnknownResult,
    bare_quantity,
    drawn_quantity,
)
from replay.measure.rounding import draw_positions
from replay.measure.setup import BenchSetup

__all__ = ["BACKLASH", "EITHER_SIDE", "extrapolation_weights", "measure_tip_backlash"]

BACKLASH: Final = QuantityKind("backlash", "backlash", ARCMIN)
EITHER_SIDE: Final = QuantityKind("backlash_either_side", "either side of the middle", ARCMIN)
REPEATABILITY: Final = QuantityKind("repeatability", "scatter of one reading", ARCMIN)
BENDING: Final = QuantityKind("bending", "arm, clamp and gear give under load", "mm/N")

TIP_METHOD: Final = Fact("tip", "play at the tip of an arm, pushed and pulled")
TIP_SOURCE: Final = "common practice; uncertainty after JCGM 100 and 101"
BENDING_IN: Final = Fact(
    "bending in it",
    "The arm, its clamp and the gear do not bend: with one load what they give is in the value.",
)
BENDING_STRAIGHT: Final = Fact(
    "bending straight", "Arm, clamp and gear give in proportion to the force, alike in both ways."
)
ARM_AS_TYPED: Final = Fact(
    "arm as typed", "The length of the arm is exact: nothing was stated beside it."
)
READ_TWICE: Final = Fact(
    "read twice", "Each play is the difference of two readings of the ruler, rounded by itself."
)
TIP_NO_SPREAD: Final = Fact(
    "no spread",
    "one reading or equal ones, and no division of the ruler was stated (--division tip=1 mm)",
)
ONE_LOAD: Final = Fact("one load", "the tip was read with one load only")
TWO_LOADS: Final = Fact(
    "two loads",
    "Read the tip with a second force, about three times the first, in both directions.",
)
READ_AGAIN: Final = Fact("read again", "Read it at least five times, or state the division.")
NEAR_ZERO: Final = Fact(
    "near zero",
    "Zero lies within the uncertainty: this arm and ruler give an upper limit, and no more.",
)


@dataclass(frozen=True, slots=True)
class _Sides:
    """The tip at one load: readings with the force in either direction, in m."""

    force_N: float  # noqa: N815 - the unit's own spelling
    plus: Floats
    minus: Floats


def measure_tip_backlash(setup: BenchSetup) -> Measurement:
    """Return the play from readings `arm`, and `tip` at forces in both directions, or `play`.

    Raises
    ------
    InputError
        The arm is missing, or the tip was not read in both directions.
    """
    arm = setup.needed_reading("arm", "the length from the axis to the ruler, such as arm=344 mm")
    tips, plays = setup.readings_named("tip"), setup.readings_named("play")
    if not tips and not plays:
        raise InputError(
            "found neither 'tip' nor 'play', expected readings such as "
            "'tip=12.5 mm at +10 N' and 'tip=9.5 mm at -10 N', or play=1 mm.",
            where="--reading",
        )
    if tips and plays:
        raise InputError(
            "found 'tip' and 'play', expected one of them: a play is the difference of "
            "two positions of the tip.",
            where="--reading",
        )
    dice = bench_dice("tip backlash")
    if plays:
        return _from_plays(setup, arm, plays, dice)
    return _from_tips(setup, arm, tips, dice)


def _from_plays(
    setup: BenchSetup, arm: Reading, plays: Sequence[Reading], dice: np.random.Generator
) -> Measurement:
    values = np.array([one.value for one in plays])
    mean, n = float(values.mean()), len(values)
    division = plays[0].division
    bound, factor = plays[0].bound, plays[0].factor
    length = _drawn_arm(arm, dice)
    drawn = np.full(DRAW_COUNT, mean)
    if n > 1:
        drawn += dice.standard_t(n - 1, DRAW_COUNT) * float(values.std(ddof=1)) / math.sqrt(n)
    if bound:
        drawn += drawn_reading(0.0, bound=bound, factor=factor, dice=dice)
    elif division:
        # Two readings, each rounded; repeats are rounded alike, so their number does not help.
        half = 0.5 * division
        drawn += dice.uniform(-half, half, DRAW_COUNT) - dice.uniform(-half, half, DRAW_COUNT)
    # Equal readings without a division have no scatter, and that is no knowledge.
    is_known = float(np.ptp(values)) > 0.0 or division > 0.0 or bound > 0.0
    return _answer(
        setup,
        arm,
        plays,
        value=mean,
        drawn=drawn if is_known else None,
        length=length,
        assumptions=(BENDING_IN, *((READ_TWICE,) if division and not bound else ())),
        basis=IntervalBasis.DRAWS,
        extra=(),
    )


def _from_tips(
    setup: BenchSetup, arm: Reading, tips: Sequence[Reading], dice: np.random.Generator
) -> Measurement:
    sides = _sides_of(tips)
    groups = [group for one in sides for group in (one.plus, one.minus)]
    forces = np.array([one.force_N for one in sides])
    apart = np.array([one.plus.mean() - one.minus.mean() for one in sides])
    to_none = extrapolation_weights(forces)
    length = _drawn_arm(arm, dice)
    division = tips[0].division
    dof = sum(len(group) - 1 for group in groups)
    positions: Floats | None = None
    if division:
        positions = draw_positions(groups, division, n=DRAW_COUNT, dice=dice)
    elif any(float(np.ptp(one)) > 0.0 for one in groups):
        squares = sum(float(((one - one.mean()) ** 2).sum()) for one in groups)
        scatter = math.sqrt(squares / dof) * np.sqrt(dof / dice.chisquare(dof, DRAW_COUNT))
        positions = np.stack(
            [
                one.mean() + scatter * dice.normal(size=DRAW_COUNT) / math.sqrt(len(one))
                for one in groups
            ],
            axis=1,
        )
    extra: list[MeasuredQuantity] = []
    if dof:
        squares = sum(float(((one - one.mean()) ** 2).sum()) for one in groups)
        one_reading = math.atan2(math.sqrt(squares / dof), arm.value) / ARCMIN_RAD
        extra.append(bare_quantity(REPEATABILITY, one_reading))
    drawn = None
    if positions is not None:
        drawn_apart = positions[:, ::2] - positions[:, 1::2]
        drawn = drawn_apart @ to_none
        if len(sides) > 1:
            give = _bending(forces)
            extra.append(
                drawn_quantity(BENDING, 500.0 * float(apart @ give), 500.0 * (drawn_apart @ give))
            )
    return _answer(
        setup,
        arm,
        tips,
        value=float(apart @ to_none),
        drawn=drawn,
        length=length,
        assumptions=(BENDING_STRAIGHT,) if len(sides) > 1 else (BENDING_IN,),
        basis=IntervalBasis.ROUNDING if division else IntervalBasis.DRAWS,
        extra=tuple(extra),
    )


def _answer(
    setup: BenchSetup,
    arm: Reading,
    typed: Sequence[Reading],
    *,
    value: float,
    drawn: Floats | None,
    length: Floats,
    assumptions: tuple[Fact, ...],
    basis: IntervalBasis,
    extra: tuple[MeasuredQuantity, ...],
) -> Measurement:
    angle = math.atan2(value, arm.value) / ARCMIN_RAD
    unknown: tuple[UnknownResult, ...] = ()
    remarks: tuple[Fact, ...] = ()
    if drawn is None:
        quantities = [bare_quantity(BACKLASH, angle), bare_quantity(EITHER_SIDE, angle / 2.0)]
        remarks = (TIP_NO_SPREAD, READ_AGAIN)
    else:
        angles = np.arctan2(drawn, length) / ARCMIN_RAD
        parts = _parts(angles, drawn, length, arm)
        is_limit = bool(np.quantile(angles, 0.025) <= 0.0)
        if is_limit:
            angles = angles[angles >= 0.0]
            if len(angles) < DRAW_COUNT // 1000:
                raise InputError(
                    "found a tip that moved against the force, expected its larger "
                    "reading with the force that has '+': are the directions interchanged?",
                    where="--reading: tip",
                )
            remarks = (NEAR_ZERO,)
        quantities = [
            _bounded(BACKLASH, angle, angles, parts, basis, is_limit=is_limit),
            _bounded(
                EITHER_SIDE, angle / 2.0, angles / 2.0, _halved(parts), basis, is_limit=is_limit
            ),
        ]
    if BENDING_IN in assumptions:
        unknown = (UnknownResult(of=BENDING, why=ONE_LOAD, steps=(TWO_LOADS,)),)
    is_bare_arm = not arm.bound and not arm.division
    first = quantities[0]
    low, high = first.interval
    return Measurement(
        kind="backlash",
        joint=setup.joint.name,
        method=TIP_METHOD,
        source=TIP_SOURCE,
        quantities=(*quantities, *extra),
        unknown=unknown,
        remarks=remarks,
        assumptions=(*assumptions, *((ARM_AS_TYPED,) if is_bare_arm else ())),
        instruments=_instruments(arm, typed),
        picture={
            "tip_mm": [1e3 * one.value for one in typed],
            "force_N": [one.at_value for one in typed],
            "division_mm": 1e3 * typed[0].division,
        },
        extra={
            "total_arcmin": first.value,
            "either_side_arcmin": quantities[1].value,
            "uncertainty_arcmin": (high - low) / 2.0 if first.has_interval else None,
        },
    )


def _bounded(
    of: QuantityKind,
    value: float,
    drawn: Floats,
    parts: tuple[UncertaintyPart, ...],
    basis: IntervalBasis,
    *,
    is_limit: bool,
) -> MeasuredQuantity:
    """Return a quantity that cannot be negative; near zero with an upper limit of 95 %."""
    if not is_limit:
        return drawn_quantity(of, value, drawn, parts, basis=basis)
    return MeasuredQuantity(
        of=of,
        value=max(value, 0.0),
        standard_uncertainty=float(np.std(drawn)),
        low=0.0,
        high=float(np.quantile(drawn, 0.95)),
        dof=math.inf,
        basis=basis,
        parts=parts,
        is_limit=True,
    )


def _parts(
    angles: Floats, drawn: Floats, length: Floats, arm: Reading
) -> tuple[UncertaintyPart, ...]:
    """Return what the readings and what the arm add, each with the other at its middle."""
    tip = np.arctan2(drawn, arm.value) / ARCMIN_RAD
    middle = float(np.median(drawn))
    by_arm = np.arctan2(middle, length) / ARCMIN_RAD
    return (
        UncertaintyPart(source="tip", contribution=float(np.std(tip))),
        UncertaintyPart(source="arm", contribution=float(np.std(by_arm)), shared=True),
    )


def _halved(parts: tuple[UncertaintyPart, ...]) -> tuple[UncertaintyPart, ...]:
    return tuple(
        UncertaintyPart(
            source=one.source,
            contribution=one.contribution / 2.0,
            degrees_of_freedom=one.degrees_of_freedom,
            shared=one.shared,
        )
        for one in parts
    )


def _sides_of(tips: Sequence[Reading]) -> list[_Sides]:
    """Return the readings by load, the smallest first."""
    if any(one.at_unit != "N" or not one.at_value for one in tips):
        raise InputError(
            "found a reading without its force, expected it behind 'at' with its "
            "direction, such as 'tip=12.5 mm at +10 N' and 'tip=9.5 mm at -10 N'.",
            where="--reading: tip",
        )
    by_force: dict[float, dict[bool, list[float]]] = {}
    for one in tips:
        force = one.at_value or 0.0
        sides = by_force.setdefault(round(abs(force), 9), {True: [], False: []})
        sides[force > 0.0].append(one.value)
    for force, sides in by_force.items():
        if not all(sides.values()):
            missing = "+" if not sides[True] else "-"
            raise InputError(
                f"found none at {missing}{force:g} N, expected the tip read with "
                "the same force in both directions.",
                where="--reading: tip",
            )
    return [
        _Sides(force, np.array(by_force[force][True]), np.array(by_force[force][False]))
        for force in sorted(by_force)
    ]


def extrapolation_weights(forces: Floats) -> Floats:
    """Return the weights that make of the distances at each force that at none; shape (n,)."""
    if len(forces) == 1:
        return np.ones(1)
    design = np.stack([np.ones(len(forces)), forces], axis=1)
    return np.asarray(np.linalg.pinv(design)[0])


def _bending(forces: Floats) -> Floats:
    design = np.stack([np.ones(len(forces)), forces], axis=1)
    return np.asarray(np.linalg.pinv(design)[1])


def _drawn_arm(arm: Reading, dice: np.random.Generator) -> Floats:
    if not arm.bound and arm.division:
        return arm.value + dice.uniform(-0.5, 0.5, DRAW_COUNT) * arm.division
    return drawn_reading(arm.value, bound=arm.bound, factor=arm.factor, dice=dice)


def _instruments(arm: Reading, typed: Sequence[Reading]) -> tuple[str, ...]:
    division = typed[0].division
    ruler = f"ruler of the tip, read to {1e3 * division:g} mm" if division else "ruler of the tip"
    return (f"arm {arm.text}", f"{ruler}, {len(typed)} readings")
