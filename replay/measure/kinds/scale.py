"""A scale, load cell or torque sensor at an arm: from what it reads to torque at the axis. Pure.

A mass presses with standard gravity, a force as it is, both times the arm's length and the cosine
of its angle from level; a torque sensor needs no arm.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
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
from replay.measure.reading import GRAVITY_M_S2, Reading
from replay.measure.result import (
    Measurement,
    QuantityKind,
    UnknownResult,
    bare_quantity,
    drawn_quantity,
)
from replay.measure.rounding import draw_positions
from replay.measure.setup import BenchSetup, SpanTrace

__all__ = [
    "GRAVITY",
    "Lever",
    "ScaleReading",
    "lever_of",
    "reading_as_scale",
    "recorded_as_scale",
    "scale_readings",
    "torque_of_readings",
]

AXIS_TORQUE: Final = QuantityKind("torque", "torque at the axis", "N.m")
ARM_LENGTH: Final = QuantityKind("arm", "arm that this makes", "m")
PER_AMPERE: Final = QuantityKind("torque_per_ampere", "torque per ampere", "N.m/A")
LEVER_METHOD: Final = Fact("lever", "weight times gravity times arm")
LEVER_SOURCE: Final = "common practice; standard gravity 9.80665 m/s² (3rd CGPM, 1901)"
AFTER_NUDGE: Final = "-nudged"
"""How the name of a span ends that repeats a level after a nudge: up3-nudged."""
GRAVITY: Final = Fact(
    "standard gravity", "Gravity is the standard one; the local one differs by at most 0.3 %."
)
LEVEL_ARM: Final = Fact("arm level", "The arm is level: no angle was typed.")
LEVER_NO_SPREAD: Final = Fact(
    "no spread",
    "neither the division of the scale (--division scale=10 g) nor +- behind a reading was stated",
)
NO_CURRENT: Final = Fact("no current", "no reading has the current that it was read at")
TYPE_CURRENT: Final = Fact(
    "type current",
    "Type each reading with its current, 'scale=3.25 kg at 6 A', or with a span of a recording.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ScaleReading:
    """One reading as torque at the axis."""

    torque_Nm: float  # noqa: N815 - the unit's own spelling
    raw: float
    """In the scale's own unit: kg, N or N.m."""
    unit: str
    current_A: float | None  # noqa: N815
    level: str
    """What it was read at, as text: readings of one level are compared."""
    is_nudged: bool
    division: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Lever:
    """What makes a torque of a reading."""

    factor: float
    """N.m for one of the scale's unit."""
    parts: tuple[UncertaintyPart, ...]
    """Relative standard uncertainties: arm, angle, gain."""
    instruments: tuple[str, ...]
    has_gravity: bool
    is_level: bool
    """No angle was typed."""


def scale_readings(setup: BenchSetup) -> list[ScaleReading]:
    """Return what was read off or recorded, in order, each with its current where that is known.

    Raises
    ------
    InputError
        There is nothing, a span lacks the current, or the arm is missing.
    """
    typed = [one for one in setup.readings if one.name in {"scale", "nudged"}]
    channel = setup.channels.get("scale")
    if channel:
        return _recorded_scale(setup, channel)
    if not typed:
        raise InputError(
            "found no 'scale', expected what the scale reads, such as 'scale=3.25 kg at 6 A'.",
            where="--reading",
            hint="Or take it from a channel: --channel scale=SENSOR.CHANNEL with spans.",
        )
    units = {one.unit for one in typed}
    if len(units) > 1:
        raise InputError(
            f"found readings in {' and '.join(sorted(units))}, expected one unit.",
            where="--reading: scale",
        )
    factor = 1.0
    if not any(one.at_unit == "N.m" for one in typed):
        factor = _lever(setup, typed[0].unit)[0]
    return [
        ScaleReading(
            torque_Nm=factor * one.value,
            raw=one.value,
            unit=one.unit,
            current_A=_current_of(setup, one),
            level=one.at_span or f"{one.at_value}",
            is_nudged=one.name == "nudged",
            division=one.division,
        )
        for one in typed
    ]


def _current_of(setup: BenchSetup, one: Reading) -> float | None:
    if one.at_unit == "A":
        return one.at_value
    if not one.at_span:
        return None
    span = setup.span_named(one.at_span)
    setup.require_channels([span], "current_A")
    return span.mean_of("current_A")


def reading_as_scale(one: Reading) -> ScaleReading:
    """Return a typed reading in the scale's own unit, no lever and no current being known."""
    return ScaleReading(
        torque_Nm=math.nan,
        raw=one.value,
        unit=one.unit,
        current_A=None,
        level="",
        is_nudged=False,
        division=one.division,
    )


def recorded_as_scale(span: SpanTrace, channel: str) -> ScaleReading:
    """Return the mean of an instrument's channel over a span, in its own unit.

    Raises
    ------
    InputError
        The channel is no mass, force or torque, or has no value there.
    """
    unit = channel.rpartition("_")[2].replace("Nm", "N.m")
    if unit not in {"kg", "N", "N.m"}:
        raise InputError(
            f"found {channel!r}, expected a mass, force or torque channel.",
            where="--channel: scale",
        )
    mean = span.mean_of(channel)
    if not math.isfinite(mean):
        raise InputError(
            f"found no value of {channel}, expected some.",
            where=f"{span.recording}: span {span.name!r}",
        )
    return ScaleReading(
        torque_Nm=math.nan,
        raw=mean,
        unit=unit,
        current_A=None,
        level=span.name,
        is_nudged=False,
        division=0.0,
    )


def _recorded_scale(setup: BenchSetup, channel: str) -> list[ScaleReading]:
    if not setup.spans:
        raise InputError(
            "found no span, expected one for each level.",
            where="--channel: scale",
            hint="Name them: --span up1=10s..13s.",
        )
    setup.require_channels(setup.spans, "current_A", channel)
    read = [recorded_as_scale(span, channel) for span in setup.spans]
    factor = _lever(setup, read[0].unit)[0]
    return [
        replace(
            one,
            torque_Nm=factor * one.raw,
            current_A=span.mean_of("current_A"),
            level=span.name.removesuffix(AFTER_NUDGE),
            is_nudged=span.name.endswith(AFTER_NUDGE),
        )
        for one, span in zip(read, setup.spans, strict=True)
    ]


def _lever(setup: BenchSetup, unit: str) -> tuple[float, Reading | None, float]:
    """Return N.m for one of a unit, the arm, and the relative uncertainty by the angle."""
    if unit == "N.m":
        return 1.0, None, 0.0
    arm = setup.needed_reading("arm", "the length from the axis to the scale, such as arm=344 mm")
    level, by_angle = 1.0, 0.0
    angle = setup.single_reading("angle")
    if angle is not None:
        drawn = drawn_reading(
            angle.value, bound=angle.bound, factor=angle.factor, dice=bench_dice("angle")
        )
        cosines = np.cos(drawn)
        level = float(cosines.mean())
        if level < 0.2:
            raise InputError(
                f"found {angle.text}, expected an arm within 78 degrees of level.",
                where="--reading: angle",
            )
        by_angle = float(cosines.std()) / level
    gravity = GRAVITY_M_S2 if unit == "kg" else 1.0
    gain = setup.single_reading("gain")
    return arm.value * gravity * level / (gain.value if gain else 1.0), arm, by_angle


def lever_of(setup: BenchSetup, found: Sequence[ScaleReading]) -> Lever:
    """Return what makes torque of the readings, with its relative uncertainties."""
    unit = found[0].unit
    factor, arm, by_angle = _lever(setup, unit)
    parts = []
    if arm is not None:
        share = (arm.stated_uncertainty or arm.division_uncertainty) / arm.value
        parts.append(UncertaintyPart(source="arm", contribution=share, shared=True))
        parts.append(UncertaintyPart(source="angle", contribution=by_angle))
    gain = setup.single_reading("gain")
    if gain is not None:
        parts.append(
            UncertaintyPart(
                source="scale gain",
                contribution=gain.stated_uncertainty / gain.value,
                shared=True,
            )
        )
    scale = setup.channels.get("scale") or "scale"
    division = f", read to {found[0].division:g} {unit}" if found[0].division else ""
    return Lever(
        factor=factor,
        parts=tuple(parts),
        instruments=(
            *((f"arm {arm.text}",) if arm else ()),
            f"{scale}{division}, {len(found)} readings",
        ),
        has_gravity=unit == "kg",
        is_level=arm is not None and setup.single_reading("angle") is None,
    )


def torque_of_readings(setup: BenchSetup, found: Sequence[ScaleReading]) -> Measurement:
    """Return the torque that a scale reads at an arm, no current being known.

    A reading with a torque that is known, `scale=1.49 kg at 12.5 N.m`, stands for the arm: the
    others are told on the same one.
    """
    known = [one for one in setup.readings_named("scale") if one.at_unit == "N.m"]
    asked = [one for one in setup.readings_named("scale") if one.at_unit != "N.m"]
    dice = bench_dice("torque of a scale")
    if known and not asked:
        raise InputError(
            "found only readings with a torque, expected one more whose torque "
            "is asked for: scale=3.78 kg.",
            where="--reading: scale",
        )
    if any(not one.value for one in known):
        raise InputError(
            "found 0 with a torque that is known, expected what the scale reads "
            "under it: it stands for the arm.",
            where="--reading: scale",
        )
    gravity = GRAVITY_M_S2 if found[0].unit == "kg" else 1.0
    drawn_arm, arm, lever = None, 0.0, None
    if known:
        arm = float(np.mean([(one.at_value or 0.0) / (gravity * one.value) for one in known]))
        drawn_arm = np.mean(
            [(one.at_value or 0.0) / (gravity * _drawn_force(one, dice)) for one in known], axis=0
        )
    else:
        lever = lever_of(setup, found)
        arm = lever.factor / gravity
        shares = math.sqrt(sum(one.contribution**2 for one in lever.parts))
        drawn_arm = arm * (1.0 + shares * dice.normal(size=DRAW_COUNT))
    value = float(np.mean([one.value for one in asked])) * gravity * arm
    values = np.array([one.value for one in asked])
    if asked[0].division and not asked[0].bound:
        # Repeats are rounded alike: their number does not divide the division.
        drawn = draw_positions([values], asked[0].division, n=DRAW_COUNT, dice=dice)[:, 0]
    else:
        drawn = np.mean([_drawn_force(one, dice) for one in asked], axis=0)
    drawn = drawn * gravity * drawn_arm
    is_known = bool(asked[0].division or asked[0].bound)
    if len(asked) > 1 and not is_known and np.ptp(values) > 0.0:
        spread = float(values.std(ddof=1)) / math.sqrt(len(values)) * gravity * arm
        drawn = drawn + spread * dice.standard_t(len(values) - 1, DRAW_COUNT)
        is_known = True
    torque = (
        drawn_quantity(AXIS_TORQUE, value, drawn, basis=IntervalBasis.DRAWS)
        if is_known
        else bare_quantity(AXIS_TORQUE, value)
    )
    return Measurement(
        kind="torque",
        joint=setup.joint.name,
        method=LEVER_METHOD,
        source=LEVER_SOURCE,
        quantities=(torque, *((bare_quantity(ARM_LENGTH, arm),) if known else ())),
        unknown=(UnknownResult(of=PER_AMPERE, why=NO_CURRENT, steps=(TYPE_CURRENT,)),),
        remarks=() if is_known else (LEVER_NO_SPREAD,),
        assumptions=(
            *((GRAVITY,) if found[0].unit == "kg" and not known else ()),
            *((LEVEL_ARM,) if lever and lever.is_level else ()),
        ),
        instruments=lever.instruments
        if lever
        else (f"scale, {len(found)} readings on the same arm",),
    )


def _drawn_force(one: Reading, dice: np.random.Generator) -> np.ndarray:
    drawn = drawn_reading(one.value, bound=one.bound, factor=one.factor, dice=dice)
    if not one.bound and one.division:
        drawn = drawn + dice.uniform(-0.5, 0.5, DRAW_COUNT) * one.division
    return drawn
