"""Anything that a person reads off: a mass, a resistance, a diameter; its uncertainty. Pure."""

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from logger.errors import InputError
from logger.findings.finding import UncertaintyPart
from replay.measure.interval import (
    DRAW_COUNT,
    IntervalBasis,
    bench_dice,
    drawn_reading,
)
from replay.measure.procedure import Fact
from replay.measure.reading import Reading
from replay.measure.result import (
    MeasuredQuantity,
    Measurement,
    QuantityKind,
    bare_quantity,
    drawn_quantity,
    student_quantity,
)
from replay.measure.rounding import draw_positions
from replay.measure.setup import BenchSetup

__all__ = ["measure_value"]

READ_OFF_METHOD: Final = Fact("read off", "read off an instrument")
READ_OFF_SOURCE: Final = "JCGM 100, 4.2 and 4.3; JCGM 101"
READ_OFF_NO_SPREAD: Final = Fact(
    "no spread",
    "One reading, or equal ones, without a stated division or uncertainty: there is no interval. "
    "State the instrument's division (--division NAME=VALUE) or +- behind the value.",
)
AS_STATED: Final = Fact("as stated", "What was typed behind +- is right, and repeats share it.")


def measure_value(setup: BenchSetup) -> Measurement:
    """Return every value that was read off, one quantity for each name.

    Raises
    ------
    InputError
        There is no reading, or readings of one name differ in kind.
    """
    names = list(dict.fromkeys(one.name for one in setup.readings))
    if not names:
        raise InputError(
            "found none, expected what was read off, such as mass=0.612 kg.", where="--reading"
        )
    quantities, remarks, assumptions, instruments = [], set(), set(), []
    for name in names:
        found = setup.readings_named(name)
        if len({one.unit for one in found}) > 1:
            raise InputError(
                f"found readings in {found[0].unit} and "
                f"{next(one.unit for one in found if one.unit != found[0].unit)}, expected one "
                "kind of quantity.",
                where=f"--reading: {name}",
            )
        quantity = quantity_of_readings(found, QuantityKind(name, name, found[0].unit))
        quantities.append(quantity)
        if not quantity.has_interval:
            remarks.add(READ_OFF_NO_SPREAD)
        if found[0].bound:
            assumptions.add(AS_STATED)
        division = f", read to {found[0].division:g} {found[0].unit}" if found[0].division else ""
        instruments.append(f"{name}: {'; '.join(one.text for one in found)}{division}")
    return Measurement(
        kind="value",
        joint=setup.joint.name,
        method=READ_OFF_METHOD,
        source=READ_OFF_SOURCE,
        quantities=tuple(quantities),
        remarks=tuple(remarks),
        assumptions=tuple(assumptions),
        instruments=tuple(instruments),
    )


def quantity_of_readings(found: Sequence[Reading], of: QuantityKind) -> MeasuredQuantity:
    """Return the value behind n readings of one thing with one instrument."""
    values = np.array([one.value for one in found])
    first, mean, n = found[0], float(values.mean()), len(values)
    dice = bench_dice(first.name)
    if first.division:
        drawn = draw_positions([values], first.division, n=DRAW_COUNT, dice=dice)[:, 0]
        by_reading = float(np.std(drawn))
        if first.bound:
            drawn = drawn + drawn_reading(0.0, bound=first.bound, factor=first.factor, dice=dice)
        parts = (
            UncertaintyPart(source=f"{first.name} readings", contribution=by_reading),
            _stated(first),
        )
        return drawn_quantity(of, mean, drawn, parts, basis=IntervalBasis.ROUNDING)
    repeats: tuple[UncertaintyPart, ...] = (
        (
            UncertaintyPart(
                source=f"{first.name} repeats",
                contribution=float(values.std(ddof=1)) / math.sqrt(n),
                degrees_of_freedom=n - 1,
            ),
        )
        if n > 1 and np.ptp(values) > 0.0
        else ()
    )
    if first.bound and first.factor is None:
        # A rectangular part is no normal one: drawn, not combined.
        drawn = drawn_reading(mean, bound=first.bound, factor=None, dice=dice)
        if repeats:
            drawn = drawn + dice.standard_t(n - 1, DRAW_COUNT) * repeats[0].contribution
        return drawn_quantity(of, mean, drawn, (*repeats, _stated(first)))
    if not repeats and not first.bound:
        return bare_quantity(of, mean)
    return student_quantity(of, mean, (*repeats, _stated(first)))


def _stated(reading: Reading) -> UncertaintyPart:
    return UncertaintyPart(
        source=f"{reading.name} as stated",
        contribution=reading.stated_uncertainty,
        shared=True,
    )
