"""Torque per ampere from a scale at an arm: loading and unloading apart, and their root. Pure.

While the current rises the output has efficiency times the motor's torque less friction, while it
falls the motor's torque over efficiency plus friction. The root of both slopes is free of either.
"""

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from logger.errors import InputError
from logger.findings.finding import UncertaintyPart
from replay.measure.interval import bench_dice
from replay.measure.kinds.load_branches import (
    Branch,
    LoadLevels,
    assign_branches,
    bend_of,
    fit_branch,
    saturation_spread,
)
from replay.measure.kinds.scale import (
    GRAVITY,
    ScaleReading,
    lever_of,
    scale_readings,
    torque_of_readings,
)
from replay.measure.line import StraightLine
from replay.measure.procedure import Fact
from replay.measure.result import (
    Expectation,
    MeasuredQuantity,
    Measurement,
    QuantityKind,
    UnknownResult,
    Way,
    student_quantity,
)
from replay.measure.setup import BenchSetup

__all__ = ["PER_AMPERE", "expect_torque", "measure_torque"]

PER_AMPERE: Final = QuantityKind("torque_per_ampere", "torque per ampere", "N.m/A")
LOADING: Final = QuantityKind(
    "torque_per_ampere_loading", "torque per ampere, current rising", "N.m/A"
)
UNLOADING: Final = QuantityKind(
    "torque_per_ampere_unloading", "torque per ampere, current falling", "N.m/A"
)
EFFICIENCY: Final = QuantityKind("efficiency", "efficiency of the gear", "%")
STANDING_FRICTION: Final = QuantityKind("friction_torque", "friction at standstill", "N.m")
OFFSET: Final = QuantityKind("offset", "offset of the scale, tare or arm", "N.m")
STORED_OFF: Final = QuantityKind("stored_torque_off", "stored torque is off by", "%")

SCALE_METHOD: Final = Fact("scale", "scale at an arm, lines through levels up and down")
SCALE_SOURCE: Final = "common practice; JCGM 100, H.3"
MOTOR_LINEAR: Final = Fact(
    "root of branches",
    "The gear loses as much in either direction: the root of both slopes is the motor's own.",
)
STANDING_ASSUMED: Final = Fact(
    "standing assumed",
    "What stands still is all of the torque: no level was nudged, so a controller that dithers "
    "would not have been seen.",
)
SATURATES: Final = Fact(
    "saturates",
    "Torque per ampere falls with the current by more than its scatter: the value is the slope at "
    "small current.",
)
NO_TURN: Final = Fact(
    "one way only", "the current was not brought down again behind the friction's dead band"
)
MORE_LEVELS: Final = Fact(
    "more levels",
    "Come down by the same levels, with more of them: those right after the turn do not count.",
)
NOT_NUDGED: Final = Fact("not nudged", "no level was read again after a nudge")
RELAXED: Final = Fact(
    "relaxed", "levels read otherwise after a nudge: what stands still is not all of the torque"
)
SCALE_COARSE: Final = Fact(
    "scale coarse", "the scale is too coarse to see whether what stands still is all of the torque"
)
NUDGE: Final = Fact(
    "nudge",
    "Lift the arm a little at two levels up, press it at two down, let go, and type the scale "
    "again as 'nudged' at the same current.",
)
FINER_SCALE: Final = Fact("finer scale", "Use a finer scale, or a longer arm.")
WIDE: Final = Fact(
    "few unloading levels",
    "Few levels are left on the way down: more of them would narrow this the most.",
)


@dataclass(frozen=True, slots=True)
class _Branches:
    """Both lines, what is the same for both, and the scatter of rounding in N.m."""

    up: StraightLine
    down: StraightLine | None
    shared: tuple[UncertaintyPart, ...]
    """Relative."""
    rounding_Nm: float  # noqa: N815 - the unit's own spelling


def measure_torque(setup: BenchSetup) -> Measurement:
    """Return torque per ampere from levels of a scale; without currents the torque at the arm.

    Raises
    ------
    InputError
        Readings are missing, do not fit, or lack the current that they were read at.
    """
    found = scale_readings(setup)
    if not any(one.current_A is not None for one in found):
        return torque_of_readings(setup, found)
    if any(one.current_A is None for one in found):
        raise InputError(
            "found readings with and without a current, expected each with the "
            "current that it was read at: 'scale=3.25 kg at 6 A'.",
            where="--reading: scale",
        )
    lever = lever_of(setup, found)
    levels = _levels(found)
    branch = assign_branches(levels)
    rounding = found[0].division * lever.factor / math.sqrt(12.0)
    is_bent = bend_of(levels, branch, least_scatter=rounding) < -4.0
    up, down = (
        fit_branch(levels, branch, one, least_scatter=rounding, is_bent=is_bent)
        for one in (Branch.LOADING, Branch.UNLOADING)
    )
    if up is None:
        raise InputError(
            f"found {int((branch == 1).sum())} levels on the way up behind the "
            "friction, expected at least three, each with a higher current than the one before.",
            where="--reading: scale",
        )
    if up.slope <= 0.0:
        raise InputError(
            "found less torque with more current, expected more: are levels interchanged?",
            where="--reading: scale",
        )
    shared = lever.parts
    if is_bent:
        spread = saturation_spread(levels, branch)
        shared = (*shared, UncertaintyPart(source="law of saturation", contribution=spread))
    lines = _Branches(up, down, shared, rounding)
    standing = _standing(found, lines)
    quantities, unknown = _quantities(lines, standing)
    stored = setup.joint.per_ampere
    if stored is not None and quantities:
        quantities.append(_stored_off(quantities[0], stored))
    few = down is not None and down.dof < 3
    at = _temperature(setup)
    quantities = [replace(one, at=at) for one in quantities]
    return Measurement(
        kind="torque",
        joint=setup.joint.name,
        method=SCALE_METHOD,
        source=SCALE_SOURCE,
        quantities=tuple(quantities),
        unknown=tuple(unknown),
        remarks=(*((SATURATES,) if is_bent else ()), *((WIDE,) if few else ())),
        assumptions=(
            *((MOTOR_LINEAR,) if down is not None else ()),
            *((STANDING_ASSUMED,) if standing is NOT_NUDGED and down is None else ()),
            *((GRAVITY,) if lever.has_gravity else ()),
        ),
        instruments=lever.instruments,
        picture={
            "current_A": levels.current_A.tolist(),
            "torque_Nm": levels.torque_Nm.tolist(),
            "branch": branch.tolist(),
            "lines": [[one.intercept, one.slope] if one else None for one in (up, down)],
        },
    )


def _levels(found: list[ScaleReading]) -> LoadLevels:
    """Return the levels that were not nudged, with current and torque of positive sense."""
    own = [one for one in found if not one.is_nudged]
    current = np.array([one.current_A or 0.0 for one in own])
    torque = np.array([one.torque_Nm for one in own])
    if (current > 0.0).any() and (current < 0.0).any():
        raise InputError(
            "found currents of both signs, expected one direction at a time: "
            "measure the other by itself.",
            where="--reading: scale",
        )
    current = np.abs(current)
    far = current - current.mean()
    return LoadLevels(
        current_A=current, torque_Nm=torque * (1.0 if float(far @ torque) >= 0.0 else -1.0)
    )


def _standing(found: list[ScaleReading], lines: _Branches) -> Fact | None:
    """Return None where what stands still is all of the torque, else why that is not known."""
    own = [one for one in found if not one.is_nudged]
    apart = []
    for place, one in enumerate(found):
        # Up and down come to the same currents: a nudge repeats the reading that it followed.
        alike = [other for other in own if other.level == one.level] if one.is_nudged else []
        before = [other for other in found[:place] if other in alike]
        if alike:
            apart.append(one.torque_Nm - [*alike[:1], *before][-1].torque_Nm)
    if len(apart) < 2:
        return NOT_NUDGED
    # Two rounded readings of one thing differ by a division over the root of six.
    rounded = 2.0 * max(lines.rounding_Nm * math.sqrt(2.0), 1e-4 * lines.up.slope)
    current = float(np.median([abs(one.current_A or 0.0) for one in own]))
    if lines.down is not None:
        half_band = abs(lines.down.value_at(current)[0] - lines.up.value_at(current)[0]) / 2.0
        if rounded > 0.3 * half_band:
            return SCALE_COARSE
    return RELAXED if math.sqrt(float(np.mean(np.square(apart)))) > rounded else None


def _quantities(
    lines: _Branches, standing: Fact | None
) -> tuple[list[MeasuredQuantity], list[UnknownResult]]:
    up, down = lines.up, lines.down
    up_part = _slope_part("levels up", up)
    why = {NOT_NUDGED: (NUDGE,), RELAXED: (NUDGE,), SCALE_COARSE: (FINER_SCALE,)}
    if down is None or down.slope <= 0.0:
        known = student_quantity(LOADING, up.slope, _of_slope(up.slope, (up_part,), lines.shared))
        first = UnknownResult(of=PER_AMPERE, why=NO_TURN, steps=(MORE_LEVELS,))
        if standing is not None and standing is not NOT_NUDGED:
            return [], [first, UnknownResult(of=LOADING, why=standing, steps=why[standing])]
        return [known], [first]
    down_part = _slope_part("levels down", down)
    root = math.sqrt(up.slope * down.slope)
    halves = tuple(
        UncertaintyPart(
            source=one.source,
            contribution=one.contribution / 2.0,
            degrees_of_freedom=one.degrees_of_freedom,
        )
        for one in (up_part, down_part)
    )
    quantities = [student_quantity(PER_AMPERE, root, _of_slope(root, halves, lines.shared))]
    if standing is not None:
        kinds = (LOADING, UNLOADING, EFFICIENCY, STANDING_FRICTION)
        return quantities, [
            UnknownResult(of=one, why=standing, steps=why[standing]) for one in kinds
        ]
    friction = (down.intercept - up.intercept) / 2.0
    # More on the way up is more efficiency, more on the way down is less.
    against = (halves[0], halves[1].model_copy(update={"contribution": -halves[1].contribution}))
    quantities += [
        student_quantity(LOADING, up.slope, _of_slope(up.slope, (up_part,), lines.shared)),
        student_quantity(UNLOADING, down.slope, _of_slope(down.slope, (down_part,), lines.shared)),
        # Arm and scale are the same for both branches, and cancel.
        student_quantity(
            EFFICIENCY,
            100.0 * math.sqrt(up.slope / down.slope),
            _of_slope(100.0 * math.sqrt(up.slope / down.slope), against, ()),
        ),
        student_quantity(
            STANDING_FRICTION,
            friction,
            (*_intercepts(up, down), *_of_slope(friction, (), lines.shared)),
        ),
        student_quantity(OFFSET, (down.intercept + up.intercept) / 2.0, _intercepts(up, down)),
    ]
    return quantities, []


def _slope_part(source: str, line: StraightLine) -> UncertaintyPart:
    """Return the relative uncertainty of a slope by the scatter of its levels."""
    return UncertaintyPart(
        source=source, contribution=line.slope_uncertainty / line.slope, degrees_of_freedom=line.dof
    )


def _of_slope(
    value: float, own: tuple[UncertaintyPart, ...], shared: tuple[UncertaintyPart, ...]
) -> tuple[UncertaintyPart, ...]:
    """Return relative parts in the unit of a value."""
    return tuple(
        UncertaintyPart(
            source=one.source,
            contribution=one.contribution * value,
            degrees_of_freedom=one.degrees_of_freedom,
            shared=one.shared,
        )
        for one in (*own, *shared)
    )


def _intercepts(up: StraightLine, down: StraightLine) -> tuple[UncertaintyPart, ...]:
    return tuple(
        UncertaintyPart(
            source=source, contribution=one.intercept_uncertainty / 2.0, degrees_of_freedom=one.dof
        )
        for source, one in (("levels up", up), ("levels down", down))
    )


def _stored_off(measured: MeasuredQuantity, stored: float) -> MeasuredQuantity:
    """Return by how much stored torque is off, in %: below 0 the pages are low."""
    ratio = 100.0 * stored / measured.value
    return student_quantity(
        STORED_OFF,
        ratio - 100.0,
        tuple(
            UncertaintyPart(
                source=one.source,
                contribution=-one.contribution / measured.value * ratio,
                degrees_of_freedom=one.degrees_of_freedom,
                shared=one.shared,
            )
            for one in measured.parts
        ),
    )


def _temperature(setup: BenchSetup) -> dict[str, float | str]:
    """Return the mean of each temperature over the spans: what the value holds at."""
    out: dict[str, float | str] = {}
    for name in sorted({one for span in setup.spans for one in span.series}):
        if name.startswith("temperature_"):
            mean = float(np.nanmean([span.mean_of(name) for span in setup.spans]))
            if math.isfinite(mean):
                out[name] = mean
    return out


def expect_torque(setup: BenchSetup) -> Expectation:
    """Return how narrow torque per ampere can get with this arm and scale."""
    arm = setup.single_reading("arm")
    length = arm.value if arm else 0.344
    scales = setup.readings_named("scale")
    is_mass = not scales or scales[0].unit == "kg"
    to_newton = 9.80665 if is_mass else 1.0
    division = setup.divisions.get("scale", 0.01) * to_newton
    per_ampere = setup.joint.per_ampere or 1.9
    most = max((abs(one.at_value or 0.0) for one in scales), default=0.0) or 6.0
    arm_share = (arm.stated_uncertainty / length if arm and arm.bound else 1e-3) if arm else 1e-3
    here = _half_width(per_ampere, most, length * division, arm_share, 8)
    unit = f"{1e3 * division / to_newton:g} g" if is_mass else f"{division:g} N"
    ways = [
        Way(words=words, half_width=_half_width(per_ampere, most, *changed))
        for words, changed in (
            (f"a scale of a tenth of {unit}", (length * division / 10.0, arm_share, 8)),
            ("20 levels up and down", (length * division, arm_share, 20)),
            ("the arm's length known to a third", (length * division, arm_share / 3.0, 8)),
        )
    ]
    return Expectation(
        of=PER_AMPERE,
        half_width=here,
        with_words=(
            f"an arm of {1e3 * length:.0f} mm, a scale read to {unit}, 8 levels up and down to "
            f"{most:g} A"
        ),
        narrower=tuple(
            sorted(
                (one for one in ways if one.half_width < 0.95 * here),
                key=lambda one: one.half_width,
            )
        ),
    )


def _half_width(
    per_ampere: float, most: float, division: float, arm_share: float, levels: int
) -> float:
    """Return half of the interval of the root on simulated levels with a common gear: a median."""
    dice = bench_dice("expect torque")
    up = np.linspace(0.0, most, levels + 1)[1:]
    current = np.concatenate([up, up[-2::-1]])
    halves = []
    for _ in range(9):
        torque = np.concatenate(
            [0.93 * per_ampere * up - 0.3, per_ampere / 0.93 * up[-2::-1] + 0.3]
        )
        torque = np.minimum(torque, torque[levels - 1])
        read = np.rint((torque + dice.uniform(0, division)) / division) * division
        made = LoadLevels(current_A=current, torque_Nm=read)
        branch = assign_branches(made)
        lines = [
            fit_branch(made, branch, one, least_scatter=division / math.sqrt(12.0), is_bent=False)
            for one in (Branch.LOADING, Branch.UNLOADING)
        ]
        if lines[0] is None or lines[1] is None or min(lines[0].slope, lines[1].slope) <= 0.0:
            return per_ampere
        arm = UncertaintyPart(source="arm", contribution=arm_share, shared=True)
        found, _ = _quantities(_Branches(lines[0], lines[1], (arm,), division), NOT_NUDGED)
        low, high = found[0].interval
        halves.append((high - low) / 2.0)
    return float(np.median(halves))
